"""The audit on real (small) files: everything found has a row, nothing is read twice, nothing stops it."""

import json
import os
import shutil
import socket
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from audit_samples import START, discs, make_archive, stamp

from apertrue.advice import Advice
from apertrue.assessment import Assessment
from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, Progress, SessionRule, run_audit
from apertrue.audit.work import FileRead, FileTask, FileWork
from apertrue.errors import ReadError
from apertrue.frame import Frame
from apertrue.instrument import Instrument
from apertrue.instrument.settings import Limits as InstrumentLimits
from apertrue.pipeline import Result
from apertrue.registry import SceneKind, Verdict
from apertrue.scene import Scene
from apertrue.store import open_store

HERE = Limits(workers=0)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_archive(tmp_path_factory.mktemp("archive") / "old pictures")


class Counting:
    """The real work, noting which files were read."""

    def __init__(self) -> None:
        self.work, self.read = FileWork(AuditSettings(timezone="UTC")), list[str]()

    def __call__(self, task: FileTask) -> FileRead:
        result = self.work(task)
        if not result.same:
            self.read.append(task.name)
        return result


def audited(source: Path | str, store: Path, **options: Any) -> list[dict[str, Any]]:
    options = {"settings": AuditSettings(timezone="UTC"), "limits": HERE} | options
    with open_store(store, migrations=MIGRATIONS) as s:
        number = run_audit([str(source)], s, **options)
        audit = Audit(s, number)
        assert audit.unfinished == 0
        return list(audit.rows())


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Judging made quick: its number is the mean level. For tests of what is read, not of what is measured."""

    def judge(frame: Frame, *, instrument: Instrument, **_: Any) -> Result:
        limit = instrument.limits.offset_leave
        taken = frame.taken_at.isoformat() if frame.taken_at else None
        row = Assessment(
            file=frame.file,
            page=frame.page,
            taken_at=taken,
            taken_at_source=frame.taken_at_source,
            scene="other-view",
            flags=(),
            verdict="leave" if limit > 1 else "nudge",
            reasons=(),
            offset_percent=float(frame.pixels.mean()),
            offset_percent_sigma=1.0,
            **{k: v for k, v in frame.state.values().items() if v is not None},
        )
        scene = Scene(SceneKind.OTHER_VIEW, 1.0, frame.shape)
        return Result(frame, scene, row, Advice(Verdict.LEAVE, ()))

    monkeypatch.setattr("apertrue.judging.judge", judge)


@pytest.fixture(scope="module")
def rows(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, int | None], dict[str, Any]]:
    got = audited(archive, tmp_path_factory.mktemp("store") / "a.sqlite")
    return {(row["file"], row["page"]): row for row in got}


def test_everything_found_has_a_row(rows: dict[tuple[str, int | None], dict[str, Any]]) -> None:
    assert sorted(rows, key=str) == sorted(
        [
            *((f"day{i % 2}/snap {i:03d}.tif", 0) for i in range(6)),
            ("day1/lattice.tif", 0),
            ("day1/stack.tif", 0),
            ("day1/stack.tif", 1),
            ("notes", None),
            ("day0/broken.tif", None),
            ("day0/empty.tif", None),
        ],
        key=str,
    )


def test_files_that_are_no_pictures_by_their_names_are_counted_not_read(archive: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "a.sqlite", migrations=MIGRATIONS) as store:
        # The system's note beside a picture has a picture's ending; a shell's pattern does not find hidden files.
        for source, found in ((archive, {".tif": 1, ".txt": 1, ".xml": 1}), (archive / "day1" / "*", {".xml": 1})):
            work = Counting()
            done = Audit(store, run_audit([str(source)], store, work=work, limits=Limits(workers=0)))
            assert done.others == found
            assert not [name for name in work.read if name.endswith((".txt", ".xml")) or "/._" in name]
        # Who names a file, or a sheet that does, means it.
        named = Audit(store, run_audit([str(archive / "notes.txt")], store, limits=Limits(workers=0)))
        assert ["text file" in row["error"] for row in named.rows()] == [True]
        assert named.others == {}


def test_the_numbers_are_the_pictures(rows: dict[tuple[str, int | None], dict[str, Any]]) -> None:
    for i in range(6):
        row = rows[f"day{i % 2}/snap {i:03d}.tif", 0]
        assert row["offset_percent"] == pytest.approx(3.0 * i, abs=1.0)
    assert rows["day1/stack.tif", 0]["offset_percent"] == pytest.approx(8, abs=1)
    assert rows["day1/stack.tif", 1]["offset_percent"] == pytest.approx(20, abs=1)
    aside = rows["day1/lattice.tif", 0]
    assert aside["scene"] in ("other-view", "dark")
    assert (aside["verdict"], aside["offset_percent"], aside["error"]) == ("retake", None, None)


def test_failures_are_rows_with_their_reason(rows: dict[tuple[str, int | None], dict[str, Any]]) -> None:
    empty = rows["day0/empty.tif", None]
    assert empty["error"] == "day0/empty.tif: the file is empty. Save the picture again"
    assert {k for k, v in empty.items() if v is not None} == {"schema_version", "file", "error"}
    assert "text file" in rows["notes", None]["error"]
    assert rows["day0/broken.tif", None]["error"]


def test_unchanged_files_are_not_read_twice_and_changed_ones_are(quick: None, archive: Path, tmp_path: Path) -> None:
    folder, store = tmp_path / "copy", tmp_path / "a.sqlite"
    shutil.copytree(archive, folder)
    first, second, third = Counting(), Counting(), Counting()
    audited(folder, store, work=first)
    assert len(first.read) == 11
    before = audited(folder, store, work=second)
    assert second.read == []
    tifffile.imwrite(folder / "day0" / "snap 000.tif", discs(25, 0))
    stamp(folder / "day0" / "snap 000.tif", START.replace(year=2027))
    (folder / "day1" / "stack.tif").unlink()
    (folder / "new.tif").write_text("new", encoding="utf-8")
    after = audited(folder, store, work=third)
    assert sorted(third.read) == ["day0/snap 000.tif", "new.tif"]
    names = [row["file"] for row in after]
    assert "day1/stack.tif" not in names
    assert names == sorted(names)
    old, new = ({r["file"]: r["offset_percent"] for r in some}["day0/snap 000.tif"] for some in (before, after))
    assert old != new
    assert [r for r in after if r["file"] == "day1/snap 001.tif"] == [
        r for r in before if r["file"] == "day1/snap 001.tif"
    ]


def test_verify_notices_a_change_that_size_and_time_hide(quick: None, archive: Path, tmp_path: Path) -> None:
    folder, store = tmp_path / "copy", tmp_path / "a.sqlite"
    shutil.copytree(archive / "day0", folder)
    path = folder / "snap 000.tif"
    before = audited(folder, store, verify=True)
    about = path.stat()
    tifffile.imwrite(path, discs(25, 0), datetime=START.replace(tzinfo=None))
    assert path.stat().st_size == about.st_size
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))
    trusting, checking = Counting(), Counting()
    audited(folder, store, work=trusting)
    assert trusting.read == []
    after = audited(folder, store, work=checking, verify=True)
    assert checking.read == ["snap 000.tif"]
    assert before[-3]["offset_percent"] != after[-3]["offset_percent"]
    assert before[-2:] == after[-2:]


def test_other_settings_are_another_audit_in_the_same_store(quick: None, archive: Path, tmp_path: Path) -> None:
    store = tmp_path / "a.sqlite"
    strict = AuditSettings(Instrument(limits=InstrumentLimits(offset_leave=0.01)), timezone="UTC")
    usual = audited(archive / "day0", store)
    other = audited(archive / "day0", store, settings=strict)
    verdicts = [{r["file"]: r["verdict"] for r in rows_} for rows_ in (usual, other)]
    assert (verdicts[0]["snap 000.tif"], verdicts[1]["snap 000.tif"]) != (None, None)
    assert "leave" not in verdicts[1].values()
    assert AuditSettings(timezone="UTC").key != strict.key
    assert AuditSettings(timezone="UTC").key == AuditSettings(timezone="UTC").key


def test_over_processes_the_rows_are_the_same(archive: Path, tmp_path: Path) -> None:
    alone = audited(archive / "day1", tmp_path / "a.sqlite")
    together = audited(archive / "day1", tmp_path / "b.sqlite", limits=Limits(workers=2))
    assert json.dumps(alone) == json.dumps(together)


def test_progress_ends_where_it_should(quick: None, archive: Path, tmp_path: Path) -> None:
    seen: list[Progress] = []
    audited(archive, tmp_path / "a.sqlite", on_progress=seen.append)
    assert (seen[-1].phase, seen[-1].total, seen[-1].done, seen[-1].failed) == ("done", 11, 11, 3)
    assert seen[-1].rate is not None
    audited(archive, tmp_path / "a.sqlite", on_progress=seen.append)
    assert (seen[-1].total, seen[-1].known) == (0, 11)


def test_a_sheet_names_the_pictures_and_fills_gaps(quick: None, archive: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "monday.csv"
    sheet.write_text(
        "file,time,shift x,shift y,focus,current (pA),setting,note\n"
        f'{archive}/day0/snap 000.tif,2026-03-02T09:00:00+00:00,1.5,-2.0,40,22,STEM low,"=HYPERLINK(1)"\n'
        f"{archive}/day0/gone.tif,,,,,,,\n",
        encoding="utf-8",
    )
    got = audited(sheet, tmp_path / "a.sqlite", rule=SessionRule("sheet"))
    read = {Path(row["file"]).name: row for row in got}
    first = read["snap 000.tif"]
    assert (first["gun_shift_x"], first["gun_focus"], first["current_pa"]) == (1.5, 40.0, 22.0)
    assert (first["taken_at"], first["taken_at_source"]) == ("2026-03-02T09:00:00+00:00", "sheet")
    assert (first["note"], first["session"]) == ("=HYPERLINK(1)", "monday.csv")
    assert "there is no such file" in read["gone.tif"]["error"]
    beside = audited(archive, tmp_path / "b.sqlite", sheets=[str(sheet)])
    assert next(r for r in beside if r["file"] == "day0/snap 000.tif")["gun_shift_y"] == -2.0


def test_sources_of_all_kinds(quick: None, archive: Path, tmp_path: Path) -> None:
    by_pattern = audited(str(archive / "day*" / "snap 00[01].tif"), tmp_path / "a.sqlite")
    assert [Path(r["file"]).name for r in by_pattern] == ["snap 000.tif", "snap 001.tif"]
    by_file = audited(archive / "day1" / "snap 001.tif", tmp_path / "b.sqlite")
    assert [r["file"] for r in by_file] == ["snap 001.tif"]
    with open_store(tmp_path / "c.sqlite", migrations=MIGRATIONS) as store:
        sources = [str(archive / "day0"), str(archive / "day1")]
        number = run_audit(sources, store, limits=HERE, settings=AuditSettings(timezone="UTC"))
        names = [r["file"] for r in Audit(store, number).rows()]
    assert len(names) == 11
    assert all(n.startswith(tuple(s.replace(os.sep, "/") for s in sources)) for n in names)
    for missing in (tmp_path / "none", tmp_path / "*.none"):
        with pytest.raises(ReadError, match=r"no such file|no file matches"):
            audited(missing, tmp_path / "d.sqlite")


@pytest.mark.parametrize("kind", ["memory", "file"])
def test_remote_storage(quick: None, archive: Path, tmp_path: Path, kind: str) -> None:
    fsspec = pytest.importorskip("fsspec", reason="needs the extra 'remote'")
    url = f"file://{(archive / 'day1').as_posix()}"
    if kind == "memory":
        url = "memory://bucket/day1"
        fs = fsspec.filesystem("memory")
        for path in (archive / "day1").iterdir():
            fs.pipe(f"/bucket/day1/{path.name}", path.read_bytes())
    near, far = audited(archive / "day1", tmp_path / "a.sqlite"), audited(url, tmp_path / "b.sqlite")
    keys = ("file", "page", "scene", "offset_percent", "verdict", "error")
    assert [[r[k] for k in keys] for r in far] == [[r[k] for k in keys] for r in near]
    again = Counting()
    audited(url, tmp_path / "b.sqlite", work=again)
    assert again.read == []
    with pytest.raises(ReadError, match="no such file"):
        audited(url + "x", tmp_path / "b.sqlite")


NAMES = ["=1+1.tif", "+x.tif", "@SUM(A1).tif", "-2.tif", "'q.tif", 'a"b,c;d.tif', "<b>&amp;.tif", "😀 µ.tif"]
POSIX_NAMES = ["new\nline.tif", "tab\t.tif", "cr\r.tif", b"bad\xff.tif".decode("utf-8", "surrogateescape"), "a\\b.tif"]


def test_hostile_names_and_places(quick: None, tmp_path: Path) -> None:
    folder = tmp_path / "hostile"
    deep = folder.joinpath(*["d" * 60] * 4)
    deep.mkdir(parents=True)
    picture = discs(10, 0, side=64)
    names = NAMES + (POSIX_NAMES if os.name == "posix" else [])
    data = tmp_path / "one.tif"
    tifffile.imwrite(data, picture)
    for name in names:
        try:
            shutil.copy(data, folder / name)
        except OSError:
            names = [n for n in names if n != name]  # this file system can't hold it
    shutil.copy(data, deep / ("n" * 60 + ".tif"))
    expected = len(names) + 1
    if os.name == "posix":
        (folder / "loop").symlink_to(folder)
        (deep / "up").symlink_to("..")
        (folder / "itself").symlink_to(folder / "itself")
        (folder / "nowhere").symlink_to(folder / "not there")
        os.mkfifo(folder / "pipe.tif")
        (folder / "device.tif").symlink_to("/dev/zero")
        with socket.socket(socket.AF_UNIX) as s:
            here = Path.cwd()
            os.chdir(folder)
            s.bind("sock.tif")
            os.chdir(here)
        expected += 5
    got = audited(folder, tmp_path / "a.sqlite")
    assert len(got) == expected
    read = [r["file"] for r in got if r["error"] is None]
    assert len(read) == len(names) + 1
    assert all(n in read for n in names if n.isprintable() or "\n" in n or "\t" in n)
    said = {r["file"]: r["error"] for r in got if r["error"]}
    if os.name == "posix":
        assert "bad\\udcff.tif" in read
        assert all("device, pipe or socket" in said[n] for n in ("pipe.tif", "device.tif", "sock.tif"))
        assert "leads nowhere" in said["nowhere"]
        assert "levels of symbolic links" in said["itself"]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="needs a user without root's rights")
def test_no_permission_is_a_row(quick: None, archive: Path, tmp_path: Path) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(archive, folder)
    (folder / "day0").chmod(0)
    (folder / "day1" / "snap 001.tif").chmod(0)
    try:
        said = {r["file"]: r["error"] for r in audited(folder, tmp_path / "a.sqlite")}
    finally:
        (folder / "day0").chmod(0o755)
    assert "may not look into this folder" in said["day0"]
    assert "may not read" in said["day1/snap 001.tif"]


class Meddling:
    """Changes or removes a file while it is being read."""

    def __init__(self, times: int, remove: bool = False) -> None:
        self.work, self.left, self.remove = FileWork(AuditSettings(timezone="UTC")), times, remove
        inner = self.work._judged

        def judged(task: FileTask, frame: Any) -> Any:
            if self.left and task.name == "snap 002.tif":
                self.left -= 1
                path = Path(task.path)
                if self.remove:
                    path.unlink(missing_ok=True)
                else:
                    stamp(path, START.replace(year=2030 + self.left))
            return inner(task, frame)

        self.work._judged = judged  # type: ignore[method-assign]

    def __call__(self, task: FileTask) -> FileRead:
        return self.work(task)


@pytest.mark.parametrize(
    ("times", "remove", "words"),
    [(1, False, None), (9, False, "changed while it was read"), (1, True, "no such file")],
)
def test_files_that_change_or_vanish_while_read(
    quick: None, archive: Path, tmp_path: Path, times: int, remove: bool, words: str | None
) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(archive / "day0", folder)
    said = {r["file"]: r["error"] for r in audited(folder, tmp_path / "a.sqlite", work=Meddling(times, remove))}
    if words is None:
        assert said["snap 002.tif"] is None
    else:
        assert words in said["snap 002.tif"]
    assert said["snap 004.tif"] is None


def test_a_bomb_costs_a_message_only(tmp_path: Path) -> None:
    folder = tmp_path / "bombs"
    folder.mkdir()
    head = np.lib.format.header_data_from_array_1_0(np.zeros(1))
    with (folder / "bomb.npy").open("wb") as f:
        np.lib.format.write_array_header_1_0(f, head | {"shape": (10**6, 10**6)})
        f.write(b"x" * 100)
    (row,) = audited(folder, tmp_path / "a.sqlite")
    assert row["error"]


@pytest.mark.parametrize("slice_s", [-1.0, 5.0])
def test_stacks_in_slices_give_the_same_rows(
    quick: None, archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slice_s: float
) -> None:
    """On a slow machine each page of a stack is a task of its own."""
    monkeypatch.setattr("apertrue.audit.work.SLICE_S", slice_s)
    got = [(r["file"], r["page"], r["error"]) for r in audited(archive / "day1", tmp_path / "a.sqlite")]
    pages = [("snap 001.tif", 0), ("snap 003.tif", 0), ("snap 005.tif", 0), ("stack.tif", 0), ("stack.tif", 1)]
    assert got == [("lattice.tif", 0, None), *((name, page, None) for name, page in pages)]
