"""Current against gun-lens focus: one monotone curve a state and side, with its doubt, fitted over many sessions.

Model, for pair i of session s on side k: ln I = g_k(d) + γ_s + noise, d = |focus − crossover − δ_s|. g_k falls with d;
it is drawn from a Gaussian process around a straight line in x = ½ ln(1 + (d/d₀)²) (flat at crossover, a power law far
away); γ_s is the session's emission, δ_s its step of the crossover reading. The two sides share γ and δ (one gun, one
crossover) and never a curve. Amplitude, length, emission, wander and noise are not fitted but averaged over a grid with
their posterior weights, so that few pairs give wide intervals instead of false confidence; draws of g are made monotone
by projection onto falling curves (see :func:`apertrue.fitting.monotone.monotone_rows`).

Textbook: Rasmussen and Williams, "Gaussian Processes for Machine Learning", 2006, chapters 2 and 5 (from memory).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..fitting.monotone import isotonic, monotone_rows
from .crossover import Crossover, fit_crossover
from .pairs import Aside, GunState, Pair, RadiusReading

Array = NDArray[np.float64]

SIDES = ("positive", "negative")
#: Most recent pairs that enter a fit; the cost grows with the cube of their number.
MOST_PAIRS = 240
_GRID = 49
_REACH = 1.6  # how far beyond the outermost pair the curve is drawn
_DRAWS = 1200
_BATCH = 20
_AT_ONCE = 40  # hyperparameters weighed in one go; bounds the memory


@dataclass(frozen=True, slots=True, eq=False)
class SideCurve:
    """The curve of one side, as draws.

    Attributes:
        side: ``positive`` or ``negative``.
        distance: |focus − crossover| of the grid, console units, rising from 0, shape (m,).
        log_current: ln(pA) of a centered beam, draws of the falling curve, shape (k, m).
        reach: least and greatest distance that pairs cover, console units.
        n_pairs, n_sessions: behind it.
    """

    side: str
    distance: Array
    log_current: Array
    reach: tuple[float, float]
    n_pairs: int
    n_sessions: int

    @property
    def sign(self) -> float:
        """+1 for the positive side, −1 for the negative."""
        return 1.0 if self.side == "positive" else -1.0


@dataclass(frozen=True, slots=True, eq=False)
class CurrentModel:
    """Both curves of one state, and what one session's readings may differ by.

    Attributes:
        state: what it belongs to.
        crossover: the crossover's reading.
        curves: side → curve; a side without pairs is missing.
        gain: draws of the session's ln emission factor γ, shape (k,): today's where it was fitted, else a new one's.
        shift: draws of the session's crossover minus the mean crossover, console units, shape (k,).
        noise: draws of a single reading's own 1σ in ln I beyond its stated one, shape (k,).
        today: the session that ``gain`` and ``shift`` belong to; ``None`` = a new session of which nothing is known.
        pairs: those behind it.
        aside: pairs set aside, with the reason.
        rising: sides whose readings rise away from crossover beyond their doubt, which no beam does.
    """

    state: GunState
    crossover: Crossover
    curves: Mapping[str, SideCurve]
    gain: Array
    shift: Array
    noise: Array
    today: str | None
    pairs: tuple[Pair, ...]
    aside: tuple[Aside, ...]
    rising: tuple[str, ...] = ()


def side_of(pair: Pair, crossover: float) -> str:
    """The pair's side as stated, else by the sign of focus minus crossover."""
    return pair.side or ("positive" if pair.focus >= crossover else "negative")


def by_state(pairs: Iterable[Pair]) -> dict[GunState, list[Pair]]:
    """Pairs sorted into states, those with most pairs first."""
    out: dict[GunState, list[Pair]] = {}
    for pair in pairs:
        out.setdefault(pair.state, []).append(pair)
    return dict(sorted(out.items(), key=lambda item: (-len(item[1]), item[0].label)))


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
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
class _Hyper:
    amplitude: float
    length: float
    emission: float
    wander: float
    noise: float
    log_prior: float


def _hypers(measured: Sequence[float], scale: float) -> list[_Hyper]:
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
        _Hyper(a, le, e, w, s, pa + pl + pe + pw + ps)
        for (a, pa), (le, pl), (e, pe), (w, pw), (s, ps) in product(amplitudes, lengths, emissions, wanders, noises)
    ]


def _coordinate(d: Array, d0: float) -> Array:
    return np.asarray(0.5 * np.log1p((d / d0) ** 2), dtype=np.float64)


