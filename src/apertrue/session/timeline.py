"""The day at a glance: what the timeline shows, as plain data. Drawing it is :mod:`.plot`'s job."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from ..calibration import Calibration
from ..drift import fan
from ..instrument import Instrument
from ..store import Store
from .clock import zone_of
from .entry import SessionEvent
from .history import Run, runs
from .log import events
from .stand import Standing, score_curve, standing, steady_rng
from .words import EventKind

Array = NDArray[np.float64]

#: How far ahead the fan is drawn, h.
FAN_H = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Values over time with their 1σ (NaN where there is none)."""

    at: tuple[datetime, ...]
    value: Array
    sigma: Array


@dataclass(frozen=True, slots=True, eq=False)
class FanSeries:
    """Forecast quantiles over time: ``levels`` (m,), ``offset`` and ``score`` (m, n)."""

    at: tuple[datetime, ...]
    levels: Array
    offset: Array
    score: Array


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """All that the day's timeline shows.

    Attributes:
        title: a line above.
        zone: of the axis.
        offset, score, current: series.
        fan: the forecast; ``None`` without one.
        marks: (time, kind, words) of what was done.
        routine: runs of the automatic routine.
        offset_limit, score_limit: the limits for leaving it.
        standing: sentences and crossing.
    """

    title: str
    zone: tzinfo
    offset: Series
    score: Series
    current: Series
    fan: FanSeries | None
    marks: tuple[tuple[datetime, EventKind, str], ...]
    routine: tuple[Run, ...]
    offset_limit: float
    score_limit: float
    standing: Standing


def timeline(
    store: Store,
    instrument: Instrument,
    since: datetime,
    until: datetime,
    *,
    now: datetime | None = None,
    calibrations: Sequence[Calibration] = (),
) -> Timeline:
    """The timeline of the entries from ``since`` to ``until``; the forecast starts at ``now`` or the last entry."""
    from .describe import describe

    entries = events(store, since=since, until=until)
    moment = now or (entries[-1].at if entries else until)
    here = standing(store, instrument, moment, calibrations=calibrations)
    good = [e for e in entries if e.kind is EventKind.PICTURE and "frozen" not in e.flags]
    marks = [
        (e.at, e.kind, describe(e))
        for e in entries
        if e.kind
        not in (EventKind.PICTURE, EventKind.CURRENT, EventKind.NOTE, EventKind.ROUTINE_START, EventKind.ROUTINE_END)
    ]
    zone = zone_of(instrument)
    return Timeline(
        f"{instrument.name}, {moment.astimezone(zone):%Y-%m-%d}",
        zone,
        _series(good, "offset_percent"),
        _series(good, "working_score"),
        _series([e for e in entries if e.get("current_pa") is not None], "current_pa"),
        _fan(here, instrument, moment),
        tuple(marks),
        runs(entries),
        instrument.limits.offset_leave,
        instrument.limits.score_leave,
        here,
    )


def _series(entries: Sequence[SessionEvent], name: str) -> Series:
    told = [e for e in entries if e.get(name) is not None]

    def column(key: str) -> Array:
        return np.array([np.nan if e.get(key) is None else e.get(key) for e in told], dtype=float)

    return Series(tuple(e.at for e in told), column(name), column(name + "_sigma"))


def _fan(here: Standing, instrument: Instrument, now: datetime) -> FanSeries | None:
    if here.outlook.basis != "pictures" or here.outlook.lost:
        return None
    start = max(here.follower.hours(now), here.follower.settled.t_h or 0.0)
    bank = here.follower.settled.moved_to(start)
    found = fan(bank, start + FAN_H, steady_rng(), points=49)
    if found is None:
        return None
    curve = score_curve(here.last, instrument)
    # A larger offset is a lower score: the quantiles swap.
    score = np.array([[curve.score(float(v)) for v in row] for row in found.percent[::-1]])
    at = tuple(now + timedelta(hours=float(t) - start) for t in found.t_h)
    return FanSeries(at, found.levels, found.percent, score)
