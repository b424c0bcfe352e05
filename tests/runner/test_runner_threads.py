"""One thread for linear algebra in every way of running, so that sums have the same last bits everywhere."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from apertrue.threads import LIMITS, inherited_one_thread

_SCRIPT = """
import sys
import numpy  # loaded first, as in a notebook, with two threads; worker processes load this file, too
sys.path.insert(0, sys.argv[1])
import runner_works as works
from apertrue.runner import run

if __name__ == "__main__":
    before = works.blas_threads(0)
    here, there = ([o.value for o in run(works.blas_threads, [0], workers=n)] for n in (0, 1))
    print(before, here, there, works.blas_threads(0))
"""


_IN_A_NOTEBOOK = """
import sys
import threading
import numpy
sys.path.insert(0, sys.argv[1])
import runner_works as works
import apertrue.locate
from apertrue.simulate import Recipe, simulate
from apertrue.threads import one_at_work

seen = []
locate_frame = apertrue.locate.locate_frame
def watched(*given):
    seen.append(works.blas_threads(0))
    return locate_frame(*given)
apertrue.locate.locate_frame = watched
apertrue.locate.locate(simulate(Recipe(rows=128, columns=128, aperture_radius_px=45), numpy.random.default_rng(0)).frame)
between, go = threading.Event(), threading.Event()
def other():
    with one_at_work():
        between.set()
        go.wait()
thread = threading.Thread(target=other)
with one_at_work():
    thread.start()
    between.wait()
go.set()
thread.join()
print(seen, works.blas_threads(0))
"""


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one core has one thread")
def test_one_thread_while_any_thread_looks_for_edges_and_as_before_afterwards(tmp_path: Path) -> None:
    assert _told_by(tmp_path, _IN_A_NOTEBOOK) == "[1] 2\n"


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one core has one thread")
def test_one_thread_here_and_in_workers_and_as_before_afterwards(tmp_path: Path) -> None:
    assert _told_by(tmp_path, _SCRIPT) == "2 [1] [1] 2\n"


def _told_by(tmp_path: Path, program: str) -> str:
    """What a user's program prints that was started with two threads."""
    script = tmp_path / "user.py"
    script.write_text(program, encoding="utf-8")
    environment = os.environ | dict.fromkeys(LIMITS, "2")
    ended = subprocess.run(
        [sys.executable, str(script), str(Path(__file__).parent)],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.stderr == ""
    return ended.stdout


def test_the_environment_is_as_before_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    first, *others = LIMITS
    monkeypatch.setenv(first, "7")
    for name in others:
        monkeypatch.delenv(name, raising=False)
    with inherited_one_thread():
        assert {name: os.environ[name] for name in LIMITS} == LIMITS
    assert os.environ[first] == "7"
    assert not any(name in os.environ for name in others)
