"""New files are found once, whole, in order."""

import os
import time

import pytest

from apertrue.errors import ReadError
from apertrue.watch import Arrivals


class Clock:
    def __init__(self):
        self.t = 0.0

    def __call__(self):
        return self.t


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def arrivals(tmp_path, clock):
    return Arrivals(tmp_path, notices=False, poll_s=0.1, clock=clock)


def _pass(arrivals, clock, seconds=1.0):
    out = []
    end = clock.t + seconds
    while clock.t < end:
        out += arrivals.ready()
        clock.t += 0.1
    return [p.name for p in out]


def test_each_file_once_and_oldest_first(tmp_path, arrivals, clock, pictures, copy_to):
    copy_to(pictures[1], tmp_path / "a.tif", at=2000.0)
    copy_to(pictures[0], tmp_path / "b.tif", at=1000.0)
    assert _pass(arrivals, clock) == ["b.tif", "a.tif"]
    assert _pass(arrivals, clock) == []


def test_a_growing_file_is_waited_for(tmp_path, arrivals, clock, pictures):
    data = pictures[0].read_bytes()
    with (tmp_path / "a.tif").open("wb") as out:
        for start in range(0, len(data), len(data) // 5):
            out.write(data[start : start + len(data) // 5])
            out.flush()
            assert arrivals.ready() == []
            clock.t += 0.2
    assert _pass(arrivals, clock) == ["a.tif"]


def test_unfinished_hidden_and_other_files_are_left_alone(tmp_path, arrivals, clock, pictures):
    for name in ("a.tif.part", ".a.tif", "~a.tif", "a.tmp", "notes.txt", "log.sqlite-wal"):
        (tmp_path / name).write_bytes(pictures[0].read_bytes())
    (tmp_path / "empty.tif").write_bytes(b"")
    (tmp_path / "folder.tif").mkdir()
    (tmp_path / "words").write_text("no picture")
    assert _pass(arrivals, clock) == []
    (tmp_path / "a.tif.part").rename(tmp_path / "a.tif")  # renamed in
    (tmp_path / "scan").write_bytes(pictures[1].read_bytes())  # no ending, but a picture by content
    assert sorted(_pass(arrivals, clock)) == ["a.tif", "scan"]


def test_the_same_name_written_anew_is_new(tmp_path, arrivals, clock, pictures, copy_to):
    copy_to(pictures[0], tmp_path / "live.tif", at=1000.0)
    assert _pass(arrivals, clock) == ["live.tif"]
    copy_to(pictures[1], tmp_path / "live.tif", at=1001.0)
    assert _pass(arrivals, clock) == ["live.tif"]


def test_a_file_that_is_gone_again_does_no_harm(tmp_path, arrivals, clock, pictures, copy_to):
    copy_to(pictures[0], tmp_path / "a.tif")
    assert arrivals.ready() == []
    (tmp_path / "a.tif").unlink()
    assert _pass(arrivals, clock) == []


def test_subfolders_only_when_asked(tmp_path, clock, pictures, copy_to):
    (tmp_path / "sub").mkdir()
    copy_to(pictures[0], tmp_path / "sub" / "a.tif")
    assert _pass(Arrivals(tmp_path, notices=False, clock=clock), clock) == []
    assert _pass(Arrivals(tmp_path, notices=False, recursive=True, clock=clock), clock) == ["a.tif"]


def test_what_was_done_before_the_start_is_passed_over_once(tmp_path, clock, pictures, copy_to):
    copy_to(pictures[0], tmp_path / "old.tif", at=1000.0)
    arrivals = Arrivals(tmp_path, notices=False, poll_s=0.1, clock=clock, is_done=lambda p, s: s.st_mtime < 2000)
    assert _pass(arrivals, clock) == []
    copy_to(pictures[1], tmp_path / "moved-in.tif", at=1500.0)  # arrives later with an old time
    assert _pass(arrivals, clock) == ["moved-in.tif"]


def test_notices_tell_of_closed_and_renamed_files_at_once(tmp_path, pictures, copy_to):
    arrivals = Arrivals(tmp_path, notices=True, poll_s=1000.0)
    try:
        if not arrivals.has_notices:
            pytest.skip("the system has no notices to give")
        arrivals.ready()  # the one look through the folder
        (tmp_path / "a.tif").write_bytes(pictures[0].read_bytes())
        copy_to(pictures[1], tmp_path / "b.tif")
        found = set()
        end = time.monotonic() + 20
        while len(found) < 2 and time.monotonic() < end:
            arrivals.wait(0.2)
            found |= {p.name for p in arrivals.ready()}
        assert found == {"a.tif", "b.tif"}
    finally:
        arrivals.close()


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(ReadError, match="no such folder"):
        Arrivals(tmp_path / "nowhere", notices=False)


def test_memory_of_handled_files_is_small(tmp_path, arrivals, clock):
    import sys

    for i in range(300):
        (tmp_path / f"{i}.tif").write_bytes(b"II*\0" + os.urandom(8))
    assert len(_pass(arrivals, clock)) == 300
    assert len(arrivals._handled) == 300
    assert all(sys.getsizeof(k) <= 36 for k in arrivals._handled)
    assert not arrivals._growing
