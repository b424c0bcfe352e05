"""What the curve answers: the focus for a current, the current at a focus, how far today's readings lie off."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.typing import NDArray

from ..registry.format import as_current
from .curve import CurrentModel, SideCurve, side_of
from .pairs import Pair

Array = NDArray[np.float64]

Interval = tuple[float, float]
_ONE_SIGMA = (0.15865525393145707, 0.8413447460685429)
_WIDE = (0.025, 0.975)


@dataclass(frozen=True, slots=True)
class CurrentAnswer:
    """The current of a centered beam at a focus.

    Attributes:
        focus: the reading asked for, console units. side: its side.
        current_pa: median, pA; ``None`` when the curve does not reach there.
        interval_68, interval_95: pA.
        extrapolated: beyond the foci that readings cover.
        sentences: what to know about it.
    """

    focus: float
    side: str
    current_pa: float | None
    interval_68: Interval | None
    interval_95: Interval | None
    extrapolated: bool
    sentences: tuple[str, ...] = ()

    @property
    def sigma_pa(self) -> float | None:
        """Half the 68 % interval, pA."""
        return None if self.interval_68 is None else 0.5 * (self.interval_68[1] - self.interval_68[0])


@dataclass(frozen=True, slots=True)
class FocusAnswer:
    """The focus for a current.

    Attributes:
        current_pa: the current asked for, pA. side: the side of the answer.
        focus: median reading, console units; ``None`` when that side does not reach the current within the curve.
        interval_68, interval_95: console units, low first.
        extrapolated: beyond the foci that readings cover.
        current_range_pa: least and greatest current that the curve covers there (medians), pA; ``None`` without a curve.
        probability: share of the curves compatible with the readings that reach the current.
        sentences: what to know about it.
    """

    current_pa: float
    side: str
    focus: float | None
    interval_68: Interval | None
    interval_95: Interval | None
    extrapolated: bool
    current_range_pa: Interval | None
    probability: float
    sentences: tuple[str, ...] = ()

    @property
    def sigma(self) -> float | None:
        """Half the 68 % interval, console units."""
        return None if self.interval_68 is None else 0.5 * (self.interval_68[1] - self.interval_68[0])


@dataclass(frozen=True, slots=True)
class OffCurve:
    """How far a session's readings lie off the curve of the other sessions.

    Attributes:
        factor: read ÷ expected current (geometric mean).
        interval_95: of the factor that chance alone allows, as read ÷ expected.
        score: ln(factor) in units of its expected spread.
        n: readings.
        unusual: beyond that interval.
        sentences: what it may mean.
    """

    factor: float
    interval_95: Interval
    score: float
    n: int
    unusual: bool
    sentences: tuple[str, ...]


def _crossing_readings(model: CurrentModel) -> Array:
    """Draws of this session's crossover reading."""
    center = model.crossover.focus
    if model.today is not None and model.today in model.crossover.by_session:
        center = model.crossover.by_session[model.today][0]
    return np.asarray(center + model.shift, dtype=np.float64)


def _values_at(model: CurrentModel, curve: SideCurve, focus: float) -> Array:
    """Draws of ln I at a reading; NaN beyond the curve's end."""
    d = np.maximum((focus - _crossing_readings(model)) * curve.sign, 0.0)
    grid = curve.distance
    i = np.clip(np.searchsorted(grid, d, side="right") - 1, 0, len(grid) - 2)
    u = (d - grid[i]) / (grid[i + 1] - grid[i])
    rows = np.arange(len(d))
    value = curve.log_current[rows, i] * (1 - u) + curve.log_current[rows, i + 1] * u + model.gain
    return np.where(d > grid[-1], np.nan, value)


