"""Small made-up archives and a quick stand-in for the work on a file."""

import hashlib
import math
import os
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from apertrue.assessment import Assessment
from apertrue.audit.settings import AuditSettings
from apertrue.audit.work import COLUMNS, FileRead, FileTask, FileWork, PictureRow, error_row
from apertrue.errors import ApertrueError
from apertrue.frame import Frame
from apertrue.runner.outcome import CRASHED
from apertrue.store import row_from_assessment

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def discs(offset: float, angle: float, *, side: int = 96, seed: int = 0) -> np.ndarray:
    """A 16-bit picture of a beam disc inside a fainter aperture disc; offset in % of the aperture radius."""
    rng = np.random.default_rng(seed)
    radius = side * 0.38
    cx, cy = side * 0.5, side * 0.49
    bx = cx + radius * offset / 100 * math.cos(math.radians(angle))
    by = cy - radius * offset / 100 * math.sin(math.radians(angle))
    y, x = np.mgrid[:side, :side]
    a = 1 / (1 + np.exp(-1.7 * (radius - np.hypot(x - cx, y - cy))))  # edges as a camera shows them, about 1 px (1σ)
    b = 1 / (1 + np.exp(-1.7 * (radius * 0.8 - np.hypot(x - bx, y - by))))
    return np.clip(rng.normal(100 + a * (80 + 2000 * b), 6.0), 0, 65535).astype(np.uint16)


def lattice(seed: int, side: int = 96) -> np.ndarray:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:side, :side]
    return rng.poisson(300 + 80 * np.sin(x / 2.3 + seed) * np.sin(y / 2.1)).astype(np.uint16)


def make_archive(folder: Path, count: int = 6) -> Path:
    """``count`` pictures in two days, one lattice, one stack, one text, one broken and one empty file, and others."""
    for day in range(2):
        (folder / f"day{day}").mkdir(parents=True)
    for i in range(count):
        when = START + timedelta(days=i % 2, minutes=20 * i)
        path = folder / f"day{i % 2}" / f"snap {i:03d}.tif"
        tifffile.imwrite(path, discs(3.0 * i, 40.0 * i, seed=i), datetime=when.replace(tzinfo=None))
        stamp(path, when)
    tifffile.imwrite(folder / "day1" / "lattice.tif", lattice(1))
    tifffile.imwrite(folder / "day1" / "stack.tif", np.stack([discs(8, 0, seed=1), discs(20, 90, seed=2)]))
    for name, content in {
        "notes": b"hello",
        "notes.txt": b"hello",
        "day1/snap 001.xml": b"<about/>",
        "day1/._snap 001.tif": b"a system's own note",
        "day0/broken.tif": b"II*\0\x08\0\0\0\xff",
        "day0/empty.tif": b"",
    }.items():
        (folder / name).write_bytes(content)
    for path in folder.rglob("*"):
        if path.is_file() and path.name not in [f"snap {i:03d}.tif" for i in range(count)]:
            stamp(path, START)
    return folder


def stamp(path: Path, when: datetime) -> None:
    os.utime(path, (when.timestamp(), when.timestamp()))


class QuickWork:
    """Rows made from a file's name and content alone: as exact as the real work, without its imports."""

    def __call__(self, task: FileTask) -> FileRead:
        about = Path(task.path).stat()
        digest = hashlib.sha256(Path(task.path).read_bytes()).hexdigest()
        if task.check and digest == task.digest:
            return FileRead(about.st_size, about.st_mtime_ns, digest, True, ())
        if digest[0] == "0":
            rows: tuple[PictureRow, ...] = (error_row(task.name, "the file is cut off. Copy it again."),)
        else:
            rows = tuple(self._row(task.name, page, digest) for page in range(1 + int(digest[1] == "1")))
        if len(rows) == 2 and task.first_page == 0:  # a stack in two slices
            return FileRead(about.st_size, about.st_mtime_ns, digest, False, rows[:1], 1)
        return FileRead(about.st_size, about.st_mtime_ns, digest, False, rows[task.first_page :])

    def _row(self, name: str, page: int, digest: str) -> PictureRow:
        n = int(digest[2:8], 16)
        when = START + timedelta(minutes=n % 100_000)
        row = row_from_assessment(
            Assessment(
                file=name,
                page=page,
                taken_at=when.isoformat(),
                taken_at_source="file",
                scene="both-edges",
                scene_confidence=0.9,
                flags=("noisy",) if n % 3 else (),
                verdict="leave",
                reasons=("within-limits",),
                offset_percent=n / 7.0,
                offset_percent_sigma=n / 1000.0,
            )
        )
        return PictureRow(page, when.timestamp(), None, None, tuple(row[c] for c in COLUMNS))


