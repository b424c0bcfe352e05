"""Killed at any moment and started again, the audit ends with the same bytes as an undisturbed one."""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from audit_samples import QuickWork, StuckWork

from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, run_audit
from apertrue.store import open_store

COUNT = 700

_CHILD = """
import sys
sys.path.insert(0, sys.argv[1])
from audit_samples import SlowWork
from apertrue.audit import MIGRATIONS, AuditSettings, Limits, run_audit
from apertrue.store import open_store

if __name__ == "__main__":
    try:
        with open_store(sys.argv[3], migrations=MIGRATIONS, durable=False) as store:
            print("begun", flush=True)
            run_audit([sys.argv[2]], store, settings=AuditSettings(timezone="UTC"),
                      limits=Limits(workers=int(sys.argv[4])), work=SlowWork(),
                      on_progress=lambda p: print(p.phase, p.done, flush=True))
        print("finished", flush=True)
    except KeyboardInterrupt:
        print("stopped", flush=True)
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many")
    for i in range(COUNT):
        below = folder / f"d{i % 7}"
        below.mkdir(exist_ok=True)
        (below / f"{i}.tif").write_bytes(b"%d" % i)
    return folder


def begin(folder: Path, store: Path, workers: int = 0) -> "subprocess.Popen[str]":
    here = str(Path(__file__).parent)
    return subprocess.Popen(
        [sys.executable, "-c", _CHILD, here, str(folder), str(store), str(workers)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=os.name == "posix",
    )


def exported(folder: Path, store: Path, out: Path) -> bytes:
    """The CSV after whatever is left was done."""
    with open_store(store, migrations=MIGRATIONS) as s:
        number = run_audit(
            [str(folder)], s, settings=AuditSettings(timezone="UTC"), limits=Limits(workers=0), work=QuickWork()
        )
        audit = Audit(s, number)
        assert audit.unfinished == 0
        return audit.write_csv(out).read_bytes()


def rows_in(store: Path) -> int:
    if not store.exists():
        return 0
    with open_store(store, migrations=MIGRATIONS) as s:
        pictures = int(s.value("select count(*) from audit_pictures"))
        # Rows and their file's state go together: never rows of a file that is not begun, never a done file without.
        wrong = s.value(
            "select count(*) from audit_files f where (state = 1 or next_page > 0) <> exists "
            "(select 1 from audit_pictures p where p.audit = f.audit and p.key = f.key)"
        )
        assert wrong == 0
        return pictures


def test_random_kills_change_no_byte(folder: Path, tmp_path: Path) -> None:
    expected = exported(folder, tmp_path / "whole.sqlite", tmp_path / "whole.csv")
    assert expected.count(b"\n") > COUNT
    store = tmp_path / "killed.sqlite"
    chance = random.Random(8)  # when to kill; the result must not depend on it
    grown = []
    for _ in range(12):
        child = begin(folder, store)
        assert child.stdout is not None
        for _ in range(1 + chance.randrange(6)):  # each line follows something stored, however slow the machine is
            child.stdout.readline()
        time.sleep(chance.uniform(0.0, 0.08))
        child.kill()
        child.communicate()
        grown.append(rows_in(store))
    assert grown == sorted(grown), "something that was stored got lost"
    assert grown[-1] > 0, "no kill came late enough to find rows"
    assert exported(folder, store, tmp_path / "killed.csv") == expected


_STOPPED = """
import sys, time
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from audit_samples import StuckWork
from apertrue.audit import MIGRATIONS, AuditSettings, Limits, run_audit
from apertrue.store import open_store

if __name__ == "__main__":
    try:
        with open_store(sys.argv[3], migrations=MIGRATIONS, durable=False) as store:
            run_audit([sys.argv[2]], store, settings=AuditSettings(timezone="UTC"),
                      limits=Limits(workers=int(sys.argv[4])), work=StuckWork(sys.argv[5]))
    except KeyboardInterrupt:
        print("stopped", flush=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="signals as on POSIX")
@pytest.mark.parametrize("workers", [0, 2])
def test_ctrl_c_waits_for_no_picture_and_leaves_a_whole_table(folder: Path, tmp_path: Path, workers: int) -> None:
    """In the order of events: a picture is begun, Ctrl-C, the end; the picture itself would have taken five minutes."""
    store, marks = tmp_path / "stopped.sqlite", tmp_path / "marks"
    marks.mkdir()
    here = str(Path(__file__).parent)
    child = subprocess.Popen(
        [sys.executable, "-c", _STOPPED, here, str(folder), str(store), str(workers), str(marks)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    while not list(marks.glob("begun *")) and child.poll() is None:
        time.sleep(0.02)
    os.killpg(child.pid, signal.SIGINT)
    out, err = child.communicate(timeout=200)  # less than the picture takes
    assert (out, err) == ("stopped\n", "")
    (begun,) = marks.glob("begun *")
    assert not list(marks.glob("ended *"))
    # Nothing goes on behind the user's back: the process that had the picture is gone, too.
    with pytest.raises(ProcessLookupError):
        os.kill(int(begun.read_text(encoding="ascii")), 0)
    # What was judged before is there, the picture at hand is not, and the rest gives the same bytes as ever.
    assert rows_in(store) > 0
    with open_store(store, migrations=MIGRATIONS) as s:
        assert s.value("select state from audit_files where key = ?", (StuckWork.NAME.encode(),)) == 0
    whole = exported(folder, tmp_path / "whole.sqlite", tmp_path / "whole.csv")
    assert exported(folder, store, tmp_path / "stopped.csv") == whole
