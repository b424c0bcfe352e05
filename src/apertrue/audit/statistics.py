"""Statistics for pictures that come in sessions: pictures of one session are not independent, sessions are.

Pure functions; random numbers only from the generator passed in.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: With at most so many ways to deal the sessions out, all are tried; else this many random ones.
_ALL_WAYS = 20_000
_RANDOM_WAYS = 9_999
_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its 1σ; ``sigma`` is ``None`` where it can't be told (fewer than two sessions)."""

    value: float
    sigma: float | None
    n: int
    groups: int


def clustered_mean(values: ArrayLike, groups: Sequence[Hashable]) -> Estimate | None:
    """Mean of ``values`` (shape (n,)) with a standard error that takes ``groups`` as the independent units.

    Var = G/(G − 1) Σ_g (Σ_{i in g} (y_i − mean))² / n² (the cluster-robust variance of a mean; Liang & Zeger 1986,
    Biometrika 73, from memory). ``None`` for no values.
    """
    y = np.asarray(values, dtype=float)
    if not y.size:
        return None
    mean = float(y.mean())
    names, index = _codes(groups)
    if len(names) < 2:
        return Estimate(mean, None, int(y.size), len(names))
    sums = np.bincount(index, y - mean)
    g = len(names)
    return Estimate(mean, sqrt(g / (g - 1) * float(np.sum(sums**2))) / y.size, int(y.size), g)


def clustered_quantile(
    values: ArrayLike, groups: Sequence[Hashable], q: float, rng: np.random.Generator, draws: int = 400
) -> Estimate | None:
    """The ``q`` quantile of ``values`` with a 1σ from drawing whole groups with replacement (cluster bootstrap)."""
    y = np.asarray(values, dtype=float)
    if not y.size:
        return None
    value = float(np.quantile(y, q))
    names, index = _codes(groups)
    if len(names) < 2:
        return Estimate(value, None, int(y.size), len(names))
    members = [y[index == g] for g in range(len(names))]
    drawn = [
        np.quantile(np.concatenate([members[g] for g in rng.integers(0, len(names), len(names))]), q)
        for _ in range(draws)
    ]
    return Estimate(value, float(np.std(drawn, ddof=1)), int(y.size), len(names))


@dataclass(frozen=True, slots=True)
class Difference:
    """Second minus first, of the means over sessions.

    Attributes:
        value, sigma: the difference and its 1σ.
        low, high: 95 % confidence interval (Welch's t over session means).
        p_value: probability of a difference at least as large if both came from the same kind of sessions, from dealing
            whole sessions out anew (permutation test; exact where ``exact``).
        first, second: both means.
        sessions: number of sessions on both sides.
        exact: whether all ways to deal were tried.
    """

    value: float
    sigma: float
    low: float
    high: float
    p_value: float
    first: Estimate
    second: Estimate
    sessions: tuple[int, int]
    exact: bool


def compare_sessions(
    first: ArrayLike,
    first_groups: Sequence[Hashable],
    second: ArrayLike,
    second_groups: Sequence[Hashable],
    rng: np.random.Generator,
) -> Difference | None:
    """Compare two sets of pictures by the means of their sessions; ``None`` with fewer than three sessions on a side.

    Each session counts once, however many pictures it has: pictures of one session share their fate.
    """
    from scipy.stats import t

    a, b = session_means(first, first_groups), session_means(second, second_groups)
    if a.size < 3 or b.size < 3:
        return None
    va, vb = float(a.var(ddof=1)) / a.size, float(b.var(ddof=1)) / b.size
    value, sigma = float(b.mean() - a.mean()), sqrt(va + vb)
    freedom = (
        (va + vb) ** 2 / (va**2 / (a.size - 1) + vb**2 / (b.size - 1)) if sigma > 0 else float(a.size + b.size - 2)
    )
    half = float(t.ppf(0.975, freedom)) * sigma
    p_value, exact = _permutation_p(a, b, rng)
    return Difference(
        value,
        sigma,
        value - half,
        value + half,
        p_value,
        Estimate(float(a.mean()), sqrt(va), int(np.size(first)), a.size),
        Estimate(float(b.mean()), sqrt(vb), int(np.size(second)), b.size),
        (a.size, b.size),
        exact,
    )


def session_means(values: ArrayLike, groups: Sequence[Hashable]) -> NDArray[np.float64]:
    """Mean of each group, in order of the groups' first appearance."""
    y = np.asarray(values, dtype=float)
    names, index = _codes(groups)
    return np.asarray(np.bincount(index, y, len(names)) / np.maximum(np.bincount(index, minlength=len(names)), 1))