class SlowWork(QuickWork):
    """The same, slow enough to be interrupted."""

    def __call__(self, task: FileTask) -> FileRead:
        time.sleep(0.0015)
        return super().__call__(task)


class StuckWork(QuickWork):
    """The same, but one picture in the middle takes five minutes; files in a folder tell when it begins and ends."""

    NAME = "d3/353.tif"

    def __init__(self, marks: str) -> None:
        self.marks = Path(marks)

    def __call__(self, task: FileTask) -> FileRead:
        if task.name == self.NAME:
            (self.marks / "part").write_text(str(os.getpid()), encoding="ascii")
            (self.marks / "part").rename(self.marks / "begun it")
            time.sleep(300)
            (self.marks / "ended it").touch()
        return super().__call__(task)


class HangingWork(FileWork):
    """The real reading of files; judging is left out, and some pages of some files take five minutes or end the worker.

    ``marks``: a folder with a file for each page that was tried, a byte each time.
    """

    def __init__(
        self,
        hanging: dict[str, tuple[int, ...]],
        *,
        ending: dict[str, tuple[int, ...]] | None = None,
        marks: Path | None = None,
        slice_s: float | None = None,
    ) -> None:
        super().__init__(AuditSettings(timezone="UTC"), slice_s=slice_s)
        self.hanging, self.ending, self.marks = hanging, ending or {}, marks

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)  # no engine

    def _judged(self, task: FileTask, frame: Frame) -> PictureRow:
        self._mark(task, frame)
        if frame.page in self.hanging.get(task.name, ()):
            time.sleep(300)
        if frame.page in self.ending.get(task.name, ()):
            os._exit(1)  # as a decoder that is a C library can
        return self._told(task, frame)

    def _mark(self, task: FileTask, frame: Frame) -> None:
        if self.marks is not None:
            with (self.marks / f"{task.name} {frame.page}").open("ab") as mark:
                mark.write(b".")

    def _told(self, task: FileTask, frame: Frame) -> PictureRow:
        level = float(frame.pixels.mean())
        flags = ("frozen",) if frame.page in task.frozen else ()
        found = Assessment(file=task.name, page=frame.page, flags=flags, offset_percent=level, offset_percent_sigma=1.0)
        row = row_from_assessment(found)
        return PictureRow(frame.page, None, None, None, tuple(row[c] for c in COLUMNS), frame.digest)


class LostWork(HangingWork):
    """The same in one process: a task in which a page of ``ending`` comes is lost as a whole, as with its worker.

    The rows are those of worker processes, to the letter.
    """

    def __call__(self, task: FileTask) -> FileRead:
        self.lost = False
        read = super().__call__(task)
        if self.lost:
            raise ApertrueError(CRASHED.message)
        return read

    def _judged(self, task: FileTask, frame: Frame) -> PictureRow:
        self._mark(task, frame)
        self.lost |= frame.page in self.ending.get(task.name, ())
        return self._told(task, frame)


class EndingWork(FileWork):
    """The real work, engine and all, but for one page over which the worker ends."""

    def __init__(self, page: int) -> None:
        super().__init__(AuditSettings(timezone="UTC"))
        self.page = page

    def _judged(self, task: FileTask, frame: Frame) -> PictureRow:
        if frame.page == self.page:
            os._exit(1)
        return super()._judged(task, frame)
