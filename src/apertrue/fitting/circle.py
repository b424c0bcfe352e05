"""Circles through points: algebraic fits in closed form, the geometric fit (least squares of distances), a robust one.

Sources: the geometric fit and its algebraic forerunner follow Gander, Golub and Strebel, "Least-squares fitting of
circles and ellipses", BIT 34:558–578, 1994; Kåsa, IEEE Trans. Instrum. Meas. 25:8–14, 1976; Pratt, "Direct
least-squares fitting of algebraic surfaces", SIGGRAPH 1987; Taubin, IEEE PAMI 13:1115–1138, 1991; their singular-value
forms and the first-order covariance as in Chernov, "Circular and linear regression", 2010 (all from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations
from math import comb, inf, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ._marquardt import least_distances
from ._points import as_points, as_weights, inverse, start_scale
from ._robust import reweight, robust_covariance

Array = NDArray[np.float64]
Method = Literal["taubin", "pratt", "kasa", "norm1"]

_COLLINEAR = "the points lie on a straight line (or on one spot): no circle goes through them"
_MAX_RATIO = 1e6  # a radius beyond this many point spreads is a straight line for any use


@dataclass(frozen=True, slots=True, eq=False)
class CircleFit:
    """A fitted circle.

    Attributes:
        x, y, radius: center and radius, in the points' unit (px).
        covariance: of (x, y, radius), shape (3, 3), unit². From the given σ where there was one, else from the
            residuals; ``None`` for an exact fit through three points without σ.
        ssq: weighted sum of squared distances (χ² where σ was given, else unit²).
        dof: number of points (of weight > 0) − 3.
        weights: the points' last relative weights (robust fits: 0 = put aside, 1 = in full), shape (n,).
        iterations: of the geometric refinement; 0 for an algebraic fit.
        converged: whether it settled.
    """

    x: float
    y: float
    radius: float
    covariance: Array | None
    ssq: float
    dof: int
    weights: Array
    iterations: int = 0
    converged: bool = True

    @property
    def sigma(self) -> tuple[float, float, float] | None:
        """1σ of x, y and radius; ``None`` when the covariance is unknown."""
        if self.covariance is None:
            return None
        s = np.sqrt(np.diag(self.covariance))
        return float(s[0]), float(s[1]), float(s[2])

    def distances(self, points: ArrayLike) -> Array:
        """Signed distances of points (n, 2) from the circle, positive outside."""
        p = np.asarray(points, dtype=np.float64)
        return np.hypot(p[:, 0] - self.x, p[:, 1] - self.y) - self.radius


# --- algebraic -------------------------------------------------------------------------------------------------------


def _kasa(x: Array, y: Array, w: Array) -> tuple[float, float, float]:
    root = np.sqrt(w)
    design = np.stack([x, y, np.ones_like(x)], axis=1) * root[:, None]
    (p, q, c), _, rank, _ = np.linalg.lstsq(design, (x * x + y * y) * root, rcond=1e-12)
    if rank < 3:
        raise ValueError(_COLLINEAR)
    return p / 2, q / 2, sqrt(max(c + p * p / 4 + q * q / 4, 0.0))


def _from_coefficients(a: float, b1: float, b2: float, c: float) -> tuple[float, float, float]:
    """Circle a(x² + y²) + b1 x + b2 y + c = 0."""
    if abs(a) < 1e-14:
        raise ValueError(_COLLINEAR)
    cx, cy = -b1 / (2 * a), -b2 / (2 * a)
    return cx, cy, sqrt(max(cx * cx + cy * cy - c / a, 0.0))


def _taubin(x: Array, y: Array, w: Array) -> tuple[float, float, float]:
    z = x * x + y * y
    total = w.sum()
    mean = float(w @ z / total)
    z0 = (z - mean) / (2 * sqrt(mean))
    m = np.stack([z0, x, y], axis=1) * np.sqrt(w / total)[:, None]
    v = np.linalg.svd(m, full_matrices=False)[2][-1]
    a = v[0] / (2 * sqrt(mean))
    return _from_coefficients(a, v[1], v[2], -mean * a)


def _pratt(x: Array, y: Array, w: Array) -> tuple[float, float, float]:
    m = np.stack([x * x + y * y, x, y, np.ones_like(x)], axis=1) * np.sqrt(w / w.sum())[:, None]
    _, s, vt = np.linalg.svd(m, full_matrices=False)
    if len(s) == 4 and s[3] > 1e-12 * s[0]:
        # min |M u|² subject to B² + C² − 4AD = 1: the smallest positive eigenvalue of a symmetric 4×4 problem.
        rows = vt * s[:, None]
        constraint = np.array([[0, 0, 0, -0.5], [0, 1, 0, 0], [0, 0, 1, 0], [-0.5, 0, 0, 0]])
        values, vectors = np.linalg.eigh(rows @ constraint @ rows.T)
        u = vt.T @ (vectors[:, int(np.argmin(np.where(values > 0, values, inf)))] / s)
    else:
        u = np.linalg.svd(m, full_matrices=True)[2][-1]
    return _from_coefficients(u[0], u[1], u[2], u[3])


def _norm1(x: Array, y: Array, w: Array) -> tuple[float, float, float]:
    m = np.stack([x * x + y * y, x, y, np.ones_like(x)], axis=1) * np.sqrt(w)[:, None]
    u = np.linalg.svd(m, full_matrices=True)[2][-1]
    return _from_coefficients(u[0], u[1], u[2], u[3])


_ALGEBRAIC: dict[str, Callable[[Array, Array, Array], tuple[float, float, float]]] = {
    "kasa": _kasa,
    "taubin": _taubin,
    "pratt": _pratt,
    "norm1": _norm1,
}


def _algebraic(p: Array, w: Array, method: str) -> tuple[float, float, float]:
    if method == "norm1":  # depends on the coordinates' origin and scale by its nature: no centering
        return _norm1(p[:, 0], p[:, 1], w)
    mean = w @ p / w.sum()
    q = p - mean
    scale = sqrt(float(w @ (q * q).sum(axis=1)) / float(w.sum()))
    if not scale > 0:
        raise ValueError(_COLLINEAR)
    q = q / scale
    x, y, r = _ALGEBRAIC[method](q[:, 0], q[:, 1], w)
    if not r < _MAX_RATIO:
        raise ValueError(_COLLINEAR)
    return float(mean[0] + scale * x), float(mean[1] + scale * y), float(scale * r)


def fit_circle_algebraic(points: ArrayLike, sigma: ArrayLike | None = None, *, method: Method = "taubin") -> CircleFit:
    """A circle in closed form: quick, a good start, slightly biased on short noisy arcs.

    Args:
        points: (x, y) in px, shape (n, 2), n ≥ 3.
        sigma: radial 1σ of each point, px, one number or shape (n,); ``None`` = equal and unknown.
        method: ``taubin`` and ``pratt`` (small bias), ``kasa`` (pulls short arcs to small radii), ``norm1``
            (coefficients of norm 1; depends on the origin, kept as the published forerunner of the geometric fit).

    Raises:
        ValueError: too few or collinear points, wrong shapes.
    """
    if method not in _ALGEBRAIC:
        raise ValueError(f"method must be one of {', '.join(_ALGEBRAIC)}, got {method!r}")
    p = as_points(points, 3, "a circle")
    w = as_weights(sigma, len(p))
    x, y, r = _algebraic(p, np.ones(len(p)) if w is None else w, method)
    return _finish(p, w, x, y, r, 0, True)


# --- geometric -------------------------------------------------------------------------------------------------------


def _finish(p: Array, w: Array | None, x: float, y: float, r: float, iterations: int, converged: bool) -> CircleFit:
    dx, dy = p[:, 0] - x, p[:, 1] - y
    d = np.maximum(np.hypot(dx, dy), 1e-300)
    ww = np.ones(len(p)) if w is None else w
    f = d - r
    ssq = float(ww @ (f * f))
    dof = int(np.count_nonzero(ww)) - 3
    j = np.stack([-dx / d, -dy / d, np.full_like(d, -1.0)], axis=1)
    covariance: Array | None = inverse((j * ww[:, None]).T @ j)
    if covariance is not None and w is None:
        covariance = covariance * (ssq / dof) if dof > 0 else None
    return CircleFit(x, y, r, covariance, ssq, dof, np.ones(len(p)), iterations, converged)


def fit_circle(
    points: ArrayLike,
    sigma: ArrayLike | None = None,
    *,
    start: tuple[float, float, float] | None = None,
    max_iterations: int = 200,
) -> CircleFit:
    """The geometric fit: least (weighted) squares of the points' distances from the circle.

    Maximum likelihood for radial Gaussian errors. Levenberg–Marquardt with analytic Jacobian from Taubin's fit.

    Args:
        points: (x, y) in px, shape (n, 2), n ≥ 3.
        sigma: radial 1σ of each point, px, one number or shape (n,). Given, the covariance is absolute; ``None`` =
            equal and unknown, the covariance comes from the residuals.
        start: (x, y, radius) to start from, px.
        max_iterations: steps before it gives up (``converged`` is then false).

    Raises:
        ValueError: too few or collinear points, wrong shapes.
    """
    p = as_points(points, 3, "a circle")
    w = as_weights(sigma, len(p))
    return _geometric(p, w, start or _algebraic(p, np.ones(len(p)) if w is None else w, "taubin"), max_iterations)


def _geometric(p: Array, w: Array | None, start: tuple[float, float, float], max_iterations: int) -> CircleFit:
    origin = p.mean(axis=0)
    q = p - origin  # small numbers keep the normal equations well scaled
    scale = max(float(np.abs(q).max()), 1e-300)

    def distances(v: Array) -> tuple[Array, Array]:
        dx, dy = q[:, 0] - v[0], q[:, 1] - v[1]
        d = np.maximum(np.hypot(dx, dy), 1e-300)
        return d - v[2], np.stack([-dx / d, -dy / d, np.full_like(d, -1.0)], axis=1)

    v, iterations, converged = least_distances(
        np.array([start[0] - origin[0], start[1] - origin[1], start[2]]),
        np.ones(len(p)) if w is None else w,
        distances,
        lambda _, jacobian: jacobian,
        lambda step, now: bool(np.abs(step).max() <= 1e-11 * max(scale, abs(now[2]))),
        max_iterations=max_iterations,
    )
    if not abs(v[2]) < _MAX_RATIO * scale:
        raise ValueError(_COLLINEAR)
    x, y, r = float(v[0] + origin[0]), float(v[1] + origin[1]), float(abs(v[2]))
    return _finish(p, w, x, y, r, iterations, converged)


# --- robust ----------------------------------------------------------------------------------------------------------


def circles_through(triples: Array) -> Array:
    """Circles through three points each: shape (k, 3, 2) → (k, 3) of (x, y, radius), NaN where they are collinear."""
    a = triples[:, 0]
    b, c = triples[:, 1] - a, triples[:, 2] - a
    det = 2 * (b[:, 0] * c[:, 1] - b[:, 1] * c[:, 0])
    b2, c2 = (b * b).sum(axis=1), (c * c).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        ux = (c[:, 1] * b2 - b[:, 1] * c2) / det
        uy = (b[:, 0] * c2 - c[:, 0] * b2) / det
    out = np.stack([ux + a[:, 0], uy + a[:, 1], np.hypot(ux, uy)], axis=1)
    out[~np.isfinite(out).all(axis=1)] = np.nan
    return out


def fit_circle_robust(
    points: ArrayLike,
    sigma: ArrayLike | None = None,
    *,
    rng: np.random.Generator,
    inlier_share: float = 0.5,
    trials: int = 200,
    radius_range: tuple[float, float] = (0.0, inf),
    scale_floor: float = 0.0,
    max_iterations: int = 30,
) -> CircleFit:
    """A circle that up to 1 − ``inlier_share`` of the points may miss by any amount.

    The start is the best of many circles through three points (all triples where there are few, else drawn with
    ``rng``), judged by the ``inlier_share`` quantile of the distances (least quantile of squares, Rousseeuw 1984, from
    memory); then Tukey's biweight (c = 4.685, 95 % efficient) with the scale from the median of absolute residuals, the
    geometric fit in each round. The covariance is Huber's for M-estimators, on the residuals' own scale (at least that
    of a given σ).

    Args:
        points: (x, y) in px, shape (n, 2), n ≥ 4.
        sigma: radial 1σ of each point, px, one number or shape (n,); ``None`` = equal and unknown.
        rng: source of the drawn triples.
        inlier_share: share of points that surely lie on the circle, over 0 up to 1.
        trials: number of drawn triples.
        radius_range: least and greatest radius of a start, px.
        scale_floor: least 1σ of the residuals, px (σ units where ``sigma`` is given).
        max_iterations: rounds of reweighting.

    Raises:
        ValueError: too few points, or no start within ``radius_range``.
    """
    p = as_points(points, 4, "a robust circle")
    if not 0 < inlier_share <= 1:
        raise ValueError(f"inlier_share must lie in (0, 1], got {inlier_share}")
    n = len(p)
    w = as_weights(sigma, n)
    s = np.ones(n) if w is None else 1.0 / np.sqrt(w)
    start = _best_triple(p, s, rng, inlier_share, trials, radius_range)
    keep = max(3, round(inlier_share * n))

    def scaled(c: tuple[float, float, float]) -> Array:
        out: Array = (np.hypot(p[:, 0] - c[0], p[:, 1] - c[1]) - c[2]) / s
        return out

    floor = max(scale_floor, 1e-9 * start[2] / float(np.median(s)), 0.3 if w is not None else 0.0)

    def residuals(c: Array) -> Array:
        out: Array = (np.hypot(p[:, 0] - c[0], p[:, 1] - c[1]) - c[2]) / s
        return out

    def refit(weights: Array, c: Array) -> Array:
        fit = _geometric(p, weights / (s * s), (float(c[0]), float(c[1]), float(c[2])), 20)
        return np.array([fit.x, fit.y, fit.radius])

    # The quantile's normal-consistent scale; the half-sample start is refined by the reweighting.
    first = np.array(start)
    found = reweight(
        first,
        start_scale(residuals(first), keep, _normal_quantile(inlier_share), floor),
        floor,
        residuals,
        refit,
        lambda a, b: float(np.abs(b - a).max() / b[2]),
        least=4,
        few="fewer than four points agree on a circle",
        max_iterations=max_iterations,
    )
    x, y, r = (float(v) for v in found.parameters)
    dx, dy = p[:, 0] - x, p[:, 1] - y
    d = np.maximum(np.hypot(dx, dy), 1e-300)
    jacobian = np.stack([-dx / d, -dy / d, -np.ones(n)], axis=1) / s[:, None]
    covariance, ssq, dof = robust_covariance(found, jacobian, 1.0 if w is not None else 0.0)
    return CircleFit(x, y, r, covariance, ssq, dof, found.weights, found.rounds, found.converged)


def _best_triple(
    p: Array, s: Array, rng: np.random.Generator, share: float, trials: int, radius_range: tuple[float, float]
) -> tuple[float, float, float]:
    n = len(p)
    if comb(n, 3) <= trials:
        index = np.array(list(combinations(range(n), 3)))
    else:
        # Three different points each: offsets around the ring of indices, so that no draw is wasted.
        first = rng.integers(0, n, trials)
        gap1 = rng.integers(1, n - 1, trials)
        gap2 = rng.integers(1, n - gap1)
        index = np.stack([first, (first + gap1) % n, (first + gap1 + gap2) % n], axis=1)
    circles = circles_through(p[index])
    span = float(np.ptp(p, axis=0).max())
    low, high = max(radius_range[0], 1e-9 * span), min(radius_range[1], _MAX_RATIO * span)
    circles = circles[np.isfinite(circles[:, 0]) & (circles[:, 2] >= low) & (circles[:, 2] <= high)]
    if not len(circles):
        raise ValueError(_COLLINEAR if radius_range == (0.0, inf) else "no circle within the radius range")
    some = slice(None) if n <= 400 else rng.choice(n, 400, replace=False)
    q, sq = p[some], s[some]
    keep = max(3, round(share * len(q))) - 1
    distance = np.hypot(q[:, 0] - circles[:, :1], q[:, 1] - circles[:, 1:2])
    distance -= circles[:, 2:]
    np.abs(distance, out=distance)
    distance /= sq
    cost = np.partition(distance, keep, axis=1)[:, keep]
    best = circles[int(np.argmin(cost))]
    return float(best[0]), float(best[1]), float(best[2])


def _normal_quantile(share: float) -> float:
    """|z| below which ``share`` of a normal sample lies; capped at 3 (a share near 1 says nothing about outliers)."""
    from statistics import NormalDist

    return min(NormalDist().inv_cdf(0.5 + 0.5 * min(share, 0.9973)), 3.0)
