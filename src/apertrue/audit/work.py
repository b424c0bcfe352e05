"""The work on one file: read its pages, judge each, and hand back rows that are ready for the store."""

import hashlib
import json
import os
import stat
import time
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from ..advice import Context
from ..assessment import Assessment
from ..errors import ReadError, reason_of
from ..frame import Frame, State
from ..instrument import Instrument
from ..instrument.toml import loads_instrument
from ..readers import BadPage, ReadOptions, SheetRow, count_pages, read_pages
from ..store import assessment_columns, row_from_assessment
from .entries import is_url
from .revision import engine_revision
from .settings import AuditSettings
from .tables import WHOLE_FILE

#: After so many seconds with one stack its other pages become a task of their own, so that the time limit is a page's.
SLICE_S = 5.0
#: Scenes that show no condenser aperture with a beam: no sketch is kept of them.
PUT_ASIDE = ("other-view", "dark")

COLUMNS = tuple(name for name, _ in assessment_columns())


@dataclass(frozen=True, slots=True)
class FileTask:
    """One file to read.

    Attributes:
        name, path: as in :class:`apertrue.audit.entries.Entry`.
        key: the file's key in the store.
        first_page: where to go on in a stack.
        alone: only that page, since a worker had to be stopped over the file.
        count: only tell how many pages there are.
        sheet: what the sheet says about it, from :func:`sheet_to_json`.
        digest: hash of its content when it was read last; with ``check`` an equal one means: nothing to do.
        check: whether to take the hash.
        frozen: pages known to show the same frame as before.
    """

    name: str
    path: str
    key: bytes
    first_page: int = 0
    alone: bool = False
    count: bool = False
    sheet: str | None = None
    digest: str | None = None
    check: bool = False
    frozen: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class PictureRow:
    """One picture's row: ``values`` in the order of :data:`COLUMNS`; ``digest`` is the fingerprint of its pixels.

    ``stopped``: over this picture a worker had to be stopped, or it was not tried since that happened too often.
    """

    place: int
    taken_unix: float | None
    outlines: str | None
    image: bytes | None
    values: tuple[Any, ...]
    digest: str | None = None
    stopped: bool = False


@dataclass(frozen=True, slots=True)
class FileRead:
    """What came of a file.

    Attributes:
        size, mtime_ns: of the file when it was read.
        digest: hash of its content, where asked for.
        same: whether its content is unchanged; then there are no rows.
        rows: its pictures, or one row that says why not.
        next_page: where to go on; ``None`` = finished.
        pages: how many there are, where that was all that was asked; then there are no rows.
        stranger: the worker's own engine, when it is not the one that was asked for; then there is nothing else.
    """

    size: int
    mtime_ns: int
    digest: str | None
    same: bool
    rows: tuple[PictureRow, ...]
    next_page: int | None = None
    stranger: str | None = None
    pages: int | None = None