def current_at(model: CurrentModel, focus: float, side: str | None = None) -> CurrentAnswer:
    """The current of a centered beam at a reading of the focus.

    Args:
        model: of the state.
        focus: reading, console units.
        side: ``positive`` or ``negative``; ``None`` = by the sign of focus minus crossover.
    """
    center = float(np.median(_crossing_readings(model)))
    name = side or ("positive" if focus >= center else "negative")
    curve = model.curves.get(name)
    if curve is None:
        return CurrentAnswer(focus, name, None, None, None, True, (_no_curve(model, name),))
    value = _values_at(model, curve, focus)
    if np.isnan(value).mean() > 0.5:
        text = f"No reading lies near: the {name} side's curve ends at {_end(model, curve):.4g}."
        return CurrentAnswer(focus, name, None, None, None, True, (text,))
    value = value[~np.isnan(value)]
    d = (focus - center) * curve.sign
    beyond = not curve.reach[0] * 0.98 <= d <= curve.reach[1] * 1.02
    q = np.exp(np.quantile(value, [*_WIDE, *_ONE_SIGMA, 0.5]))
    return CurrentAnswer(
        focus,
        name,
        float(q[4]),
        (float(q[2]), float(q[3])),
        (float(q[0]), float(q[1])),
        beyond,
        _caveats(model, curve, beyond),
    )


