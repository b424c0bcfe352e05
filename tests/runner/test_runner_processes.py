"""The runner: every task gets its outcome, whatever the tasks do."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import runner_works as works

from apertrue.runner import RunnerError, run
from apertrue.runner.processes import AHEAD
from apertrue.runner.worker import memory_mb


def test_each_task_gets_its_value_in_order() -> None:
    outcomes = list(run(works.double, range(300), workers=2, ordered=True))
    assert [o.value for o in outcomes] == [2 * n for n in range(300)]
    assert [o.index for o in outcomes] == list(range(300))
    assert all(o.failure is None and o.seconds >= 0 for o in outcomes)


def test_no_tasks_no_outcomes() -> None:
    assert list(run(works.double, [], workers=2)) == []


def test_nothing_a_task_does_stops_the_others() -> None:
    tasks = [("ok", i) for i in range(40)]
    tasks[3], tasks[7], tasks[11], tasks[20], tasks[30] = (
        ("raise", 3),
        ("die", 7),
        ("hang", 11),
        ("exit", 20),
        ("memory", 30),
    )
    outcomes = {o.index: o for o in run(works.mixed, tasks, workers=2, time_limit_s=0.6)}
    assert sorted(outcomes) == list(range(40))
    failures = {i: o.failure for i, o in outcomes.items() if o.failure is not None}
    assert {i: f.kind for i, f in failures.items()} == {
        3: "error",
        7: "crash",
        11: "timeout",
        20: "error",
        30: "memory",
    }
    assert failures[3].message == "ValueError: no 3"
    assert "not finished within 0.6 s" in failures[11].message
    assert [outcomes[i].value for i in range(40) if i not in failures] == [i for i in range(40) if i not in failures]


def test_a_worker_that_someone_killed_is_replaced_and_its_task_done_again(tmp_path: Path) -> None:
    marks = [str(tmp_path / f"m{i}") for i in range(6)]
    for mark in marks[1:]:
        Path(mark).touch()
    outcomes = list(run(works.die_once, marks, workers=2, ordered=True))
    assert [o.value for o in outcomes] == [f"m{i}" for i in range(6)]


def test_values_that_cannot_travel_are_failures() -> None:
    good, bad = run(works.unpicklable, [0, 1], workers=1, ordered=True)
    assert good.value == 0
    assert bad.failure is not None
    assert "pickle" in bad.failure.message


@pytest.mark.skipif(memory_mb() is None, reason="this system does not tell a process' memory")
def test_a_greedy_task_is_stopped() -> None:
    (outcome,) = run(works.swallow, [400], workers=1, memory_limit_mb=100, time_limit_s=30)
    assert outcome.failure is not None
    assert outcome.failure.kind == "memory"
    assert outcome.seconds < 15


def test_tasks_are_taken_only_a_few_ahead() -> None:
    taken = 0

    def stream() -> Iterator[int]:
        nonlocal taken
        for n in range(10_000):
            taken += 1
            yield n

    outcomes = run(works.double, stream(), workers=2)
    for _ in range(5):
        next(outcomes)
    assert taken <= 5 + 2 * AHEAD + 4
    outcomes.close()


def test_a_stuck_task_holds_back_only_a_bounded_number_of_ordered_outcomes() -> None:
    tasks = [("hang", 0), *(("ok", n) for n in range(1, 600))]
    outcomes = list(run(works.mixed, tasks, workers=2, time_limit_s=1.0, ordered=True))
    assert [o.index for o in outcomes] == list(range(600))
    assert [o.index for o in outcomes if o.failure] == [0]


def test_closing_early_stops_the_workers() -> None:
    outcomes = run(works.pid_of, [0.0, 0.0, 300.0, 300.0], workers=2)
    pids = {next(outcomes).value for _ in range(2)}
    start = time.monotonic()
    outcomes.close()
    assert time.monotonic() - start < 30  # not the 300 s that the tasks would take
    if hasattr(signal, "SIGKILL"):
        for pid in pids:
            with pytest.raises(ProcessLookupError):
                os.kill(pid, 0)


def test_work_that_cannot_be_loaded_is_one_clear_error() -> None:
    with pytest.raises(RunnerError, match=r"can't load their work .*module is gone"):
        list(run(works.Unloadable(), [1, 2], workers=2))


def test_without_processes() -> None:
    outcomes = list(run(works.mixed, [("ok", 1), ("raise", 2), ("ok", 3)], workers=0))
    assert [o.value for o in outcomes] == [1, None, 3]
    assert outcomes[1].failure is not None


_PARENT = """
import sys
sys.path.insert(0, sys.argv[1])
import runner_works as works
from apertrue.runner import run

if __name__ == "__main__":
    try:
        for outcome in run(works.pid_of, [0.0, 0.0, 300.0, 300.0, 300.0], workers=2):
            print(outcome.value, flush=True)
    except KeyboardInterrupt:
        print("stopped", flush=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="signals as on POSIX")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_ctrl_c_and_a_kill_leave_no_process_behind(tmp_path: Path, how: signal.Signals) -> None:
    script = tmp_path / "parent.py"
    script.write_text(_PARENT, encoding="utf-8")
    child = subprocess.Popen(
        [sys.executable, str(script), str(Path(__file__).parent)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert child.stdout is not None
    pids = {int(child.stdout.readline()) for _ in range(2)}
    os.killpg(child.pid, how) if how == signal.SIGINT else os.kill(child.pid, how)
    out, err = child.communicate(timeout=20)
    if how == signal.SIGINT:
        assert out == "stopped\n"
        assert err == ""
    for pid in pids:
        for _ in range(200):
            try:
                os.kill(pid, 0)
            except ProcessLookupError:
                break
            if Path(f"/proc/{pid}/stat").exists() and ") Z " in Path(f"/proc/{pid}/stat").read_text():
                break  # dead; only its entry waits for a parent that does not collect it
            time.sleep(0.05)
        else:
            pytest.fail(f"worker {pid} lives on")


def test_a_worker_whose_parent_is_gone_before_it_is_ready_ends_without_a_word() -> None:
    code = (
        "import pickle\n"
        "from multiprocessing import Pipe\n"
        "from apertrue.runner.worker import worker_loop\n"
        "ours, theirs = Pipe()\n"
        "ours.close()\n"
        "worker_loop(theirs, pickle.dumps(len))\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, "", "")
