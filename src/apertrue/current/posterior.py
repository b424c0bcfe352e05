"""The posterior behind the curves of :mod:`apertrue.current.curve`: Gaussian process, emissions, crossover steps.

Textbook: Rasmussen and Williams, "Gaussian Processes for Machine Learning", 2006, chapters 2 and 5 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..fitting.monotone import monotone_rows
from .crossover import Crossover
from .pairs import Pair

Array = NDArray[np.float64]

SIDES = ("positive", "negative")
_GRID = 49
_REACH = 1.6  # how far beyond the outermost pair the curve is drawn
_BATCH = 20
_AT_ONCE = 40  # hyperparameters weighed in one go; bounds the memory


def side_of(pair: Pair, crossover: float) -> str:
    """The pair's side as stated, else by the sign of focus minus crossover."""
    return pair.side or ("positive" if pair.focus >= crossover else "negative")


@dataclass(frozen=True, slots=True, eq=False)
class PairData:
    """Arrays of the pairs, and the coordinates of the fit."""

    y: Array
    own: Array
    side: NDArray[np.intp]
    session: NDArray[np.intp]
    x: Array
    to_focus: Array  # dx/dδ: how the coordinate follows a step of the crossover
    prior_shift: Array  # 1σ of δ per session where pictures told; NaN where only the wander is known
    d0: float
    x_grid: Array
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Hyper:
    """One choice of what is averaged over: 1σ of the curve's bends and their length in x, of emission, crossover step
    (console units) and noise, with the logarithm of its prior weight.
    """

    amplitude: float
    length: float
    emission: float
    wander: float
    noise: float
    log_prior: float


def _hypers(measured: Sequence[float], scale: float) -> list[Hyper]:
    """The grid over which the curve is averaged, with prior weights (common practice, no source)."""
    amplitudes = ((0.08, 0.0), (0.25, 0.0), (0.6, -0.7))
    lengths = ((0.35, 0.0), (0.9, 0.0))
    emissions = ((0.0, -1.0), (0.03, 0.0), (0.08, 0.0), (0.2, -0.7), (0.5, -2.0))
    noises = ((0.0, 0.0), (0.02, 0.0), (0.05, -0.5), (0.12, -1.5))
    wanders = (
        [(w, 0.0) for w in measured]
        if measured
        else [(0.0, -1.0), (0.005 * scale, 0.0), (0.015 * scale, 0.0), (0.05 * scale, -1.0)]
    )
    return [
        Hyper(a, le, e, w, s, pa + pl + pe + pw + ps)
        for (a, pa), (le, pl), (e, pe), (w, pw), (s, ps) in product(amplitudes, lengths, emissions, wanders, noises)
    ]


def _coordinate(d: Array, d0: float) -> Array:
    return np.asarray(0.5 * np.log1p((d / d0) ** 2), dtype=np.float64)


def _curve_covariance(xa: Array, xb: Array, h: Hyper) -> Array:
    """Prior covariance of g: level, slope and a smooth rest; the level's and slope's means are taken off beforehand."""
    smooth = h.amplitude**2 * np.exp(-0.5 * ((xa[:, None] - xb[None, :]) / h.length) ** 2)
    return np.asarray(9.0 + 0.8**2 * xa[:, None] * xb[None, :] + smooth, dtype=np.float64)


_SLOPE = -1.2  # prior slope of ln I in x: between flat (nothing cut off) and −2 (an even, overfilling beam)


def session_crossover(crossover: Crossover, session: str) -> tuple[float, float | None]:
    """The crossover's reading in a session and its 1σ; the mean reading and ``None`` where its pictures do not tell."""
    found = crossover.by_session.get(session)
    return found if found is not None else (crossover.focus, None)


