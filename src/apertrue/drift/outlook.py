"""The drift estimate in one piece for people and for the decision: rate, crossing, when to look again, and sentences.

Where the numbers rest on common practice instead of on pictures, the sentence says so.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import hypot
from typing import Literal

import numpy as np

from .bank import Bank
from .crossing import HORIZON_H, Crossing, crossing
from .forecast import OffsetForecast, Rate, offset_forecast, rate
from .priors import HOLDS_H, SETTLES_WITHIN_H
from .score_curve import ScoreCurve
from .state_space import UNKNOWN_PERCENT

Basis = Literal["pictures", "common-practice", "none"]

#: After a high-tension, emission or monochromator change a center holds minutes: look again after this, h.
SETTLING_CHECK_H = 10 / 60


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is to be expected from now on.

    Attributes:
        basis: what it rests on: ``pictures`` (two or more since the last change of state), ``common-practice``
            (one picture) or ``none``.
        now_h: the time for which it was made, h.
        offset: the offset expected now, %; ``None`` without pictures.
        rate: the creep; ``None`` with fewer than two pictures.
        limit_name: ``working_score`` or ``offset_percent``, whichever is crossed first.
        limit_value: that limit's value.
        limit_percent: the offset at which it is crossed, %.
        early_h, median_h, late_h: hours from now until it is crossed (5, 50, 95 %); ``None`` = not within
            ``horizon_h``.
        check_h: hours from now by which to look again; ``None`` without a basis.
        settling: whether the gun still settles after a change.
        horizon_h: how far was looked, h.
        unexplained: number of moves that the log does not explain.
    """

    basis: Basis
    now_h: float
    offset: OffsetForecast | None = None
    rate: Rate | None = None
    limit_name: str = "working_score"
    limit_value: float = 97.0
    limit_percent: float = 5.0
    early_h: float | None = None
    median_h: float | None = None
    late_h: float | None = None
    check_h: float | None = None
    settling: bool = False
    horizon_h: float = HORIZON_H
    unexplained: int = 0

    @property
    def lost(self) -> bool:
        """Whether the beam may lie anywhere: after a move whose effect nobody knows, or more than a day's drift."""
        if self.offset is None:
            return False
        return max(b - a for a, b in (self.offset.x_interval, self.offset.y_interval)) > UNKNOWN_PERCENT

    @property
    def minutes_to_limit(self) -> tuple[float, float, float] | None:
        """(early, median, late), min, for the decision; beyond the horizon counts as it; ``None`` = no forecast."""
        if self.basis == "none":
            return None
        a, b, c = (60.0 * (self.horizon_h if h is None else h) for h in (self.early_h, self.median_h, self.late_h))
        return a, b, c


def outlook(
    bank: Bank,
    now_h: float,
    rng: np.random.Generator,
    *,
    curve: ScoreCurve | None = None,
    score_limit: float = 97.0,
    offset_limit: float = 5.0,
    horizon_h: float = HORIZON_H,
    n: int = 2000,
) -> Outlook:
    """The outlook from ``now_h`` on.

    Args:
        bank: the drift estimate.
        now_h: now, h, in the bank's time.
        rng: for the simulated paths; the same seed gives the same numbers.
        curve: from offset to working score; a flat beam that just fills the aperture when ``None``.
        score_limit: the working score for leaving it, 0–100.
        offset_limit: the offset for leaving it, % of the aperture radius.
        horizon_h: how far to look, h.
        n: simulated paths.
    """
    at_score = (curve or ScoreCurve()).offset_at(score_limit)
    name, value, limit = ("working_score", score_limit, at_score)
    if offset_limit < at_score:
        name, value, limit = ("offset_percent", offset_limit, offset_limit)
    if bank.seen < 1:
        return Outlook("none", now_h, None, None, name, value, limit, horizon_h=horizon_h)
    later = bank.moved_to(now_h)
    settling = bank.settling_h is not None and now_h - bank.settling_h < SETTLES_WITHIN_H
    offset = offset_forecast(later, now_h, rng)
    if bank.seen == 1:
        early, median, late = _usual(bank, now_h, limit, settling)
        return Outlook(
            "common-practice", now_h, offset, None, name, value, limit, early, median, late, early, settling, horizon_h
        )
    found = crossing(later, limit, rng, horizon_h=horizon_h, n=n)
    assert found is not None
    return Outlook(
        "pictures",
        now_h,
        offset,
        rate(later),
        name,
        value,
        limit,
        found.early_h,
        found.median_h,
        found.late_h,
        _check(found, settling),
        settling,
        horizon_h,
        len(bank.unexplained),
    )