class FileWork:
    """The picklable work function for the runner.

    Args:
        settings: what changes results.
        side: the sketches' size in px, 0 = none.
        elsewhere: the work is done on other machines; each must have the same engine.
        slice_s: after so many seconds with one stack its other pages become a task of their own; :data:`SLICE_S` when
            ``None``.
    """

    def __init__(
        self, settings: AuditSettings, side: int = 96, *, elsewhere: bool = False, slice_s: float | None = None
    ) -> None:
        self._instrument = json.loads(settings.to_json())["instrument"]
        self._timezone, self._max_pixels = settings.zone, settings.max_pixels
        self._first_page_only = settings.first_page_only
        self._side, self._slice_s = side, slice_s
        self._engine = engine_revision() if elsewhere else None

    def __setstate__(self, state: dict[str, Any]) -> None:
        """In a worker: load the engine before the first picture's time runs."""
        self.__dict__.update(state)
        from .. import judging  # noqa: F401
        from ..report import sketch  # noqa: F401

    def __call__(self, task: FileTask) -> FileRead:
        """Read and judge; a file that changes meanwhile is read once more."""
        if self._engine is not None and self._engine != engine_revision():
            return FileRead(-2, -2, None, False, (), stranger=engine_revision())
        before = _state(task.path)
        if task.count:
            digest = _digest(task.path) if task.check else None
            return FileRead(*before, digest, False, (), pages=1 if self._first_page_only else self._count(task))
        for last in (False, True):
            digest = _digest(task.path) if task.check else None
            if task.check and digest is not None and digest == task.digest and not last:
                return FileRead(*before, digest, True, ())
            rows, next_page = self._pages(task)
            after = _state(task.path)
            if after == before:
                break
            before = after
        else:
            error = ReadError(
                task.name, "it changed while it was read", "Run the audit again when nothing writes to it."
            )
            place = task.first_page if task.alone else WHOLE_FILE
            rows, next_page = [error_row(task.name, str(error.reason) + ". " + error.remedy, place)], None
        return FileRead(*before, digest, False, tuple(rows), next_page)

    def _pages(self, task: FileTask) -> tuple[list[PictureRow], int | None]:
        """Rows from the task's first page on, and where to go on. A damaged page takes none of those behind it along."""
        rows: list[PictureRow] = []
        until = time.monotonic() + (SLICE_S if self._slice_s is None else self._slice_s)
        last = task.first_page if task.alone else None
        pages = read_pages(task.path, first=task.first_page, last=last, options=self._options, display_name=task.name)
        with closing(pages):
            for page, found in enumerate(pages, task.first_page):
                rows.append(self._unread(task, found) if isinstance(found, BadPage) else self._row(task, found))
                if self._first_page_only:
                    return rows, None
                if last is None and time.monotonic() > until:
                    return rows, page + 1
        if not rows and not task.first_page:
            rows.append(error_row(task.name, "it has no pages. Save the picture again."))
        return rows, None

    @staticmethod
    def _unread(task: FileTask, bad: BadPage) -> PictureRow:
        place = bad.page
        if place is None:
            place = task.first_page if task.first_page or task.alone else WHOLE_FILE
        return error_row(task.name, reason_of(bad.error), place)

    def _count(self, task: FileTask) -> int:
        """Number of pages; 0 when the file can't be opened."""
        try:
            return count_pages(task.path, options=self._options)
        except Exception:
            return 0

    @property
    def _options(self) -> ReadOptions:
        return ReadOptions(timezone=self._timezone, max_pixels=self._max_pixels)

    def _row(self, task: FileTask, frame: Frame) -> PictureRow:
        try:
            return self._judged(task, frame)
        except Exception as error:  # a fault of ours in one picture stops no audit
            return error_row(task.name, reason_of(error), frame.page)

    def _judged(self, task: FileTask, frame: Frame) -> PictureRow:
        import numpy as np

        from ..judging import Setup, judge_frame

        sheet = tuple(sheet_from_json(task.sheet, task.name)) if task.sheet is not None else ()
        setup = Setup(_instrument(self._instrument), sheet=sheet, context=Context(frozen=frame.page in task.frozen))
        with np.errstate(all="ignore"):  # what is no picture of ours may overflow; a worker's stderr is not the place
            result = judge_frame(frame, setup)
        outlines = image = None
        if result.scene.kind not in PUT_ASIDE:
            from ..report.sketch import sketch_of

            sketch = sketch_of(result, self._side)
            outlines, image = sketch.outlines_json(), sketch.image
        row = row_from_assessment(result.assessment)
        values = tuple(row[c] for c in COLUMNS)
        return PictureRow(frame.page, _unix(row["taken_at"]), outlines, image, values, frame.digest)


def error_row(name: str, message: str, place: int = WHOLE_FILE, *, stopped: bool = False) -> PictureRow:
    """The row of a file or page that could not be read: all null but the file, the page and the message.

    The message names the file, as ``apertrue assess`` does.
    """
    page = None if place == WHOLE_FILE else place
    if not message.startswith(f"{name}: "):
        message = f"{name}: {message}"
    row = row_from_assessment(Assessment(file=name, page=page, error=message))
    return PictureRow(place, None, None, None, tuple(row[c] for c in COLUMNS), stopped=stopped)


def sheet_to_json(rows: list[SheetRow]) -> str:
    """What a sheet says about one file, as sorted JSON."""
    return json.dumps(
        [
            {
                "page": r.page,
                "taken_at": r.taken_at.isoformat() if r.taken_at else None,
                "state": {k: v for k, v in r.state.values().items() if v is not None},
            }
            for r in rows
        ],
        sort_keys=True,
    )


def sheet_from_json(text: str, name: str) -> list[SheetRow]:
    """The rows back, made to fit the file called ``name``."""
    return [
        SheetRow(
            name,
            r["page"],
            datetime.fromisoformat(r["taken_at"]) if r["taken_at"] else None,
            State().updated("sheet", **r["state"]),
        )
        for r in json.loads(text)
    ]


@lru_cache(maxsize=4)
def _instrument(text: str) -> Instrument:
    return loads_instrument(text)


def _unix(taken_at: str | None) -> float | None:
    return None if taken_at is None else datetime.fromisoformat(taken_at).timestamp()


def _state(path: str) -> tuple[int, int]:
    """(size, time of change in ns); (−1, −1) when it can't be told."""
    if is_url(path):
        return -1, -1
    try:
        about = os.stat(path)  # noqa: PTH116
    except (OSError, ValueError):
        return -1, -1
    return about.st_size, about.st_mtime_ns


def _digest(path: str) -> str | None:
    try:
        if is_url(path):
            import fsspec

            with fsspec.open(path, "rb") as stream:
                return hashlib.file_digest(stream, "sha256").hexdigest()
        if not stat.S_ISREG(os.stat(path).st_mode):  # noqa: PTH116 a pipe would wait for ever
            return None
        with open(path, "rb") as stream:  # noqa: PTH123
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except Exception:  # the reader will say what is wrong
        return None