def focus_for(model: CurrentModel, current_pa: float, side: str) -> FocusAnswer:
    """The reading of the focus at which a centered beam gives a current.

    Where the curve is flat (near crossover everything passes) many foci give the same current; the answer is the
    outermost of them, and its interval is as wide as the flat part makes it.

    Raises:
        ValueError: a current that is not positive.
    """
    if not current_pa > 0:
        raise ValueError(f"the current must be positive, got {current_pa} pA")
    curve = model.curves.get(side)
    if curve is None:
        return FocusAnswer(current_pa, side, None, None, None, True, None, 0.0, (_no_curve(model, side),))
    target = np.log(current_pa) - model.gain
    g, grid = curve.log_current, curve.distance
    # Draws fall from left to right: the last grid point that is still at or above the target.
    last = (g >= target[:, None]).sum(axis=1) - 1
    reached = (last >= 0) & (last < len(grid) - 1)
    i = np.clip(last, 0, len(grid) - 2)
    rows = np.arange(len(g))
    high, low = g[rows, i], g[rows, i + 1]
    u = np.clip((high - target) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    d = grid[i] + u * (grid[i + 1] - grid[i])
    # Beyond either end the draw still says on which side the answer lies: it counts in the quantiles as the end.
    d = np.where(last < 0, 0.0, np.where(last >= len(grid) - 1, grid[-1], d))
    share = float(reached.mean())
    center = _crossing_readings(model)
    mid = np.median(g + model.gain[:, None], axis=0)
    inner, outer = (float(np.interp(v, grid, mid)) for v in curve.reach)
    covered = (exp(outer), exp(inner))
    if share < 0.5:
        where = (
            "more than the curve gives anywhere" if float((last < 0).mean()) > 0.5 else "less than the curve reaches"
        )
        span = f"{as_current(covered[0])} to {as_current(covered[1])}"
        text = f"{current_pa:g} pA on the {side} side is {where}; over the readings it runs from {span}."
        return FocusAnswer(current_pa, side, None, None, None, True, covered, share, (text,))
    q = np.quantile(center + curve.sign * d, [*_WIDE, *_ONE_SIGMA, 0.5])
    middle = abs(float(q[4]) - float(np.median(center)))
    beyond = not curve.reach[0] * 0.98 <= middle <= curve.reach[1] * 1.02
    return FocusAnswer(
        current_pa,
        side,
        float(q[4]),
        (float(q[2]), float(q[3])),
        (float(q[0]), float(q[1])),
        beyond,
        covered,
        share,
        _caveats(model, curve, beyond),
    )


def off_curve(model: CurrentModel, pairs: Sequence[Pair]) -> OffCurve | None:
    """How far today's readings lie off the other sessions' curve; ``None`` when no side fits.

    Args:
        model: fitted *without* these pairs, for a new session.
        pairs: today's.
    """
    if model.today is not None:
        raise ValueError("fit the other sessions alone, for a new session; else today is compared with itself")
    columns, read = [], []
    for pair in pairs:
        curve = model.curves.get(side_of(pair, model.crossover.focus))
        if curve is None:
            continue
        value = _values_at(model, curve, pair.focus)
        if np.isnan(value).any():
            continue
        columns.append(value)
        read.append((pair.log_current, pair.log_sigma))
    if not columns:
        return None
    n = len(columns)
    expected = np.mean(columns, axis=0)  # of each draw: the readings share its emission and crossover step
    meter = np.sqrt(np.mean([s**2 for _, s in read]) + np.mean(model.noise**2))
    middle = float(expected.mean())
    spread = float(np.sqrt(expected.var() + meter**2 / n))
    difference = float(np.mean([y for y, _ in read])) - middle
    score = difference / spread
    allowed = (exp(-1.96 * spread), exp(1.96 * spread))
    factor = exp(difference)
    unusual = abs(score) > 1.96
    if unusual:
        word = "below" if factor < 1 else "above"
        text = (
            f"Today's current is {factor:.2f} × the expected one, {word} what chance and the usual wander allow "
            f"({allowed[0]:.2f} to {allowed[1]:.2f}). Emission, high tension, spot or aperture may have changed, or "
            "the beam was not centered at the readings. Check the state first; gun settings are for trained staff."
        )
    else:
        text = (
            f"Today's current is {factor:.2f} × the expected one; the usual wander allows {allowed[0]:.2f} to "
            f"{allowed[1]:.2f}."
        )
    return OffCurve(factor, allowed, score, n, unusual, (text,))


def _end(model: CurrentModel, curve: SideCurve) -> float:
    """The reading of the focus at which a side's curve ends."""
    return float(np.median(_crossing_readings(model))) + curve.sign * float(curve.distance[-1])


def covered_foci(model: CurrentModel, side: str) -> Interval | None:
    """Least and greatest reading that the pairs of a side cover; ``None`` without a curve."""
    curve = model.curves.get(side)
    if curve is None:
        return None
    center = float(np.median(_crossing_readings(model)))
    a, b = (center + curve.sign * v for v in curve.reach)
    return min(a, b), max(a, b)


def _no_curve(model: CurrentModel, side: str) -> str:
    if side in model.rising:
        return rising_words(model, side)
    return (
        f"No curve for the {side} side ({model.state.label}): it needs three currents at two different foci. "
        "The other side says nothing about it."
    )


def rising_words(model: CurrentModel, side: str) -> str:
    """Why a side whose readings rise away from crossover has no curve, and what to do."""
    taken = "" if model.crossover.measured else " (reading 0 is taken: no picture tells where it lies)"
    return (
        f"No curve for the {side} side ({model.state.label}): its readings rise away from crossover{taken}, which no "
        "beam does: spread farther, less of it passes the aperture. Check the signs of the foci, the state and the "
        "typing, and note the currents again with the beam centered at each."
    )


def _caveats(model: CurrentModel, curve: SideCurve, beyond: bool) -> tuple[str, ...]:
    out = []
    if beyond:
        low, high = sorted(float(np.median(_crossing_readings(model))) + curve.sign * v for v in curve.reach)
        out.append(
            f"Extrapolated: readings cover foci {low:.4g} to {high:.4g}. Read a current there before relying on it."
        )
    if curve.n_sessions < 2:
        out.append(
            "All readings are of one session: how much emission and crossover change from day to day is assumed."
        )
    if not model.crossover.measured:
        out.append("No picture tells where the crossover lies: reading 0 is taken.")
    if model.today is None and curve.n_sessions >= 2:
        out.append("For a session of which nothing is known yet; one reading today narrows it.")
    return tuple(out)
