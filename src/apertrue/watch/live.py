"""What a watch knows between two pictures: small, and kept up to date entry by entry."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from ..advice import Context
from ..calibration import Calibration
from ..frame import Frame, age_min
from ..instrument import Instrument
from ..session.clock import zone_of
from ..session.context import state_changed, with_forecast, with_nudge
from ..session.entry import SessionEvent
from ..session.history import Left, hangs_on, learned_left, nudges_failed, usual_current
from ..session.log import each_event, events, seen_before
from ..session.stand import REACH_H, Standing, stand, tells
from ..session.track import Follower
from ..session.words import EventKind
from ..store import Store

#: Pictures of the past that still bear on the next decision (failed nudges, usual current, state).
_RECENT = 200
#: Entries beyond the reach are forgotten at most this often, h: for that all others are read again.
_FORGET_EVERY_H = 1.0
_DEEDS = tuple(k for k in EventKind if k not in (EventKind.PICTURE, EventKind.NOTE, EventKind.RETRACTION))


@dataclass(frozen=True, slots=True, eq=False)
class Live:
    """The session as the watch sees it.

    Attributes:
        follower: the drift estimate.
        recent: the last entries that bear on decisions, in the order of time.
        last: the last picture with an offset.
        latest: the last picture of all.
        standing: the outlook, not older than a few seconds; ``None`` before the first.
        log_id: the last row of the log that was taken in.
        left: what the routine usually leaves.
        oldest: time of the first entry that was taken in; ``None`` before any.
    """

    follower: Follower
    recent: tuple[SessionEvent, ...] = ()
    last: SessionEvent | None = None
    latest: SessionEvent | None = None
    standing: Standing | None = None
    log_id: int = 0
    left: Left = field(default_factory=Left)
    oldest: datetime | None = None


def live(store: Store, now: datetime, calibrations: Sequence[Calibration]) -> Live:
    """From the log: all entries that still bear on now."""
    log_id = store.value("select coalesce(max(id), 0) from log")
    # One by one: after a day with a live camera there may be a hundred thousand.
    state = Live(Follower.start(calibrations), log_id=log_id, left=learned_left(store, now))
    since, until = now - timedelta(hours=REACH_H), now + timedelta(minutes=5)
    for entry in each_event(store, since=since, until=until):
        state = with_entry(state, entry)
    return replace(state, log_id=log_id)


def with_entry(state: Live, entry: SessionEvent) -> Live:
    """After one more entry, at or after the last one."""
    recent = (*state.recent, entry) if entry.kind in _DEEDS or entry.kind is EventKind.PICTURE else state.recent
    if len(recent) > 2 * _RECENT:
        pictures = [e.id for e in recent if e.kind is EventKind.PICTURE]
        keep = set(pictures[-_RECENT:])
        recent = tuple(e for e in recent if e.kind is not EventKind.PICTURE or e.id in keep)
    return replace(
        state,
        follower=state.follower.after(entry),
        recent=recent,
        last=entry if tells(entry) else state.last,
        latest=entry if entry.kind is EventKind.PICTURE else state.latest,
        log_id=max(state.log_id, entry.id),
        oldest=state.oldest or entry.at,
    )


def caught_up(state: Live, store: Store, now: datetime, calibrations: Sequence[Calibration]) -> Live:
    """After what others added to the log since.

    Anew from the log when that lies in the past or takes entries back, and when what was taken in reaches back too far:
    a watch that runs for days knows no more of the past than one that starts now.
    """
    if state.oldest is not None and now - state.oldest > timedelta(hours=REACH_H + _FORGET_EVERY_H):
        anew = live(store, now, calibrations)
        # When the last picture came is still worth telling, however long ago that was.
        return replace(anew, last=anew.last or state.last, latest=anew.latest or state.latest)
    top = store.value("select coalesce(max(id), 0) from log")
    if top <= state.log_id:
        return state
    new = events(store, all_entries=True, after_id=state.log_id)
    late = state.follower.last_at is not None and any(e.at < state.follower.last_at - timedelta(seconds=5) for e in new)
    if late or any(e.kind is EventKind.RETRACTION for e in new):
        return live(store, now, calibrations)
    for entry in new:
        state = with_entry(state, entry)
    left = state.left
    if any(e.kind is EventKind.ROUTINE_END for e in new):
        left = learned_left(store, now)
    return replace(state, left=left, log_id=top)


def looked_ahead(state: Live, instrument: Instrument, now: datetime) -> Live:
    """With a fresh outlook."""
    return replace(state, standing=stand(state.follower, state.last, instrument, now, n=1000))


def live_context(
    state: Live, store: Store, frame: Frame, at: datetime, instrument: Instrument, now: datetime
) -> Context:
    """What is known beside a picture, without its own numbers."""
    earlier = None if frame.digest is None else seen_before(store, frame.digest, at)
    context = Context(
        age_min=age_min(frame, now, trust_file_time=True),
        judged_now=True,
        frozen=earlier is not None and earlier.get("file") != frame.file,
        state_changed=state_changed(state.recent, frame.state),
        nudges_failed=nudges_failed(state.recent, instrument.limits.offset_leave),
        hangs_today=hangs_on(state.recent, now, zone_of(instrument)),
        current_expected_pa=usual_current(state.recent, frame.state, instrument.limits.score_leave),
        learned_offset_percent=state.left.center,
        auto_residual_percent=state.left.rms_percent,
    )
    return context if state.standing is None else with_forecast(context, state.standing)


__all__ = ["Live", "caught_up", "live", "live_context", "looked_ahead", "with_entry", "with_nudge"]
