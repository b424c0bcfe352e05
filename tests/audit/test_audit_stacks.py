"""Pages behind a damaged one are read; a frozen camera is noticed, whatever the order of the files."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from audit_samples import START, discs, stamp

from apertrue.advice import Advice, Context
from apertrue.assessment import Assessment
from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, run_audit
from apertrue.audit.work import FileRead, FileTask, FileWork
from apertrue.frame import Frame
from apertrue.instrument import Instrument
from apertrue.pipeline import Result
from apertrue.registry import SceneKind, Verdict
from apertrue.scene import Hints, Scene
from apertrue.store import open_store
from damaged_tiff import spoil

HERE = Limits(workers=0)


def audited(source: Path, store: Path, **options: Any) -> list[dict[str, Any]]:
    with open_store(store, migrations=MIGRATIONS) as s:
        number = run_audit([str(source)], s, settings=AuditSettings(timezone="UTC"), limits=HERE, **options)
        assert Audit(s, number).unfinished == 0
        return list(Audit(s, number).rows())


def damaged_stack(path: Path, pages: int, bad: tuple[int, ...]) -> None:
    """A stack with zlib pages some of which do not decode."""
    with tifffile.TiffWriter(path) as out:
        for page in range(pages):
            out.write(discs(4.0 * page, 30.0, side=96, seed=page), compression="zlib", metadata=None)
    spoil(path, *bad)


@pytest.mark.parametrize(("slice_s", "bad"), [(5.0, (0, 2)), (-1.0, (0, 2)), (5.0, (3,))])
def test_pages_behind_a_damaged_one_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slice_s: float, bad: tuple[int, ...]
) -> None:
    monkeypatch.setattr("apertrue.audit.work.SLICE_S", slice_s)
    (tmp_path / "in").mkdir()
    damaged_stack(tmp_path / "in" / "stack.tif", 4, bad)
    rows = audited(tmp_path / "in", tmp_path / "a.sqlite")
    assert [row["page"] for row in rows] == [0, 1, 2, 3]
    assert tuple(row["page"] for row in rows if row["error"] is not None) == bad
    for row in rows:
        if row["page"] not in bad:
            assert row["offset_percent"] == pytest.approx(4.0 * row["page"], abs=0.6)
        else:
            assert row["error"].startswith("stack.tif: ")


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Judging made quick: its number is the mean level, and what it knows of a frozen camera is told."""

    def judge(frame: Frame, *, instrument: Instrument, hints: Hints, context: Context) -> Result:
        row = Assessment(
            file=frame.file,
            page=frame.page,
            taken_at=frame.taken_at.isoformat() if frame.taken_at else None,
            taken_at_source=frame.taken_at_source,
            scene="both-edges",
            flags=("frozen",) if context.frozen else (),
            verdict="retake" if context.frozen else "leave",
            reasons=(),
            offset_percent=float(frame.pixels.mean()),
            offset_percent_sigma=1.0,
        )
        return Result(frame, Scene(SceneKind.BOTH_EDGES, 1.0, frame.shape), row, Advice(Verdict.LEAVE, ()))

    monkeypatch.setattr("apertrue.judging.judge", judge)


@pytest.fixture
def camera(tmp_path: Path) -> Path:
    """Five pictures with stated times, of which the third and fifth repeat earlier ones; a copy; a stack that hangs."""
    folder = tmp_path / "in"
    folder.mkdir()
    pictures = [discs(3.0 * i, 50.0, side=48, seed=i) for i in range(3)]
    # Names in the reverse order of time: what is frozen must not depend on it.
    for minute, which, name in ((0, 0, "e"), (5, 1, "d"), (10, 1, "c"), (15, 2, "b"), (20, 0, "a")):
        when = START + timedelta(minutes=minute)
        tifffile.imwrite(folder / f"{name}.tif", pictures[which], datetime=when.replace(tzinfo=None))
    (folder / "copy of e.tif").write_bytes((folder / "e.tif").read_bytes())
    tifffile.imwrite(folder / "no time 1.tif", pictures[2])
    tifffile.imwrite(folder / "no time 2.tif", pictures[2])
    own = [discs(6.0, 10.0 * i, side=48, seed=40 + i) for i in range(2)]
    tifffile.imwrite(folder / "stack.tif", np.stack([own[0], own[0], own[1]]), photometric="minisblack")
    for file in folder.iterdir():
        stamp(file, START)
    return folder


FROZEN = [("a.tif", 0), ("c.tif", 0), ("stack.tif", 1)]


def frozen(rows: list[dict[str, Any]]) -> list[tuple[str, int]]:
    return [(row["file"], row["page"]) for row in rows if row["flags"] == ["frozen"]]


class Stopping:
    """The work, which stops the audit after some files."""

    def __init__(self, files: int) -> None:
        self.work, self.left = FileWork(AuditSettings(timezone="UTC")), files

    def __call__(self, task: FileTask) -> FileRead:
        self.left -= 1
        if self.left < 0:
            raise KeyboardInterrupt
        return self.work(task)


def test_what_is_frozen_follows_the_files_and_survives_stops(quick: None, camera: Path, tmp_path: Path) -> None:
    store = tmp_path / "a.sqlite"
    whole = audited(camera, tmp_path / "whole.sqlite")
    assert len(whole) == 11
    assert frozen(whole) == FROZEN
    assert [(row["file"], row["page"]) for row in whole if row["verdict"] == "retake"] == FROZEN
    for files in (2, 7, 1, 1):  # the last two stop while frozen ones are judged anew
        with pytest.raises(KeyboardInterrupt):
            audited(camera, store, work=Stopping(files))
    assert audited(camera, store) == whole
    # The first of two equal frames goes: the other one is no longer frozen. It comes back: frozen again.
    kept = (camera / "d.tif").read_bytes()
    (camera / "d.tif").unlink()
    assert frozen(audited(camera, store)) == [pair for pair in FROZEN if pair[0] != "c.tif"]
    (camera / "d.tif").write_bytes(kept)
    stamp(camera / "d.tif", START)
    assert audited(camera, store) == whole


def test_a_centered_beam_on_a_frozen_frame_is_not_left_alone(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    picture = discs(0.0, 0.0, seed=3)
    for minute in (0, 5):
        when = (START + timedelta(minutes=minute)).replace(tzinfo=None)
        tifffile.imwrite(tmp_path / "in" / f"{9 - minute}.tif", picture, datetime=when)
    later, first = audited(tmp_path / "in", tmp_path / "a.sqlite")
    assert first["verdict"] == "leave"
    assert later["verdict"] != "leave"
    assert "picture-frozen" in later["reasons"]
    assert later["offset_percent"] == first["offset_percent"]
