"""Judging a picture within its session: measure, look at the history, advise, and write it into the log."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from ..advice import Context
from ..calibration import Calibration
from ..frame import Frame
from ..instrument import Instrument, completed
from ..pipeline import Result, judge, readvise
from ..scene import Hints
from ..store import Store
from .clock import fixed
from .context import context_for, taken
from .entry import SessionEvent
from .history import learned_instrument
from .log import add_picture


@dataclass(frozen=True, slots=True, eq=False)
class Logged:
    """A judged picture and its entry.

    Attributes:
        result: everything of the main line.
        event: its entry in the log.
        added: whether it was new.
        context: what was known beside it.
    """

    result: Result
    event: SessionEvent
    added: bool
    context: Context


def judge_in_session(
    store: Store,
    frame: Frame,
    instrument: Instrument,
    now: datetime,
    *,
    calibrations: Sequence[Calibration] = (),
    hints: Hints | None = None,
    who: str | None = None,
    origin: str = "session",
    as_taken: bool = False,
) -> Logged:
    """Judge a picture with its session's history and add it to the log; the same picture again adds nothing.

    Args:
        store: the log.
        frame: the picture.
        instrument: limits, costs (moved toward what the log tells), cameras.
        now: the present, with zone.
        calibrations: all shift calibrations at hand.
        hints: what is known before looking.
        who: who adds it.
        origin: which part adds it.
        as_taken: ``now`` is when the picture was taken: nobody asks for its age, and a file's own time is its time.
    """
    frame = completed(frame, instrument)
    instrument = learned_instrument(store, instrument, now)
    context = context_for(store, frame, instrument, now, calibrations=calibrations, as_taken=as_taken)
    first = judge(frame, instrument=instrument, hints=hints, context=context)
    full = context_for(
        store,
        frame,
        instrument,
        now,
        calibrations=calibrations,
        assessment=first.assessment,
        as_taken=as_taken,
    )
    result = readvise(frame, first.scene, first.assessment, instrument, full)
    event, added = add_result(store, result, now, instrument, who=who, origin=origin)
    return Logged(result, event, added, full)


def add_result(
    store: Store,
    result: Result,
    now: datetime,
    instrument: Instrument,
    *,
    who: str | None = None,
    origin: str = "session",
) -> tuple[SessionEvent, bool]:
    """Add a judged picture to the log; at the time it was taken, else at ``now``."""
    frame, assessment = result.frame, result.assessment
    if assessment.file is None and frame.file is not None:
        assessment = replace(assessment, file=frame.file, page=frame.page)
    corrected = "corrected" in (frame.taken_at_source or "")
    correction = instrument.camera(frame.state.camera).clock_correction_s if corrected else None
    return add_picture(
        store,
        assessment,
        fixed(taken(frame, now)),
        digest=frame.digest,
        clock_correction_s=correction,
        who=who,
        origin=origin,
    )