def _check(found: Crossing, settling: bool) -> float:
    """Look again when the limit may be crossed (5 %), at the latest when the usual 2–3 h are over."""
    check = HOLDS_H[2] if found.early_h is None else min(found.early_h, HOLDS_H[2])
    return min(check, 0.5) if settling else check


def _usual(bank: Bank, now_h: float, limit: float, settling: bool) -> tuple[float, float, float]:
    """Common practice, less what is used up: by the age of the picture and by the offset it showed."""
    if settling:
        return 0.0, SETTLING_CHECK_H, 3 * SETTLING_CHECK_H
    mean = bank.offset_at(bank.last_seen_h or 0.0).moments[0]
    left = max(0.0, 1.0 - hypot(float(mean[0]), float(mean[1])) / limit)
    age = now_h - (bank.last_seen_h if bank.last_seen_h is not None else now_h)
    early, median, late = (max(0.0, h * left - age) for h in HOLDS_H)
    return early, median, late


def sentences(view: Outlook, clock: Callable[[float], str], *, fresh: bool = True) -> tuple[str, ...]:
    """The outlook in words.

    Args:
        view: the outlook.
        clock: turns a time in h into a clock time for people, such as ``14:20``.
        fresh: whether the last picture is fresh enough to act on; else a new one comes before any move.
    """
    act = "center now" if fresh else "check again now"
    limit = (
        f"working score falls below {view.limit_value:g}"
        if view.limit_name == "working_score"
        else f"offset exceeds {view.limit_value:g} % of the aperture radius"
    )

    def at(hours: float) -> str:
        return clock(view.now_h + hours)

    out: list[str] = []
    if view.basis == "none":
        return ("No forecast: no picture with an offset since the instrument's state last changed.",)
    if view.lost:
        why = "since the last picture it was moved, or too much time went by"
        return (f"Where the beam lies now is not known: {why}. Take a picture.",)
    if view.basis == "common-practice":
        if view.settling:
            out.append(
                "Common practice: after a high-tension, emission or monochromator change a center holds minutes only: "
                f"check again by {at(SETTLING_CHECK_H)}."
            )
        elif view.offset is not None and view.offset.length_interval[0] > view.limit_percent:
            past = limit.replace("falls below", "is below")
            out.append(f"{past[0].upper()}{past[1:]} already: {act}.")
        elif view.late_h == 0.0:
            out.append("The picture is older than a good center usually holds (common practice): check again now.")
        else:
            assert view.early_h is not None
            assert view.late_h is not None
            out.append(
                "Common practice, not measured: a good center holds about 2–3 h on a settled gun; with this offset and "
                f"age until about {at(view.early_h)} to {at(view.late_h)}: check again by {at(view.early_h)}. "
                "A second picture gives a forecast of its own."
            )
        return tuple(out)
    check = at(view.check_h or 0.0)
    if view.late_h is not None and view.late_h < 1 / 60:
        past = limit.replace("falls below", "is below")
        out.append(f"{past[0].upper()}{past[1:]} already: {act}.")
    elif view.median_h is not None and view.median_h < 1 / 60:
        late = f"after {at(view.horizon_h)}" if view.late_h is None else f"by {at(view.late_h)}"
        past = limit.replace("falls below", "is below")
        out.append(f"by the forecast the {past} already (almost surely {late}): check again now.")
    elif view.median_h is not None and view.early_h is not None:
        early = "now" if view.early_h < 1 / 60 else at(view.early_h)
        late = f"after {at(view.horizon_h)}" if view.late_h is None else at(view.late_h)
        again = "check again now" if view.early_h < 1 / 60 else f"check again by {check}"
        out.append(f"{limit} around {at(view.median_h)} (between {early} and {late}): {again}.")
    elif view.early_h is not None:
        early = "now" if view.early_h < 1 / 60 else at(view.early_h)
        out.append(f"{limit} hardly before {early}, probably not before {at(view.horizon_h)}: check again by {check}.")
    else:
        out.append(
            f"no sign that the {limit} before {at(view.horizon_h)}; common practice is to look again after 2–3 h: "
            f"check again by {check}."
        )
    out[-1] = out[-1][0].upper() + out[-1][1:]
    if view.settling:
        out.append("The gun still settles after a change: look more often until it is over.")
    if view.unexplained:
        times = "once" if view.unexplained == 1 else f"{view.unexplained} times"
        out.append(f"The beam jumped {times} without an entry in the log; the forecast starts anew from there.")
    return tuple(out)
