"""What the session's own entries teach the decision: failed nudges, hangs, the routine's time, the usual current."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from statistics import mean, stdev

from ..advise.history import RoutineRun, Spread, learned_costs, recalled_offset, routine_residual
from ..compare.agreement import Point2
from ..compare.difference import learn_difference
from ..frame import State
from ..instrument import Instrument
from ..store import Store
from .entry import SessionEvent, event_from_row
from .log import events
from .words import EventKind

#: How far back the routine's runs are learned from.
LEARN_FROM = timedelta(days=90)
#: A run without an end is taken to be over after this; a picture after a run belongs to it for as long.
_RUN_AT_MOST = timedelta(hours=1)
_AFTER_RUN = timedelta(minutes=30)
#: A reading of the current is comparable with one at a focus within this share.
_SAME_FOCUS = 0.02


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the automatic routine as logged: its start (if noted), its end, and the first offset after it, %.

    ``after`` is that offset as (x, y) with 1σ, y down, where the picture's components are known.
    """

    start: datetime | None
    end: datetime
    outcome: str
    offset_after_percent: float | None
    after: Point2 | None = None

    @property
    def minutes(self) -> float | None:
        """How long it took; ``None`` without a start."""
        return None if self.start is None else (self.end - self.start).total_seconds() / 60.0


def runs(entries: Sequence[SessionEvent]) -> tuple[Run, ...]:
    """The runs of the routine that ended, with starts matched to ends; entries in the order of time."""
    out: list[Run] = []
    start: datetime | None = None
    for i, entry in enumerate(entries):
        if entry.kind is EventKind.ROUTINE_START:
            start = entry.at
        elif entry.kind is EventKind.ROUTINE_END:
            begun = start if start is not None and entry.at - start <= _RUN_AT_MOST else None
            seen = _picture_after(entries[i + 1 :], entry.at)
            left = None if seen is None else float(seen.get("offset_percent"))
            out.append(Run(begun, entry.at, entry.outcome or "done", left, _offset_in(seen)))
            start = None
    return tuple(out)


def _picture_after(later: Sequence[SessionEvent], end: datetime) -> SessionEvent | None:
    for entry in later:
        if entry.at - end > _AFTER_RUN or entry.kind in (EventKind.NUDGE, EventKind.RECALL, EventKind.ROUTINE_START):
            return None
        if entry.kind is EventKind.PICTURE and entry.get("offset_percent") is not None:
            return entry
    return None


def _offset_in(entry: SessionEvent | None) -> Point2 | None:
    if entry is None:
        return None
    names = ("offset_x_percent", "offset_y_percent", "offset_x_percent_sigma", "offset_y_percent_sigma")
    x, y, sx, sy = (entry.get(name) for name in names)
    if x is None or y is None or sx is None or sy is None:
        return None
    return Point2(float(x), float(y), float(sx), float(sy), float(entry.get("offset_xy_correlation") or 0.0))


def running_since(entries: Sequence[SessionEvent], now: datetime) -> datetime | None:
    """When a run of the routine was started that has not ended; ``None`` without one, or after an hour."""
    for entry in reversed(entries):
        if entry.kind is EventKind.ROUTINE_END:
            return None
        if entry.kind is EventKind.ROUTINE_START:
            return entry.at if now - entry.at <= _RUN_AT_MOST else None
    return None


def learned_instrument(store: Store, instrument: Instrument, now: datetime) -> Instrument:
    """The instrument with the routine's costs moved toward what the log tells (with a prior)."""
    found = runs(_routine_entries(store, now))
    if not found:
        return instrument
    past = [
        RoutineRun(
            minutes=r.minutes if r.outcome == "done" else None,
            hung=r.outcome == "hung",
            hang_minutes=r.minutes if r.outcome == "hung" else None,
            offset_after_percent=r.offset_after_percent,
        )
        for r in found
        if r.outcome in ("done", "hung")
    ]
    return replace(instrument, costs=learned_costs(instrument.costs, past))


@dataclass(frozen=True, slots=True)
class Left:
    """What the routine usually leaves, learned from the pictures right after its runs (hung ones left out).

    Attributes:
        rms_percent: root-mean-square offset, %; ``None`` before a run was followed by a picture.
        center: its constant part, intensity center against edge center, (x, y) in %, y down; ``None`` until it is sure.
    """

    rms_percent: float | None = None
    center: tuple[float, float] | None = None


