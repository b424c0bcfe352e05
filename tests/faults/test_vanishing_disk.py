"""The place to write to goes away, fills up or becomes read-only in the middle: a clear word, and nothing half-written."""

import contextlib
import errno
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import apertrue.judging as judging
from apertrue.audit import MIGRATIONS
from apertrue.cli import main
from apertrue.errors import StoreError, WriteError
from apertrue.session import add_event, open_log
from apertrue.store import open_store
from apertrue.whole_file import whole_file, write_whole

LINUX_ROOT = sys.platform == "linux" and os.geteuid() == 0


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    return int(ended.value.code or 0)


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("APERTRUE_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.setenv("APERTRUE_INSTRUMENT", "")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A small disk of its own, to fill and to make read-only."""
    place = tmp_path / "disk"
    place.mkdir()
    if not LINUX_ROOT:
        pytest.skip("small disk: needs root on Linux to mount one")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", str(place)], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("small disk: mounting is not allowed here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=False)


def remounted(place: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(place)], check=True)


def fill(file: Path) -> None:
    """Write until nothing more goes in."""
    with file.open("wb", buffering=0) as stream, contextlib.suppress(OSError):
        while True:
            stream.write(bytes(4096))


@pytest.fixture
def after_the_first(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], object]], None]:
    """Something happens once the first picture is judged."""

    def arrange(deed: Callable[[], object]) -> None:
        whole = judging.judge_frame

        def judged(*arguments: Any, **more: Any) -> Any:
            result = whole(*arguments, **more)
            deed()
            return result

        monkeypatch.setattr(judging, "judge_frame", judged)

    return arrange


def told(capsys: pytest.CaptureFixture[str], *parts: str) -> None:
    said = " ".join(capsys.readouterr().err.split())
    for part in parts:
        assert part in said
    assert "Traceback" not in said
    assert "fault of apertrue" not in said


# Writing whole


def half_written(file: Path, error: Exception) -> None:
    with whole_file(file) as place:
        place.write_text("half", encoding="utf-8")
        raise error


def test_whole_or_not_at_all(tmp_path: Path) -> None:
    file = tmp_path / "a.txt"
    assert write_whole(file, "σ\n").read_bytes() == "σ\n".encode()
    with pytest.raises(KeyError):
        half_written(file, KeyError("a fault in between"))
    assert file.read_text(encoding="utf-8") == "σ\n"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_the_folder_goes_away_while_it_is_written(tmp_path: Path) -> None:
    file = tmp_path / "day" / "a.txt"
    file.parent.mkdir()

    def write() -> None:
        with whole_file(file) as place:
            place.write_text("x", encoding="utf-8")
            shutil.rmtree(file.parent)

    with pytest.raises(WriteError, match=r"a\.txt: its folder is not there\. .*choose another place"):
        write()
    assert not file.parent.exists()


@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EROFS, "read-only"),
        (errno.EIO, "reports an error"),
        (errno.EBUSY, "can't"),
    ],
)
def test_what_the_system_says_is_put_into_words(tmp_path: Path, number: int, reason: str) -> None:
    with pytest.raises(WriteError, match=reason) as seen:
        half_written(tmp_path / "a.txt", OSError(number, os.strerror(number)))
    assert str(seen.value).startswith(f"{tmp_path / 'a.txt'}: ")
    assert "place" in seen.value.remedy
    assert list(tmp_path.iterdir()) == []


def test_a_file_marked_as_read_only_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = write_whole(tmp_path / "a.txt", "old")
    file.chmod(0o444)
    if os.access(file, os.W_OK):  # root may write everything
        monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(WriteError, match="may not write there"):
        write_whole(file, "new")
    assert file.read_text(encoding="utf-8") == "old"
    file.chmod(0o644)


def test_odd_places(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="this is a folder"):
        write_whole(tmp_path, "x")
    with pytest.raises(WriteError, match="not a possible file name"):
        write_whole(tmp_path / "a\0b", "x")
    with pytest.raises(WriteError, match=r"name is too long|can't be written"):
        write_whole(tmp_path / ("x" * 300), "x")
    if sys.platform != "win32":
        (tmp_path / "real").write_text("old", encoding="utf-8")
        (tmp_path / "link").symlink_to("real")
        write_whole(tmp_path / "link", "new")
        assert (tmp_path / "link").is_symlink()
        assert (tmp_path / "real").read_text(encoding="utf-8") == "new"
        with pytest.raises(WriteError, match="disk is full"):
            write_whole("/dev/full", "x")
        assert not Path("/dev/full").is_file()


