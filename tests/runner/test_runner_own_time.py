"""A task's time limit counts its own time: that in line for a core is other programs' fault."""

import multiprocessing
import os
import time

import pytest
import runner_works as works

from apertrue.runner import processes, run
from apertrue.runner.own_time import OwnTime


class InLine(OwnTime):
    """A clock of a worker that never got a core."""

    @property
    def seconds(self) -> float:
        return 0.0


@pytest.mark.parametrize(("clock", "kinds"), [(OwnTime, ["timeout"]), (InLine, [])])
def test_a_worker_in_line_for_a_core_is_not_stuck(
    monkeypatch: pytest.MonkeyPatch, clock: type[OwnTime], kinds: list[str]
) -> None:
    monkeypatch.setattr(processes, "OwnTime", clock)
    outcomes = list(run(works.pid_of, [1.0], workers=1, time_limit_s=0.2))
    assert [o.failure.kind for o in outcomes if o.failure] == kinds


def test_sleep_is_time_at_work() -> None:
    own = OwnTime()
    time.sleep(0.05)
    assert own.seconds >= 0.04


def spin(core: int, cpu_s: float) -> None:
    os.sched_setaffinity(0, {core})
    while time.process_time() < cpu_s:
        pass


@pytest.mark.skipif(not os.path.exists("/proc/self/schedstat"), reason="this system does not tell")  # noqa: PTH110
def test_time_in_line_does_not_count() -> None:
    """Two that want one core: each is at work for about half of the time."""
    cores = os.sched_getaffinity(0)
    other = multiprocessing.get_context("spawn").Process(target=spin, args=(min(cores), 60.0), daemon=True)
    other.start()
    try:
        os.sched_setaffinity(0, {min(cores)})
        # On a busy machine it has waited for a core before it spins on this one.
        while other.is_alive() and os.sched_getaffinity(other.pid or 0) != {min(cores)}:
            time.sleep(0.01)
        waited = OwnTime(other.pid or 0)._waited()
        while other.is_alive() and OwnTime(other.pid or 0)._waited() <= waited:
            time.sleep(0.01)
        own, start, cpu = OwnTime(), time.monotonic(), time.process_time()
        while time.process_time() - cpu < 0.3:
            pass
        wall = time.monotonic() - start
    finally:
        os.sched_setaffinity(0, cores)
        other.kill()
        other.join()
    assert 0.29 <= own.seconds < 0.8 * wall
