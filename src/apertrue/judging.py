"""Judging pictures one after another with one set-up: what the command line and the Python API share.

A picture that can't be read, or whose judging fails, becomes a row with its message; the others go on.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from .advice import Context
from .assessment import Assessment
from .errors import RegionError, reason_of, told_of
from .frame import FILE_TIME, Frame, age_min
from .instrument import Instrument, calibrations_beside, completed
from .pipeline import Result, judge, readvise
from .readers import BadPage, ReadOptions, SheetRow, apply_sheet, read_pages
from .scene import Hints

if TYPE_CHECKING:
    from .calibration import Calibration

__all__ = [
    "Setup",
    "Unread",
    "advised_after",
    "context_before",
    "judge_files",
    "judge_frame",
    "kept_calibrations",
    "unread_row",
]


@dataclass(frozen=True, slots=True)
class Setup:
    """What all pictures of one call have in common.

    Attributes:
        instrument: limits, costs, cameras.
        hints: what is known before looking.
        options: limits of reading, and what fills gaps.
        sheet: rows of the session sheet.
        now: the time against which a picture's age is taken; ``None`` = judge each picture as of when it was taken.
        context: what else is known beside the pictures.
        calibrations: all shift calibrations at hand; the one that holds in a picture's state gives the move.
        history: what a session log tells beside a picture, in place of ``context``: asked before it is measured (with
            ``None``) and after.
    """

    instrument: Instrument = field(default_factory=Instrument)
    hints: Hints = field(default_factory=Hints)
    options: ReadOptions = field(default_factory=ReadOptions)
    sheet: tuple[SheetRow, ...] = ()
    now: datetime | None = None
    context: Context = field(default_factory=Context)
    calibrations: "tuple[Calibration, ...]" = ()
    history: Callable[[Frame, Assessment | None], Context] | None = None


@dataclass(frozen=True, slots=True)
class Unread:
    """A picture that could not be read or judged.

    Attributes:
        file: as given.
        page: the page that failed; ``None`` when the file could not be opened at all.
        message: for people; names the file.
        reason: the same without the file's name.
    """

    file: str
    page: int | None
    message: str
    reason: str


@dataclass(slots=True)
class _Seen:
    """The frames that went by, to notice the same one again."""

    times: dict[str, datetime] = field(default_factory=dict)
    pages: dict[tuple[str, str], int] = field(default_factory=dict)

    def again(self, frame: Frame) -> bool:
        """Whether the same pixels came before: with an earlier stated time, or on an earlier page of the same stack.

        A copy of a file, with the same time or with none but the file's own, is no frozen camera.
        """
        if frame.digest is None:
            return False
        before = False
        if frame.file is not None:
            before = self.pages.setdefault((frame.file, frame.digest), frame.page) < frame.page
        if frame.taken_at is not None and frame.taken_at_source != FILE_TIME:
            before |= self.times.setdefault(frame.digest, frame.taken_at) < frame.taken_at
        return before


def kept_calibrations(instrument_file: Path | None) -> "tuple[Calibration, ...]":
    """The calibrations kept beside an instrument file (``None`` = the default place); none where there is no file.

    Raises:
        CalibrationError: the file can't be read; its text says why and what to do.
    """
    place = calibrations_beside(instrument_file)
    if not place.exists():  # asked here, so that without one the calibration room is not even loaded
        return ()
    from .calibration import load_calibrations

    return load_calibrations(place)


def judge_files(files: Iterable[str | Path], setup: Setup) -> Iterator[Result | Unread]:
    """Judge each page of each file, in the order given; only one page is in memory at a time.

    A page that fails does not take the pages behind it along.
    """
    seen = _Seen()
    for file in files:
        for found in read_pages(file, options=setup.options):
            if isinstance(found, BadPage):
                yield _unread(str(file), found.page, found.error)
                continue
            try:
                judged: Result | Unread = judge_frame(found, setup, seen)
            except Exception as error:
                judged = _unread(str(file), found.page, error)
            yield judged


def judge_frame(frame: Frame, setup: Setup, seen: _Seen | None = None) -> Result:
    """Judge one frame: the sheet and the instrument file complete it, its age and a frozen camera are noticed."""
    _check_region(frame, setup.hints)
    frame = completed(apply_sheet(frame, setup.sheet), setup.instrument)
    context = context_before(frame, setup, frozen=seen is not None and seen.again(frame))
    result = judge(frame, instrument=setup.instrument, hints=setup.hints, context=context)
    return advised_after(context, result, setup)


def _check_region(frame: Frame, hints: Hints) -> None:
    """Refuse a region that lies outside: nothing is in it, and that says nothing of the beam."""
    rows, columns = frame.shape
    if hints.region is None:
        return
    left, top, right, bottom = hints.region
    if left > columns - 1 or top > rows - 1 or right < 0 or bottom < 0:
        raise RegionError(
            f"the region lies outside the picture ({columns} × {rows} px). Give left,top,right,bottom within it"
        )


def context_before(frame: Frame, setup: Setup, *, frozen: bool = False) -> Context:
    """What is known beside a picture before it is measured."""
    context = setup.context if setup.history is None else setup.history(frame, None)
    if setup.now is not None:
        context = replace(context, age_min=age_min(frame, setup.now), judged_now=True)
    return replace(context, frozen=True) if frozen else context


def advised_after(context: Context, result: Result, setup: Setup) -> Result:
    """The result, advised anew where its history or a calibration tells more now that it is measured."""
    fuller = _fuller(context, result, setup)
    if fuller == context:
        return result
    return readvise(result.frame, result.scene, result.assessment, setup.instrument, fuller)


def _fuller(context: Context, result: Result, setup: Setup) -> Context:
    """What is known beside a picture once it is measured: its history, and the move."""
    if setup.history is not None:
        told = setup.history(result.frame, result.assessment)
        context = replace(told, age_min=context.age_min, judged_now=context.judged_now, frozen=context.frozen)
    if setup.calibrations and context.nudge is None:
        from .calibration import with_nudge

        now = setup.now or result.frame.taken_at or datetime.now(UTC)
        frame = result.frame
        context = with_nudge(
            context,
            result.assessment,
            frame.state,
            setup.instrument,
            now,
            setup.calibrations,
            as_taken=setup.now is None,
        )
    return context


def unread_row(unread: Unread) -> Assessment:
    """The row of a picture that could not be read: its file and the message, all else ``None``."""
    return Assessment(file=unread.file, page=unread.page, error=unread.message)


def _unread(file: str, page: int | None, error: Exception) -> Unread:
    reason = reason_of(error)
    return Unread(file, page, told_of(file, page, reason), reason)
