"""One edge by itself: a round step within its own band, whatever the light does elsewhere.

The joint fit shares one smooth light between both edges. Where no such light is in the picture (filaments, bright rims,
fibres, film), an edge still is a step along an ellipse: here the light on either side may change along the edge as it likes
(a Fourier series of the angle) and slope toward it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance, step_with_derivatives
from .basis import PRIOR_ELLIPTICITY
from .cells import Cells
from .doubts import unlike_step
from .find import Look
from .gather import gather
from .refine import bounded, clustered, hampel, huber, solve, spread_in
from .support import SECTORS, Band, Support, along, round_angle

Array = NDArray[np.float64]

#: Orders of the Fourier series along a bright edge: of the light outside, its slope and curvature; of the step, and its slope.
BRIGHT = (6, 3, 2, 6, 3)
#: … along a faint one: light that fades is less uneven than a beam's, and a faint step bears fewer terms.
FAINT = (4, 2, 1, 2, 1)
#: A faint edge is as wide as it was told to be, unless it stands out by so many σ.
CLEARLY = 30.0
#: Cells nearer to the other edge than so many of its widths are that edge's.
CLEAR = 3.5
#: Steps of one fit, bands gathered anew, and the smallest step (σ) that counts.
STEPS, PASSES, SMALL = 24, 3, 0.1
#: A fit whose last step was smaller than this (σ) came to rest, too.
CALM = 0.5
#: Steps in which far cells keep a pull.
PULLED = 4
#: One step moves an edge by no more than so many of its widths; after so many steps, by half of what it would: weights that
#: change with each step let it swing.
STRIDE, HALVED = 1.5, 10
#: A band is right when it was laid out within so many widths of the edge, for a width within these factors of its own.
SETTLED, NARROWER, WIDER = 0.5, 0.7, 1.5
#: Share of the doubt of where along its slope an edge lies that its center has, too: the light beside it is uneven all round.
ASIDE = 0.6
#: Fewest cells, and the least weight of one.
LEAST, NO_WEIGHT = 80, 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class LoneEdge:
    """An edge found by itself.

    Attributes:
        edge: its six parameters, px.
        covariance: of them, shape (6, 6), what the model misses included.
        at: what its stretches show.
        left: mean squared residual, each up to 8².
        settled: whether the fit came to rest.
        high: its mean step ÷ 1σ with all of the light free beside it: slopes that a step and its sides share leave it little.
    """

    edge: Array
    covariance: Array
    at: Support
    left: float
    settled: bool
    high: float


def lone_edge(first: Look, start: Array, other: Array | None = None, *, faint: bool = False) -> LoneEdge | None:
    """The round step near a start; ``None`` when the fit runs away or has no pixels.

    Args:
        first: the picture.
        start: about where it is, six parameters, px.
        other: another edge, whose surroundings are left out.
        faint: whether it is a faint one.
    """
    found = _found(first, start, other, FAINT if faint else BRIGHT, free=not faint)
    if not faint or found is None or found.at.significance < CLEARLY:
        return found
    return _found(first, found.edge, other, FAINT, free=True) or found


def _found(first: Look, start: Array, other: Array | None, orders: tuple[int, ...], *, free: bool) -> LoneEdge | None:
    """The fit, its band gathered anew until it lies about the edge; ``free``: as wide as it likes."""
    edge, fit = start, None
    for _ in range(PASSES):
        cells = _band(first, edge, other)
        if cells is None:
            return None
        fit = _fitted(first, cells, edge, orders, free=free, settled=fit is not None)
        if fit is None:
            return None
        before, edge = edge, fit.edge
        moved = np.hypot(*(edge[:2] - before[:2])) + abs(edge[2] - before[2])
        if moved < SETTLED * edge[5] and NARROWER < edge[5] / before[5] < WIDER:
            break
    return None if fit is None else _told(first, fit)


def _band(first: Look, edge: Array, other: Array | None) -> Cells | None:
    cells = gather(first.pixels, (edge, None))
    if cells is None:
        return None
    if other is not None:
        away = np.abs(distance(cells.at.aperture_x, cells.at.aperture_y, other))
        cells = cells.select(away > CLEAR * max(float(other[5]), 0.5))
    return cells if len(cells) >= LEAST else None


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """Where one fit ended: the edge, its cells, what it leaves of them, and the rows of its model scaled by their
    weights with their normal matrix; ``height`` is the row of the mean step's.
    """

    edge: Array
    cells: Cells
    heights: Array
    z: Array
    sigma: Array
    scaled: Array
    normal: Array
    weight: Array
    settled: bool
    height: int


def series(angle: Array, order: int) -> Array:
    """1, cos and sin of the multiples of an angle up to ``order``, shape (2·order + 1, n)."""
    waves = [f(k * angle) for k in range(1, order + 1) for f in (np.cos, np.sin)]
    return np.array([np.ones_like(angle), *waves])


def _fitted(
    first: Look, cells: Cells, start: Array, orders: tuple[int, ...], *, free: bool, settled: bool
) -> _Fitted | None:
    """Levenberg–Marquardt steps of the edge, all linear coefficients solved for on the way."""
    x, y, noise = cells.at.aperture_x, cells.at.aperture_y, first.noise
    angle = round_angle(x, y, start)
    across = distance(x, y, start)
    across = across / max(float(np.abs(across).max()), 1e-300)
    level, slope, curve, height, rise = (series(angle, k) for k in orders)
    outside = np.vstack([level, slope * across, curve * across**2])
    inside = np.vstack([height, rise * across])
    precision = np.zeros(6 + len(outside) + len(inside))
    precision[3:5] = 1.0 / PRIOR_ELLIPTICITY**2
    if not free:
        precision[5] = 1e12
    edge, weight, model = start.copy(), np.ones(len(cells)), cells.mean
    rest = calm = False
    for k in range(STEPS):
        step, slopes, _ = step_with_derivatives(x, y, edge)
        rows = np.vstack([outside, inside * step])
        sigma = np.sqrt(noise.mean_variance(np.maximum(model, noise.bias), cells.count))
        light = _light(rows * (np.sqrt(weight) / sigma), cells.mean * (np.sqrt(weight) / sigma))
        if light is None:
            return None
        model = light @ rows
        z = (cells.mean - model) / sigma
        spread = max(1.0, spread_in(z))
        weight = (huber if k < PULLED and not settled else hampel)(z / spread)
        root = np.sqrt(weight)
        scaled = np.vstack([slopes * (light[len(outside) :] @ inside), rows]) * (root / sigma)
        normal = scaled @ scaled.T
        normal.flat[:: len(normal) + 1] += precision + 1e-12 * np.trace(normal) / len(normal)
        gradient = scaled @ (z * root)
        gradient[3:5] -= precision[3:5] * edge[3:5]
        if not free:
            gradient[5] = 0.0
        if rest or k == STEPS - 1:
            around = np.arange(3 * SECTORS, dtype=np.float64) + 0.5
            heights = light[len(outside) :][: len(height)] @ series(around * (2 * np.pi / len(around)), orders[3])
            return _Fitted(edge, cells, heights, z, sigma, scaled, normal, weight, calm, 6 + len(outside))
        change = solve(normal, gradient, 1e-6)[:6]
        if not np.isfinite(change).all():
            return None
        most = np.abs(change) * np.array([1, 1, 1, edge[2], edge[2], 2])
        change = change * min(1.0, STRIDE * edge[5] / max(float(most.max()), 1e-300))
        if k >= HALVED:
            change = 0.5 * change
        last = float((np.abs(change) * np.sqrt(np.diag(normal)[:6])).max()) / spread
        rest, calm = last < SMALL, last < CALM
        edge = bounded(edge + change, start)
    return None


def _light(rows: Array, value: Array) -> Array | None:
    """The linear coefficients by least squares."""
    normal = rows @ rows.T
    normal.flat[:: len(normal) + 1] += 1e-10 * np.trace(normal) / len(normal)
    light = solve(normal, rows @ value, 0.0)
    return light if np.isfinite(light).all() else None


def _told(first: Look, fit: _Fitted) -> LoneEdge | None:
    """What a fit tells: the edge, its covariance (cluster-robust over tiles where that is larger) and its stretches; ``None``
    where its terms can't be told apart.
    """
    cells = fit.cells
    try:
        inverse = np.asarray(np.linalg.inv(fit.normal), dtype=np.float64)
    except np.linalg.LinAlgError:
        return None
    pull = fit.scaled * (np.sqrt(fit.weight) * fit.z)
    spread = max(1.0, spread_in(fit.z))
    covariance = clustered(inverse, pull, cells.tile, spread, 1.0)[:6, :6]
    excess = np.average(fit.weight * (fit.z**2 - 1.0) * fit.sigma**2, weights=cells.count)
    height = float(np.quantile(np.abs(fit.heights), 0.75))
    away = unlike_step(float(np.sqrt(max(excess, 0.0))), max(height, 1e-300), float(fit.edge[5]))
    if not np.isfinite(covariance).all():
        return None
    covariance[range(3), range(3)] += np.array([ASIDE * away, ASIDE * away, away]) ** 2
    unsure = fit.sigma / np.sqrt(np.maximum(fit.weight, NO_WEIGHT))
    band = Band(cells.at.aperture_x, cells.at.aperture_y, fit.z * fit.sigma, unsure)
    shape = (int(first.pixels.shape[0]), int(first.pixels.shape[1]))
    at = along(band, fit.edge, fit.heights, shape, least=height)
    high = float(np.mean(fit.heights)) / (spread * float(np.sqrt(max(inverse[fit.height, fit.height], 1e-300))))
    return LoneEdge(fit.edge, covariance, at, float(np.minimum(fit.z**2, 64.0).mean()), fit.settled, high)