def learned_left(store: Store, now: datetime) -> Left:
    """What the routine usually leaves."""
    done = [r for r in runs(_routine_entries(store, now)) if r.outcome != "hung"]
    past = [RoutineRun(offset_after_percent=r.offset_after_percent) for r in done if r.offset_after_percent is not None]
    if not past:
        return Left()
    constant = learn_difference([r.after for r in done if r.after is not None])
    x, y = constant.mean.x, constant.mean.y
    named = constant.named and x is not None and y is not None
    return Left(routine_residual(past).rms_percent, (float(x or 0.0), float(y or 0.0)) if named else None)


def recalled(store: Store, now: datetime) -> Spread:
    """How far off recalled gun settings were: root-mean-square offset of the first picture after each, with a prior."""
    found = events(store, since=now - LEARN_FROM, until=now, kinds=(EventKind.RECALL,))
    return recalled_offset(_after_recall(store, entry, now) for entry in found)


def _after_recall(store: Store, recall: SessionEvent, now: datetime) -> float | None:
    """Offset in the first picture after a recall; ``None`` where the beam was moved before it."""
    at = recall.at.timestamp()
    row = store.row(_AFTER, (at, at, recall.id, min(now, recall.at + _AFTER_RUN).timestamp()))
    entry = None if row is None else event_from_row(row)
    return float(entry.get("offset_percent")) if entry is not None and entry.kind is EventKind.PICTURE else None


def _routine_entries(store: Store, now: datetime) -> list[SessionEvent]:
    """Starts and ends of the runs, and after each end the one entry that tells what the run left or ends its reach."""
    ran = events(store, since=now - LEARN_FROM, until=now, kinds=(EventKind.ROUTINE_START, EventKind.ROUTINE_END))
    found = {e.id: e for e in ran}
    for end in ran:
        if end.kind is EventKind.ROUTINE_END:
            row = store.row(_AFTER, (end.at.timestamp(), end.at.timestamp(), end.id, _until(end, now).timestamp()))
            if row is not None:
                entry = event_from_row(row)
                found[entry.id] = entry
    return sorted(found.values(), key=lambda e: (e.at, e.id))


def _until(end: SessionEvent, now: datetime) -> datetime:
    return min(now, end.at + _AFTER_RUN + timedelta(seconds=1))


#: Not the pictures of 90 days: there may be a hundred thousand.
_AFTER = """
select * from log_now where (at_s > ? or (at_s = ? and id > ?)) and at_s < ?
  and (kind in ('nudge', 'recall', 'routine-start') or (kind = 'picture' and offset_percent is not null))
order by at_s, id limit 1
"""


def hangs_on(entries: Sequence[SessionEvent], now: datetime, zone: tzinfo) -> int:
    """Hangs of the routine on the day of ``now`` in the instrument's zone."""
    day = now.astimezone(zone).date()
    return sum(
        e.kind is EventKind.ROUTINE_END and e.outcome == "hung" and e.at.astimezone(zone).date() == day for e in entries
    )


def nudges_failed(entries: Sequence[SessionEvent], offset_limit: float) -> int:
    """Nudges since the beam was last centered whose next picture did not show it centered; entries in order of time.

    Moves between two pictures count as one. A picture that can't tell decides nothing.
    """
    failed, moved = 0, False
    for entry in entries:
        if entry.kind in (EventKind.ROUTINE_END, EventKind.RECALL, EventKind.STATE, EventKind.SERVICE):
            failed, moved = 0, False
        elif entry.kind is EventKind.NUDGE:
            moved = True
        elif entry.kind is EventKind.PICTURE:
            offset = entry.get("offset_percent")
            if offset is None:
                continue
            if offset <= offset_limit:
                failed = 0
            elif moved:
                failed += 1
            moved = False
    return failed


def usual_current(entries: Sequence[SessionEvent], state: State, score_limit: float) -> tuple[float, float] | None:
    """The current (pA) that this state gave with a centered beam, and its 1σ; ``None`` with fewer than two readings."""
    if state.gun_focus is None:
        return None
    values: list[float] = []
    for entry in entries:
        current, focus, score = entry.get("current_pa"), entry.get("gun_focus"), entry.get("working_score")
        if current is None or focus is None or entry.kind not in (EventKind.PICTURE, EventKind.CURRENT):
            continue
        if entry.kind is EventKind.PICTURE and (score is None or score < score_limit):
            continue
        same = abs(focus - state.gun_focus) <= _SAME_FOCUS * max(abs(state.gun_focus), 1.0)
        for name in ("spot", "aperture_um", "kv", "focus_side"):
            here, there = getattr(state, name), entry.get(name)
            same = same and (here is None or there is None or here == there)
        if same:
            values.append(float(current))
    if len(values) < 2:
        return None
    middle = mean(values)
    return middle, max(stdev(values), 0.03 * abs(middle))
