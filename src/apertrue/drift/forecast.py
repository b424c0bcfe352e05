"""What the drift estimate says about later: rate now, offset with interval at a horizon, and the fan for a plot."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, degrees, sqrt

import numpy as np
from numpy.typing import NDArray

from ..model.normal import cdf
from .bank import Bank, Mixture

Array = NDArray[np.float64]

#: Share of the probability inside the intervals that people see.
COVERAGE = 0.90


@dataclass(frozen=True, slots=True)
class Rate:
    """How fast and where to the beam creeps now, without the settling part.

    Attributes:
        x, y: components, %/h, y down. x_sigma, y_sigma: their 1σ.
        speed, speed_sigma: length and its 1σ, %/h.
        direction_deg: counter-clockwise from +x (90 is up); ``None`` when the speed is under 2σ.
        direction_deg_sigma: 1σ of it; ``None`` when it is.
        settling_percent: length of what is left of a settling; ``None`` without one.
    """

    x: float
    y: float
    x_sigma: float
    y_sigma: float
    speed: float
    speed_sigma: float
    direction_deg: float | None
    direction_deg_sigma: float | None
    settling_percent: float | None = None


@dataclass(frozen=True, slots=True)
class OffsetForecast:
    """The offset expected at a time, % of the aperture radius, with central intervals of :data:`COVERAGE`.

    Attributes:
        t_h: that time, h. x, y: median components; x_interval, y_interval: their intervals.
        length: median of the offset's length; length_interval: its interval.
    """

    t_h: float
    x: float
    y: float
    x_interval: tuple[float, float]
    y_interval: tuple[float, float]
    length: float
    length_interval: tuple[float, float]


def rate(bank: Bank) -> Rate | None:
    """The creep at the bank's time; ``None`` before two pictures were seen since the last restart."""
    if bank.seen < 2:
        return None
    mean, cov = bank.velocity().moments
    x, y = float(mean[0]), float(mean[1])
    speed = sqrt(x * x + y * y)
    along = mean / speed if speed > 0 else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    speed_sigma = sqrt(float(along @ cov @ along))
    known = speed >= 2 * speed_sigma
    left = None
    if bank.settling_h is not None:
        rest = bank.settling().moments[0]
        left = float(np.hypot(*rest))
    return Rate(
        x,
        y,
        sqrt(float(cov[0, 0])),
        sqrt(float(cov[1, 1])),
        speed,
        speed_sigma,
        degrees(atan2(-y, x)) % 360.0 if known else None,
        degrees(sqrt(float(across @ cov @ across)) / speed) if known else None,
        left,
    )


def quantile(mixture: Mixture, axis: int, levels: Sequence[float]) -> list[float]:
    """Quantiles of one component of a mixture, by bisection of its distribution function (to 1e-6 of its width)."""
    mean, sd = mixture.mean[:, axis], np.sqrt(np.maximum(mixture.cov[:, axis, axis], 1e-300))
    wanted = np.asarray(levels, dtype=float)
    low, high = np.full(wanted.shape, (mean - 8 * sd).min()), np.full(wanted.shape, (mean + 8 * sd).max())
    for _ in range(21):
        middle = 0.5 * (low + high)
        below = cdf((middle[:, None] - mean) / sd) @ mixture.weight < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return [float(v) for v in 0.5 * (low + high)]


def offset_forecast(
    bank: Bank, t_h: float, rng: np.random.Generator, *, coverage: float = COVERAGE, n: int = 4000
) -> OffsetForecast | None:
    """The offset expected at ``t_h``; ``None`` when nothing was seen since the last restart.

    Args:
        bank: the estimate now.
        t_h: when, h; not before the bank's time.
        rng: for the length's distribution, which has no closed form.
        coverage: share of the probability in the intervals.
        n: random draws for the length.
    """
    if bank.seen < 1:
        return None
    mixture = bank.offset_at(t_h)
    tail = 0.5 * (1 - coverage)
    x = quantile(mixture, 0, (tail, 0.5, 1 - tail))
    y = quantile(mixture, 1, (tail, 0.5, 1 - tail))
    length = np.quantile(np.hypot(*mixture.draw(n, rng).T), (tail, 0.5, 1 - tail))
    return OffsetForecast(
        t_h, x[1], y[1], (x[0], x[2]), (y[0], y[2]), float(length[1]), (float(length[0]), float(length[2]))
    )


@dataclass(frozen=True, slots=True, eq=False)
class Fan:
    """Quantiles of the offset's length over time, for a plot.

    Attributes:
        t_h: times, h, (n,). levels: the quantile levels, (m,). percent: the quantiles, (m, n), %.
    """

    t_h: Array
    levels: Array
    percent: Array


def fan(
    bank: Bank,
    until_h: float,
    rng: np.random.Generator,
    *,
    levels: Sequence[float] = (0.05, 0.25, 0.5, 0.75, 0.95),
    points: int = 25,
    n: int = 2000,
) -> Fan | None:
    """The forecast fan from the bank's time on; ``None`` when nothing was seen or ``until_h`` is not later."""
    if bank.seen < 1 or bank.t_h is None or until_h <= bank.t_h:
        return None
    times = np.linspace(bank.t_h, until_h, points)
    seed = int(rng.integers(2**63))
    # The same draws at each time, so that the fan's borders are as smooth as the motion.
    rows = [
        np.quantile(np.hypot(*bank.offset_at(float(t)).draw(n, np.random.default_rng(seed)).T), levels) for t in times
    ]
    return Fan(times, np.asarray(levels, dtype=float), np.array(rows).T)