def _permutation_p(a: NDArray[np.float64], b: NDArray[np.float64], rng: np.random.Generator) -> tuple[float, bool]:
    pool = np.concatenate([a, b])
    n, k = pool.size, a.size
    total, seen = float(pool.sum()), abs(float(b.mean() - a.mean()))
    edge = seen * (1 - 1e-12) - 1e-15  # a tie counts as at least as large, rounding or not

    def hits(sums: NDArray[np.float64]) -> int:
        return int(np.count_nonzero(np.abs((total - sums) / (n - k) - sums / k) >= edge))

    if comb(n, k) <= _ALL_WAYS:
        ways = np.array(list(combinations(range(n), k)))
        return hits(pool[ways].sum(axis=1)) / len(ways), True
    count = 0
    for start in range(0, _RANDOM_WAYS, _AT_ONCE):
        dealt = rng.permuted(np.tile(pool, (min(_AT_ONCE, _RANDOM_WAYS - start), 1)), axis=1)
        count += hits(dealt[:, :k].sum(axis=1))
    return (count + 1) / (_RANDOM_WAYS + 1), False


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through session values over time.

    Attributes:
        slope, sigma: change per month (30.44 days) and its 1σ.
        p_value: of no change (t test).
        n: sessions.
    """

    slope: float
    sigma: float
    p_value: float
    n: int


def trend(times_s: ArrayLike, values: ArrayLike) -> Trend | None:
    """Least-squares slope of ``values`` (n,) over ``times_s`` (n,), s; ``None`` under four, or at one time."""
    from scipy.stats import t

    x = np.asarray(times_s, dtype=float) / (30.44 * 86400.0)
    y = np.asarray(values, dtype=float)
    if x.size < 4 or float(np.ptp(x)) <= 0:
        return None
    dx = x - x.mean()
    sxx = float(dx @ dx)
    slope = float(dx @ y) / sxx
    rest = y - y.mean() - slope * dx
    sigma = sqrt(float(rest @ rest) / (x.size - 2) / sxx)
    p = 2 * float(t.sf(abs(slope) / sigma, x.size - 2)) if sigma > 0 else 0.0
    return Trend(slope, sigma, p, int(x.size))


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """A step in a series of session values.

    Attributes:
        index: the first value after the most probable step.
        early, late: the first and last index that hold 90 % of the probability together.
        before, after: means on both sides.
        p_value: probability of so clear a step in the same values in random order.
    """

    index: int
    early: int
    late: int
    before: float
    after: float
    p_value: float


def change_point(values: ArrayLike, rng: np.random.Generator, least: int = 3, draws: int = 999) -> ChangePoint | None:
    """Where a series of values (n,), in order of time, steps from one mean to another; ``None`` when it is too short.

    One step, equal spread on both sides. The position's probability is the posterior under flat priors with the unknown
    means and spread integrated out, ∝ (n₁ n₂)^(−1/2) RSS^(−(n−2)/2) (Smith 1975, Biometrika 62, from memory). Whether
    there is a step at all is told by a permutation test of the largest t.
    """
    y = np.asarray(values, dtype=float)
    if y.size < 2 * least + 1:
        return None
    places = np.arange(least, y.size - least + 1)
    t, rss = _steps(y, places)
    log_p = -0.5 * np.log(places * (y.size - places)) - 0.5 * (y.size - 2) * np.log(np.maximum(rss, 1e-300))
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    cumulated = np.cumsum(p)
    best = int(places[int(np.argmax(p))])
    early = int(places[int(np.searchsorted(cumulated, 0.05))])
    late = int(places[min(int(np.searchsorted(cumulated, 0.95)), places.size - 1)])
    seen = float(t.max())
    hits = sum(float(_steps(rng.permutation(y), places)[0].max()) >= seen * (1 - 1e-12) for _ in range(draws))
    return ChangePoint(best, early, late, float(y[:best].mean()), float(y[best:].mean()), (hits + 1) / (draws + 1))


def shape_of(
    times_s: ArrayLike, values: ArrayLike, line: Trend | None, step: ChangePoint | None, level: float = 0.05
) -> Literal["flat", "line", "step"]:
    """Whether a series creeps, steps, or does neither beyond chance.

    What is beyond chance at ``level`` counts. Where both a line and a step are (a slow creep always looks a little like
    a step, and the other way round), a step is claimed only when Schwarz's criterion n ln RSS + k ln n speaks strongly
    for it, by more than 6 (a line has k = 2, a step with its place k = 3; Schwarz 1978, Annals of Statistics 6; Kass &
    Raftery 1995, J. American Statistical Association 90; both from memory).
    """
    sloped, stepped = line is not None and line.p_value < level, step is not None and step.p_value < level
    if not sloped and not stepped:
        return "flat"
    if not sloped or not stepped:
        return "line" if sloped else "step"
    assert step is not None
    y = np.asarray(values, dtype=float)
    x = np.asarray(times_s, dtype=float)
    x = (x - x.mean()) / max(float(np.ptp(x)), 1e-300)
    by_line = float(np.sum((y - np.polyval(np.polyfit(x, y, 1), x)) ** 2))
    before, after = y[: step.index], y[step.index :]
    by_step = float(np.sum((before - before.mean()) ** 2) + np.sum((after - after.mean()) ** 2))
    n = y.size
    return "step" if n * np.log((by_line + 1e-300) / (by_step + 1e-300)) - np.log(n) > 6.0 else "line"


def holm(p_values: Sequence[float]) -> list[float]:
    """p-values corrected for having asked several questions at once (Holm 1979, Scandinavian J. of Statistics 6)."""
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    out = [1.0] * len(p_values)
    top = 0.0
    for place, i in enumerate(order):
        top = max(top, min(1.0, (len(p_values) - place) * p_values[i]))
        out[i] = top
    return out


def _steps(y: NDArray[np.float64], places: NDArray[np.int_]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(|t| of the two means, residual sum of squares) for a step at each place."""
    n = y.size
    sums = np.concatenate([[0.0], np.cumsum(y - y.mean())])
    total = float(np.sum((y - y.mean()) ** 2))
    left, right = places.astype(float), n - places.astype(float)
    between = sums[places] ** 2 * (1 / left + 1 / right)
    rss = np.maximum(total - between, 0.0)
    return np.sqrt(between * (n - 2) / np.maximum(rss, 1e-300)), rss


def _codes(groups: Sequence[Hashable]) -> tuple[list[Hashable], NDArray[np.int_]]:
    index: dict[Hashable, int] = {}
    codes = np.array([index.setdefault(g, len(index)) for g in groups], dtype=int)
    return list(index), codes
