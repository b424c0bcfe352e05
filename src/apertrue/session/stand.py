"""How the session stands now: the last picture, the drift, and when to look again. One place for all who show it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from ..advise.history import Spread
from ..calibration import Calibration
from ..drift import Outlook, ScoreCurve, outlook, sentences
from ..instrument import Instrument
from ..registry.format import format_number
from ..store import Store
from .clock import clock_words, in_zone, zone_of
from .entry import SessionEvent
from .history import recalled
from .log import events
from .track import Follower
from .words import EventKind

#: How far back entries still bear on now, h.
REACH_H = 36.0
#: The forecast's random numbers: always the same, so that command line, window, report and plot show the same times.
_SEED = 20


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """How the session stands.

    Attributes:
        now: the moment.
        follower: the drift estimate.
        outlook: what to expect.
        last: the last picture with an offset; ``None`` without one.
        sentences: the outlook in words.
    """

    now: datetime
    follower: Follower
    outlook: Outlook
    last: SessionEvent | None
    sentences: tuple[str, ...]

    def at(self, hours: float | None) -> datetime | None:
        """The moment that many hours from now; ``None`` for ``None``."""
        return None if hours is None else self.now + timedelta(hours=hours)

    @property
    def check_at(self) -> datetime | None:
        """When to look again at the latest."""
        return self.at(self.outlook.check_h)


def steady_rng() -> np.random.Generator:
    """The random numbers of every forecast that people see."""
    return np.random.default_rng(_SEED)


def standing(
    store: Store,
    instrument: Instrument,
    now: datetime,
    *,
    calibrations: Sequence[Calibration] = (),
    since: datetime | None = None,
) -> Standing:
    """How the session stands at ``now``, from the log alone.

    Args:
        store: the log.
        instrument: limits and working illumination.
        now: the moment, with zone; entries after it are left out.
        calibrations: for what a nudge did.
        since: only entries from here on; the last 36 h when ``None``.
    """
    entries = events(store, since=since or now - timedelta(hours=REACH_H), until=now + timedelta(seconds=0.001))
    last = next((e for e in reversed(entries) if tells(e)), None)
    here = stand(Follower.of(entries, calibrations), last, instrument, now)
    since_recall = _unseen_recall(entries)
    if since_recall is None:
        return here
    return replace(here, sentences=(recall_sentence(recalled(store, now)), *here.sentences))


def _unseen_recall(entries: Sequence[SessionEvent]) -> SessionEvent | None:
    """The last recall of a stored setting, if no picture showed the beam since."""
    for entry in reversed(entries):
        if entry.kind is EventKind.RECALL:
            return entry
        if tells(entry):
            return None
    return None


def recall_sentence(off: Spread) -> str:
    """What to expect of a recalled setting before a picture shows it."""
    rms = format_number(off.rms_percent, off.sigma, unit="%")
    source = f"{off.observations} recalls in this log" if off.observations else "common practice, none in this log"
    return (
        f"A stored setting was recalled and no picture taken since: the focus comes back, the shift has usually moved on, "
        f"by {rms} of the aperture radius ({source}). Take a picture before you work."
    )


def stand(
    follower: Follower, last: SessionEvent | None, instrument: Instrument, now: datetime, n: int = 2000
) -> Standing:
    """The same from a follower that is kept up to date."""
    now = in_zone(now, zone_of(instrument))
    bank, hour = follower.settled, follower.hours(now)
    curve = score_curve(last, instrument)
    view = outlook(
        bank,
        max(hour, bank.t_h or 0.0),
        steady_rng(),
        curve=curve,
        score_limit=instrument.limits.score_leave,
        offset_limit=instrument.limits.offset_leave,
        n=n,
    )

    def clock(t_h: float) -> str:
        assert follower.origin is not None
        return clock_words(now + timedelta(hours=t_h - view.now_h), now)

    fresh = last is not None and not too_old(last, instrument, now)
    return Standing(now, follower, view, last, sentences(view, clock, fresh=fresh))


def tells(event: SessionEvent) -> bool:
    """Whether an entry is a picture that shows an offset and no frozen frame."""
    return event.kind is EventKind.PICTURE and event.get("offset_percent") is not None and "frozen" not in event.flags


def too_old(event: SessionEvent, instrument: Instrument, now: datetime) -> bool:
    """Whether a picture is too old to act on: stale when it was judged, or grown as old since."""
    return "stale" in event.flags or now - event.at > timedelta(minutes=instrument.limits.stale_min)


def score_curve(last: SessionEvent | None, instrument: Instrument) -> ScoreCurve:
    """From offset to working score: the instrument file's working radius, the loss that the last picture showed."""
    working = instrument.working
    side = None if last is None else last.get("focus_side")
    by_side = {"positive": working.beam_ratio_positive, "negative": working.beam_ratio_negative}
    ratio = next((r for r in (by_side.get(side or ""), working.beam_ratio) if r), 1.0)
    if last is None:
        return ScoreCurve(ratio)
    return ScoreCurve.seen(
        ratio, last.get("offset_percent"), last.get("working_score"), last.get("working_score_sigma")
    )