def _curve_covariance(xa: Array, xb: Array, h: _Hyper) -> Array:
    """Prior covariance of g: level, slope and a smooth rest; the level's and slope's means are taken off beforehand."""
    smooth = h.amplitude**2 * np.exp(-0.5 * ((xa[:, None] - xb[None, :]) / h.length) ** 2)
    return np.asarray(9.0 + 0.8**2 * xa[:, None] * xb[None, :] + smooth, dtype=np.float64)


_SLOPE = -1.2  # prior slope of ln I in x: between flat (nothing cut off) and −2 (an even, overfilling beam)


def fit_current(
    pairs: Sequence[Pair],
    radii: Sequence[RadiusReading] = (),
    *,
    today: str | None = None,
    rng: np.random.Generator,
) -> CurrentModel:
    """The curves of one state.

    Args:
        pairs: of one state (see :func:`by_state`), at least three on a side for that side's curve.
        radii: radius readings of the same instrument, for the crossover.
        today: the session whose emission and crossover step shall hold for answers; ``None`` = a new session.
        rng: source of the draws.

    Raises:
        ValueError: pairs of several states, or no side with three pairs at two different foci.
    """
    if len({p.state for p in pairs}) > 1:
        raise ValueError("pairs of several states never share a curve: fit each state alone")
    crossover = fit_crossover(radii) or Crossover(measured=False)
    aside: list[Aside] = []
    kept: list[Pair] = []
    near = 2.0 * (crossover.sigma + crossover.wander)
    for pair in _latest(pairs):
        distance = (pair.focus - _session_crossover(crossover, pair.session)[0]) * (
            1.0 if side_of(pair, crossover.focus) == "positive" else -1.0
        )
        if distance < -near - 1e-9:
            aside.append(Aside(pair.source, "its stated side does not fit the sign of its focus reading"))
        elif pair.side is None and abs(distance) <= near and near > 0:
            aside.append(Aside(pair.source, "too near the crossover to tell its side"))
        else:
            kept.append(pair)
    usable = {
        s for s in SIDES if len({p.focus for p in kept if side_of(p, crossover.focus) == s}) >= 2
        and sum(side_of(p, crossover.focus) == s for p in kept) >= 3
    }  # fmt: skip
    for pair in [p for p in kept if side_of(p, crossover.focus) not in usable]:
        aside.append(
            Aside(pair.source, f"fewer than three pairs at two foci on the {side_of(pair, crossover.focus)} side")
        )
    kept = [p for p in kept if side_of(p, crossover.focus) in usable]
    if not kept:
        raise ValueError(
            "no side has three currents at two different foci; note the current at a few more readings of the focus"
        )
    posterior, data, suspects = _without_outliers(kept, crossover, today)
    aside += [Aside(kept[i].source, why) for i, why in suspects.items()]
    kept = [p for i, p in enumerate(kept) if i not in suspects]
    curves, gain, shift, noise = posterior.draw(_DRAWS, rng)
    names = sorted({side_of(p, crossover.focus) for p in kept}, reverse=True)
    made = {}
    for name in names:
        mine = np.array([side_of(p, crossover.focus) == name for p in kept])
        d = data.d0 * np.sqrt(np.expm1(2 * data.x[mine]))
        grid = data.d0 * np.sqrt(np.expm1(2 * data.x_grid))
        made[name] = SideCurve(
            name,
            grid,
            monotone_rows(curves[name], increasing=False),
            (float(d.min()), float(d.max())),
            int(mine.sum()),
            len({p.session for p in kept if side_of(p, crossover.focus) == name}),
        )
    known = today if today in data.names else None
    return CurrentModel(
        kept[0].state,
        crossover,
        MappingProxyType(made),
        gain,
        shift,
        noise,
        known,
        tuple(kept),
        tuple(aside),
        tuple(n for n in names if _rises([p for p in kept if side_of(p, crossover.focus) == n], crossover)),
    )


def _rises(pairs: Sequence[Pair], crossover: Crossover) -> bool:
    """Whether the readings of one side contradict a current that falls away from crossover.

    Session by session (emission cancels), against the nearest falling sequence: residuals beyond twice the doubt in the
    mean square, and beyond 4 %.
    """
    chi2 = square = 0.0
    n = 0
    for session in {p.session for p in pairs}:
        mine = sorted(
            (p for p in pairs if p.session == session),
            key=lambda p: abs(p.focus - _session_crossover(crossover, session)[0]),
        )
        if len(mine) < 2:
            continue
        y, s = np.array([p.log_current for p in mine]), np.array([p.log_sigma for p in mine])
        rest = y - isotonic(y, 1.0 / s**2, increasing=False)
        chi2 += float(((rest / s) ** 2).sum())
        square += float((rest**2).sum())
        n += len(mine)
    return n >= 3 and chi2 > 4.0 * n and square > 0.04**2 * n