# Commands


def test_assess_when_a_file_takes_the_folders_place(sample_images, tmp_path, capsys, after_the_first) -> None:
    out = tmp_path / "out"
    out.mkdir()

    def replaced() -> None:
        if out.is_dir():
            shutil.rmtree(out)
            out.write_text("a file", encoding="utf-8")

    after_the_first(replaced)
    assert run("assess", sample_images / "01-centered.tif", "--report", out / "page.html") == 2
    told(capsys, "out: this is a file, not a folder. Choose another place")
    assert out.read_text(encoding="utf-8") == "a file"


@pytest.mark.parametrize("option", [("--report", "page.html"), ("--overlay", "drawn")])
def test_assess_on_a_disk_that_becomes_read_only(disk, sample_images, capsys, after_the_first, option) -> None:
    after_the_first(lambda: remounted(disk, "ro"))
    assert run("assess", sample_images / "01-centered.tif", option[0], disk / option[1]) == 2
    told(capsys, f"{disk / option[1]}: the disk is read-only. Choose another place")
    assert list(disk.iterdir()) == []


def test_assess_on_a_disk_that_is_full(disk, sample_images, capsys) -> None:
    fill(disk / "other")
    assert run("assess", sample_images / "01-centered.tif", "--report", disk / "page.html") == 2
    told(capsys, "page.html: the disk is full. Free some space, or choose another place")
    assert [p.name for p in disk.iterdir()] == ["other"]


def test_an_audits_table_on_a_full_disk(disk, sample_images, tmp_path, capsys) -> None:
    fill(disk / "other")
    picture, store = sample_images / "01-centered.tif", tmp_path / "a.sqlite"
    for option in ("--csv", "--json-lines", "--report"):
        assert run("audit", picture, "--store", store, "--workers", "0", "--quiet", option, disk / "out") == 2
        told(capsys, "out: the disk is full")
        assert [p.name for p in disk.iterdir()] == ["other"]
    # What was judged is kept: the same command, with room, only writes.
    assert run("audit", picture, "--store", store, "--workers", "0", "--quiet", "--csv", tmp_path / "out.csv") == 0


def test_an_audits_store_is_taken_away(sample_images, tmp_path, capsys, after_the_first) -> None:
    place = tmp_path / "stores"
    place.mkdir()
    if sys.platform == "win32":
        pytest.skip("an open file can't be deleted on this system")
    after_the_first(lambda: shutil.rmtree(place, ignore_errors=True))
    pictures = [sample_images / name for name in ("01-centered.tif", "02-drifted.tif")]
    code = run(
        "audit", *pictures, "--store", place / "a.sqlite", "--workers", "0", "--csv", tmp_path / "a.csv", "--quiet"
    )
    assert code == 1
    told(capsys, "a.sqlite: the file is gone", "Bring the disk back or name another place")
    assert not (tmp_path / "a.csv").exists()


def test_a_log_is_taken_away(tmp_path: Path) -> None:
    if sys.platform == "win32":
        pytest.skip("an open file can't be deleted on this system")
    log = tmp_path / "day" / "log.sqlite"
    log.parent.mkdir()
    with open_log(log) as store:
        add_event(store, "note", values={"note": "before"})
        shutil.rmtree(log.parent)
        with pytest.raises(StoreError, match=r"log\.sqlite: the file is gone"):
            add_event(store, "note", values={"note": "lost, and told"})
    # Another file in its place is not this one either.
    log.parent.mkdir()
    with open_log(log) as store:
        log.rename(tmp_path / "kept.sqlite")
        log.write_bytes(b"")
        with pytest.raises(StoreError, match="gone"):
            store.execute("delete from kinds")


def test_a_store_in_memory_has_no_file_to_lose() -> None:
    with open_store(":memory:", migrations=MIGRATIONS) as store:
        store.execute("insert into audit_runs (sources, settings_key, settings) values ('[]', '', '{}')")
        assert store.value("select count(*) from audit_runs") == 1
