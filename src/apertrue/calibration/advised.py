"""The move that a kept calibration advises for a judged picture, added to what the decision knows."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from ..advice import Context, Nudge
from ..assessment import Assessment
from ..errors import CalibrationError
from ..frame import State
from ..instrument import Instrument
from .model import Calibration, choose, why_none
from .nudge import nudge_for
from .points import point_from
from .state_key import StateKey


def with_nudge(
    context: Context,
    assessment: Assessment,
    state: State,
    instrument: Instrument,
    now: datetime,
    calibrations: Sequence[Calibration],
    *,
    as_taken: bool = False,
) -> Context:
    """``context`` with the move that centers the beam, where a calibration holds in this state, and what to mind of it.

    Args:
        context: what else is known beside the picture.
        assessment: the picture's numbers.
        state: the instrument's state.
        instrument: its console's steps and range.
        now: when the move is to be made, with zone.
        calibrations: all shift calibrations at hand.
        as_taken: ``now`` is when the picture was taken, not the present.
    """
    key = StateKey.of(state).seen_in(assessment)
    calibration = choose(calibrations, key)
    if calibration is None:
        return replace(context, nudge_notes=(why_none(calibrations, key),) if calibrations else ())
    move: Nudge | None
    try:
        # Without readings only the change can be told, not where it ends.
        shift = (state.gun_shift_x, state.gun_shift_y)
        point = point_from(
            assessment,
            shift_x=0.0 if shift[0] is None else shift[0],
            shift_y=0.0 if shift[1] is None else shift[1],
            minutes=0.0,
        )
        move = nudge_for(point, calibration, instrument.console, working_ratio=context.working_ratio)
    except CalibrationError:
        move = None
    notes = calibration.valid_for(key, now, as_taken=as_taken).sentences
    return replace(context, nudge=move, nudge_notes=notes)
