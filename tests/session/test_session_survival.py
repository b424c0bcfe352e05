"""Killed writers, two writers at once, a full disk: no committed entry is ever lost."""

import os
import random
import subprocess
import sys
import time
from datetime import UTC, datetime

import pytest

from apertrue.errors import StoreError
from apertrue.session import add_event, events, open_log

#: Adds notes 0, 1, 2, … and prints each number only after its commit.
WRITER = """
import sys
from apertrue.session.log import add_event, open_log
name, log = sys.argv[1:3]
many = int(sys.argv[3]) if len(sys.argv) > 3 else 10**9
with open_log(log) as store:
    for i in range(many):
        add_event(store, "note", values={"note": f"{name} {i}"})
        sys.stdout.write(f"{i}\\n")
        sys.stdout.flush()
"""


def _start(log, name, *more):
    return subprocess.Popen([sys.executable, "-c", WRITER, name, str(log), *more], stdout=subprocess.PIPE, text=True)


def _told(out):
    lines = out.split("\n")
    return [int(x) for x in lines[:-1] if x]  # the last line may be cut


def test_killed_at_random_moments_loses_nothing_that_was_committed(tmp_path):
    # 21 kills here, three writers at a time; benchmarks/watch_kills.py does 200.
    log = tmp_path / "log.sqlite"
    rng = random.Random(4)
    promised = set()
    for k in range(7):
        trio = [_start(log, f"{k}{side}") for side in "abc"]
        for p in trio:
            p.stdout.readline()  # it has begun to write
        time.sleep(rng.uniform(0.0, 0.1))
        for p in trio:
            p.kill()
        for side, p in zip("abc", trio, strict=True):
            out, _ = p.communicate()
            promised |= {f"{k}{side} 0"} | {f"{k}{side} {i}" for i in _told(out)}
    with open_log(log) as store:
        kept = [e.get("note") for e in events(store)]
        assert store.value("pragma integrity_check") == "ok"
    assert promised <= set(kept)
    assert len(kept) == len(set(kept))
    assert len(promised) >= 20


def test_two_writers_at_once_lose_nothing_and_wait_for_each_other(tmp_path):
    log = tmp_path / "log.sqlite"
    pair = [_start(log, name, "60") for name in "ab"]
    for p in pair:
        p.communicate(timeout=60)
        assert p.returncode == 0
    with open_log(log) as store:
        assert len(events(store)) == 120
        assert len({e.uid for e in events(store)}) == 120


def test_a_full_disk_is_told_and_what_was_committed_stays(tmp_path):
    if sys.platform == "win32":
        pytest.skip("full disk: needs a limit on file sizes, which this system does not have")
    import resource

    log = tmp_path / "log.sqlite"
    with open_log(log) as store:
        add_event(store, "note", values={"note": "before"})
    script = (
        "import resource, signal, sys\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))\n"
        "from apertrue.cli import main\n"
        "from apertrue.session.log import add_event, open_log\n"
        "from apertrue.cli._output import report_error\n"
        "done = 0\n"
        "try:\n"
        "    with open_log(sys.argv[1]) as store:\n"
        "        for i in range(2000):\n"
        "            add_event(store, 'note', values={'note': 'x' * 2000})\n"
        "            done += 1\n"
        "except Exception as error:\n"
        "    report_error(error)\n"
        "print(done)\n"
    )
    assert resource.RLIMIT_FSIZE is not None
    found = subprocess.run([sys.executable, "-c", script, str(log)], capture_output=True, text=True, check=False)
    assert "Traceback" not in found.stderr
    assert "log.sqlite" in found.stderr
    assert "unexpected" not in found.stderr
    committed = int(found.stdout)
    assert 0 < committed < 2000
    with open_log(log) as store:
        assert len(events(store)) == 1 + committed
        assert store.value("pragma integrity_check") == "ok"
        add_event(store, "note", values={"note": "after"})


def test_a_small_disk_that_fills_up(tmp_path):
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("small disk: needs root on Linux to mount one")
    mount = tmp_path / "disk"
    mount.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=700k", "tmpfs", str(mount)], check=False)
    if done.returncode != 0:
        pytest.skip("small disk: mounting is not allowed here")
    committed = 0
    try:
        with open_log(mount / "log.sqlite") as store:
            said = ""
            while committed < 2000:
                try:
                    add_event(store, "note", values={"note": "x" * 2000})
                except StoreError as error:
                    said = str(error)
                    break
                committed += 1
        subprocess.run(["mount", "-o", "remount,size=4m", str(mount)], check=True)
        with open_log(mount / "log.sqlite") as store:
            assert len(events(store)) == committed
            assert 0 < committed < 2000
            assert "log.sqlite" in said
            add_event(store, "note", values={"note": "after"})
    finally:
        subprocess.run(["umount", str(mount)], check=False)


def test_a_log_that_can_not_be_written_is_told(tmp_path):
    with pytest.raises(StoreError, match="folder"):
        open_log(tmp_path)
    (tmp_path / "x.sqlite").write_bytes(b"this is no database at all, but long enough to be looked at" * 20)
    with pytest.raises(StoreError, match=r"x\.sqlite"):
        open_log(tmp_path / "x.sqlite")
    with pytest.raises(StoreError, match="no such store"):
        open_log(tmp_path / "none.sqlite", read_only=True)


def test_entries_in_the_same_moment_of_two_processes_have_their_own_names(tmp_path):
    moment = datetime(2026, 5, 4, tzinfo=UTC)
    with open_log(tmp_path / "l.sqlite") as a, open_log(tmp_path / "l.sqlite") as b:
        for store in (a, b, a, b):
            add_event(store, "note", moment, values={"note": "same"})
        assert len({e.uid for e in events(a)}) == 4
        assert [e.id for e in events(b)] == [1, 2, 3, 4]
