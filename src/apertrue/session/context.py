"""The one place where history turns into what the decision knows beside the picture."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from ..advice import Context
from ..assessment import Assessment
from ..calibration import Calibration, with_nudge
from ..frame import Frame, State, age_min
from ..instrument import Instrument
from ..store import Store
from .clock import zone_of
from .entry import SessionEvent
from .history import hangs_on, learned_left, nudges_failed, usual_current
from .log import events, seen_before
from .stand import REACH_H, Standing, standing
from .track import Follower, differs, sighting
from .words import RESTARTS, EventKind


def context_for(
    store: Store,
    frame: Frame,
    instrument: Instrument,
    now: datetime,
    *,
    calibrations: Sequence[Calibration] = (),
    assessment: Assessment | None = None,
    as_taken: bool = False,
) -> Context:
    """What the log and the clock say beside a picture.

    Args:
        store: the session log; the picture need not be in it.
        frame: the picture, completed by the instrument file.
        instrument: limits, cameras, zone.
        now: the present, with zone.
        calibrations: all shift calibrations at hand.
        assessment: the picture's numbers, once measured: then drift and crossing include it and the move is added.
        as_taken: ``now`` is when the picture was taken: nobody asks for its age, and a file's own time is its time.

    Nothing is forecast from common practice alone: then drift and crossing stay ``None`` and the decision says so.
    """
    at = taken(frame, now)
    entries = events(store, since=now - timedelta(hours=REACH_H), until=now + timedelta(seconds=0.001))
    before = [e for e in entries if not _is(e, frame) and e.at <= at]
    earlier = None if frame.digest is None else seen_before(store, frame.digest, at)
    left = learned_left(store, now)
    found = Context(
        age_min=age_min(frame, now, trust_file_time=as_taken),
        judged_now=not as_taken,
        frozen=earlier is not None and earlier.get("file") != frame.file,
        state_changed=state_changed(before, frame.state),
        nudges_failed=nudges_failed(before, instrument.limits.offset_leave),
        hangs_today=hangs_on(entries, now, zone_of(instrument)),
        current_expected_pa=usual_current(before, frame.state, instrument.limits.score_leave),
        learned_offset_percent=left.center,
        auto_residual_percent=left.rms_percent,
    )
    if assessment is None:
        return found
    here = standing(store, instrument, now, calibrations=calibrations)
    return with_forecast(
        with_nudge(found, assessment, frame.state, instrument, now, calibrations, as_taken=as_taken),
        including(here, assessment, frame, at, instrument),
    )


def including(here: Standing, assessment: Assessment, frame: Frame, at: datetime, instrument: Instrument) -> Standing:
    """The standing with a picture that is not in the log yet."""
    from ..store import row_from_assessment
    from .stand import stand

    if here.last is not None and here.last.digest is not None and here.last.digest == frame.digest:
        return here
    values = {k: v for k, v in row_from_assessment(assessment).items() if v is not None}
    entry = SessionEvent(0, "", EventKind.PICTURE, at, at, digest=frame.digest, values=values)
    follower = here.follower.after(entry)
    tells = sighting(entry, 0.0) is not None
    return stand(follower, entry if tells else here.last, instrument, max(here.now, at))


def with_forecast(context: Context, here: Standing) -> Context:
    """Drift and crossing added, where two pictures or more tell them."""
    view = here.outlook
    if view.basis != "pictures" or view.rate is None:
        return context
    return replace(
        context,
        drift_percent_per_h=(view.rate.speed, view.rate.speed_sigma),
        minutes_to_limit=view.minutes_to_limit,
    )


def state_changed(before: Sequence[SessionEvent], state: State) -> tuple[str, ...]:
    """Fields in which the state differs from the last picture's, and what was logged as changed since that picture."""
    out: list[str] = []
    for entry in reversed(before):
        if entry.kind is EventKind.PICTURE and entry.get("error") is None:
            for name in RESTARTS:
                here, there = getattr(state, name), entry.get(name)
                if here is not None and there is not None and differs(name, there, here):
                    out.append(name)
            break
        if entry.kind is EventKind.STATE:
            out += [c for c in entry.changed if c not in out]
        elif entry.kind is EventKind.SERVICE:
            out.append("service")
    else:
        out = []
    return tuple(dict.fromkeys(out))


def taken(frame: Frame, now: datetime) -> datetime:
    """When the picture was taken as far as the log is concerned; ``now`` when unknown."""
    return frame.taken_at if frame.taken_at is not None else now


def _is(entry: SessionEvent, frame: Frame) -> bool:
    return entry.digest is not None and entry.digest == frame.digest and entry.get("file") == frame.file


__all__ = ["Follower", "context_for", "including", "state_changed", "taken", "with_forecast", "with_nudge"]