def _latest(pairs: Sequence[Pair]) -> list[Pair]:
    if len(pairs) <= MOST_PAIRS:
        return list(pairs)
    order = sorted(range(len(pairs)), key=lambda i: (pairs[i].at.timestamp() if pairs[i].at else 0.0, i))  # type: ignore[union-attr]
    keep = set(order[-MOST_PAIRS:])
    return [p for i, p in enumerate(pairs) if i in keep]


def _session_crossover(crossover: Crossover, session: str) -> tuple[float, float | None]:
    found = crossover.by_session.get(session)
    return found if found is not None else (crossover.focus, None)


def _arrays(pairs: Sequence[Pair], crossover: Crossover) -> _Data:
    names = tuple(sorted({p.session for p in pairs}))
    center = np.array([_session_crossover(crossover, p.session)[0] for p in pairs])
    side = np.array([SIDES.index(side_of(p, crossover.focus)) for p in pairs])
    sign = np.where(side == 0, 1.0, -1.0)
    d = np.maximum((np.array([p.focus for p in pairs]) - center) * sign, 0.0)
    d0 = 0.25 * max(float(np.quantile(d, 0.9)), 1e-9)
    prior = np.array([_session_crossover(crossover, n)[1] or np.nan for n in names])
    return _Data(
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


class _Posterior:
    """Posterior over curves, emissions and crossover steps, averaged over the grid of hyperparameters."""

    def __init__(self, data: _Data, crossover: Crossover, today: str | None) -> None:
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

    def _wander(self, h: _Hyper) -> Array:
        return np.where(np.isfinite(self.data.prior_shift), self.data.prior_shift, h.wander)

    def _covariances(self, hypers: Sequence[_Hyper]) -> Array:
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

    def _root(self, h: _Hyper) -> Array:
        return np.asarray(np.linalg.cholesky(self._covariances([h])[0]), dtype=np.float64)

    def _weigh(self, hypers: Sequence[_Hyper]) -> None:
        """Posterior weights of the hyperparameters; those that hardly count are dropped."""
        rest = self.data.y - self.mean
        groups: dict[tuple[float, float], list[_Hyper]] = {}
        for h in hypers:
            groups.setdefault((h.amplitude, h.length), []).append(h)
        found: list[tuple[float, _Hyper]] = []
        for group in groups.values():
            for start in range(0, len(group), _AT_ONCE):
                some = group[start : start + _AT_ONCE]
                root = np.linalg.cholesky(self._covariances(some))
                z = np.linalg.solve(root, np.broadcast_to(rest[:, None], (*root.shape[:2], 1)))[..., 0]
                half_log = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
                evidence = -0.5 * (z * z).sum(axis=1) - half_log
                found += [(float(e) + h.log_prior, h) for e, h in zip(evidence, some, strict=True)]
        top = max(e for e, _ in found)
        self.parts = [(float(np.exp(e - top)), h) for e, h in found if e - top > -6.0]
        self.best = max(self.parts, key=lambda p: p[0])[1]

    def _grid_mean(self, k: int, h: _Hyper, root: Array) -> Array:
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


def _without_outliers(
    pairs: Sequence[Pair], crossover: Crossover, today: str | None
) -> tuple[_Posterior, _Data, dict[int, str]]:
    """The posterior without pairs that no smooth falling curve explains: typing errors, wrong units, a lost beam."""
    suspects: dict[int, str] = {}
    while True:
        index = [i for i in range(len(pairs)) if i not in suspects]
        data = _arrays([pairs[i] for i in index], crossover)
        posterior = _Posterior(data, crossover, today)
        if len(index) < 6 or len(suspects) >= max(1, len(pairs) // 5):
            return posterior, data, suspects
        z, rest = posterior.left_out()
        worst = int(np.argmax(np.abs(z)))
        # Far off both in its own doubt and in plain size: a factor of two is never the meter's noise.
        if abs(z[worst]) < 4.0 or abs(rest[worst]) < 0.4:
            return posterior, data, suspects
        factor = float(np.exp(rest[worst]))
        digit = " (a digit too many or too few?)" if 7 < factor < 14 or 7 < 1 / factor < 14 else ""
        suspects[index[worst]] = f"its current is {factor:.2g} times what the other pairs tell{digit}"