def arrays_of(pairs: Sequence[Pair], crossover: Crossover) -> PairData:
    """The pairs as arrays, in the coordinates of the fit."""
    names = tuple(sorted({p.session for p in pairs}))
    center = np.array([session_crossover(crossover, p.session)[0] for p in pairs])
    side = np.array([SIDES.index(side_of(p, crossover.focus)) for p in pairs])
    sign = np.where(side == 0, 1.0, -1.0)
    d = np.maximum((np.array([p.focus for p in pairs]) - center) * sign, 0.0)
    d0 = 0.25 * max(float(np.quantile(d, 0.9)), 1e-9)
    prior = np.array([session_crossover(crossover, n)[1] or np.nan for n in names])
    return PairData(
        np.array([p.log_current for p in pairs]),
        np.array([p.log_sigma for p in pairs]),
        side,
        np.array([names.index(p.session) for p in pairs]),
        _coordinate(d, d0),
        -sign * d / (d0**2 + d**2),
        prior,
        d0,
        np.linspace(0.0, float(_coordinate(np.array([_REACH * d.max()]), d0)[0]), _GRID),
        names,
    )


class Posterior:
    """Posterior over curves, emissions and crossover steps, averaged over the grid of hyperparameters."""

    def __init__(self, data: PairData, crossover: Crossover, today: str | None) -> None:
        self.data = data
        scale = float(np.max(data.d0 * np.sqrt(np.expm1(2 * data.x))))
        self.hypers = _hypers(crossover.wanders, scale)
        self.today = data.names.index(today) if today in data.names else None
        self.crossover = crossover
        self.level = {k: float((data.y - _SLOPE * data.x)[data.side == k].mean()) for k in set(data.side.tolist())}
        self.mean = np.array([self.level[k] for k in data.side]) + _SLOPE * data.x
        self.slope = np.full(len(data.y), _SLOPE)  # dg/dx at the pairs, for the effect of a crossover step
        self._weigh(self.hypers[len(self.hypers) // 2 :][:1])  # a first guess gives the slopes, they the rest
        self._slopes()
        self._weigh(self.hypers)

    def _wander(self, h: Hyper) -> Array:
        return np.where(np.isfinite(self.data.prior_shift), self.data.prior_shift, h.wander)

    def _covariances(self, hypers: Sequence[Hyper]) -> Array:
        """Prior covariance of the pairs for hyperparameters of one amplitude and length, shape (h, n, n)."""
        data = self.data
        same_side = data.side[:, None] == data.side[None, :]
        same_session = data.session[:, None] == data.session[None, :]
        curve = _curve_covariance(data.x, data.x, hypers[0]) * same_side
        effect = self.slope * data.to_focus
        step = np.array([effect * self._wander(h)[data.session] for h in hypers])
        emission = np.array([h.emission**2 for h in hypers])[:, None, None]
        out = curve + same_session * (emission + step[:, :, None] * step[:, None, :])
        index = np.arange(len(data.y))
        out[:, index, index] += data.own**2 + np.array([h.noise**2 for h in hypers])[:, None]
        return np.asarray(out, dtype=np.float64)

    def _root(self, h: Hyper) -> Array:
        return np.asarray(np.linalg.cholesky(self._covariances([h])[0]), dtype=np.float64)

    def _weigh(self, hypers: Sequence[Hyper]) -> None:
        """Posterior weights of the hyperparameters; those that hardly count are dropped."""
        from scipy.linalg import solve_triangular

        rest = self.data.y - self.mean
        groups: dict[tuple[float, float], list[Hyper]] = {}
        for h in hypers:
            groups.setdefault((h.amplitude, h.length), []).append(h)
        found: list[tuple[float, Hyper]] = []
        for group in groups.values():
            for start in range(0, len(group), _AT_ONCE):
                some = group[start : start + _AT_ONCE]
                root = np.linalg.cholesky(self._covariances(some))
                z = np.array([solve_triangular(r, rest, lower=True, check_finite=False) for r in root])
                half_log = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
                evidence = -0.5 * (z * z).sum(axis=1) - half_log
                found += [(float(e) + h.log_prior, h) for e, h in zip(evidence, some, strict=True)]
        top = max(e for e, _ in found)
        self.parts = [(float(np.exp(e - top)), h) for e, h in found if e - top > -6.0]
        self.best = max(self.parts, key=lambda p: p[0])[1]

    def _grid_mean(self, k: int, h: Hyper, root: Array) -> Array:
        data = self.data
        cross = _curve_covariance(data.x_grid, data.x, h) * (data.side == k)[None, :]
        alpha = np.linalg.solve(root.T, np.linalg.solve(root, data.y - self.mean))
        return np.asarray(self.level[k] + _SLOPE * data.x_grid + cross @ alpha, dtype=np.float64)

    def _slopes(self) -> None:
        h = self.best
        root = self._root(h)
        for k in self.level:
            g = monotone_rows(self._grid_mean(k, h, root)[None, :], increasing=False)[0]
            mine = self.data.side == k
            self.slope[mine] = np.interp(self.data.x[mine], self.data.x_grid, np.gradient(g, self.data.x_grid))

    def left_out(self) -> tuple[Array, Array]:
        """Standard scores and residuals of each pair against all others, at the best hyperparameters."""
        root = self._root(self.best)
        inverse = np.linalg.inv(root @ root.T)
        alpha = inverse @ (self.data.y - self.mean)
        variance = 1.0 / np.diag(inverse)
        return alpha * np.sqrt(variance), alpha * variance

    def draw(self, n: int, rng: np.random.Generator) -> tuple[dict[str, Array], Array, Array, Array]:
        """``n`` draws: curves (side → ln I on the grid, shape (n, m)), ln emission, crossover step, noise (n,)."""
        data = self.data
        sides = sorted(self.level)
        m = len(data.x_grid)
        weights = np.array([p[0] for p in self.parts])
        # Systematic resampling in batches: parts of small weight get their turn without a factorization each.
        marks = (np.arange(n // _BATCH) + rng.random()) / (n // _BATCH)
        picked = np.searchsorted(np.cumsum(weights / weights.sum()), marks).clip(max=len(weights) - 1)
        counts = _BATCH * np.bincount(picked, minlength=len(weights))
        curves: dict[str, list[Array]] = {SIDES[k]: [] for k in sides}
        gains, shifts, noises = [], [], []
        for (_, h), count in zip(self.parts, counts, strict=True):
            if count == 0:
                continue
            root = self._root(h)
            size = len(sides) * m + 2
            cross, prior = np.zeros((size, len(data.y))), np.zeros((size, size))
            mean = np.zeros(size)
            for i, k in enumerate(sides):
                block = slice(i * m, (i + 1) * m)
                cross[block] = _curve_covariance(data.x_grid, data.x, h) * (data.side == k)[None, :]
                prior[block, block] = _curve_covariance(data.x_grid, data.x_grid, h)
                mean[block] = self.level[k] + _SLOPE * data.x_grid
            wander = h.wander
            if self.today is not None:
                wander = float(self._wander(h)[self.today])
                mine = data.session == self.today
                cross[-2] = h.emission**2 * mine
                cross[-1] = wander**2 * self.slope * data.to_focus * mine
            prior[-2, -2], prior[-1, -1] = h.emission**2, wander**2
            half = np.linalg.solve(root, cross.T)
            mean = mean + half.T @ np.linalg.solve(root, data.y - self.mean)
            covariance = prior - half.T @ half
            # 1e-8 on the diagonal (1e-4 in ln I) keeps rounding from making it indefinite.
            lower = np.linalg.cholesky(0.5 * (covariance + covariance.T) + 1e-8 * np.eye(size))
            sample = mean + rng.normal(size=(count, size)) @ lower.T
            for i, k in enumerate(sides):
                curves[SIDES[k]].append(sample[:, i * m : (i + 1) * m])
            gains.append(sample[:, -2])
            shifts.append(sample[:, -1])
            noises.append(np.full(count, h.noise))
        return (
            {k: np.concatenate(v) for k, v in curves.items()},
            np.concatenate(gains),
            np.concatenate(shifts),
            np.concatenate(noises),
        )
