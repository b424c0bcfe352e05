"""Ellipses through points: a direct algebraic fit, the geometric fit (least squares of true distances), a robust one.

Sources: direct fit by Fitzgibbon, Pilu and Fisher, IEEE PAMI 21:476–480, 1999, in the stable form of Halíř and Flusser,
WSCG 1998, on centered and scaled points; geometric fit as in Gander, Golub and Strebel, BIT 34:558–578, 1994; foot
points by Newton's method on Eberly's convex function ("Distance from a point to an ellipse", 2013) (all from memory).

An ellipse is written as its center, the radius of the circle of equal area, and (e1, e2) = e·(cos 2φ, sin 2φ) with
e = (major − minor)/(major + minor): smooth where it becomes a circle, unlike two axes and an angle.
"""

from dataclasses import dataclass
from math import atan2, cos, pi, sin, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ._marquardt import least_distances
from ._points import as_points, as_weights, inverse, start_scale
from ._robust import reweight, robust_covariance
from .circle import fit_circle_robust

Array = NDArray[np.float64]

_NOT = "no ellipse goes through these points (they lie on a line, a parabola or a hyperbola)"
_MAX_E = 0.98


@dataclass(frozen=True, slots=True, eq=False)
class EllipseFit:
    """A fitted ellipse.

    Attributes:
        x, y: center, px.
        radius: geometric mean of the semi-axes, px.
        e1, e2: ellipticity components (1), φ from +x toward +y, as in :class:`apertrue.scene.Edge`.
        covariance: of (x, y, radius, e1, e2), shape (5, 5); from the given σ where there was one, else from the
            residuals; ``None`` when unknown.
        ssq: weighted sum of squared true distances (χ² where σ was given, else px²).
        dof: number of points − 5.
        weights: relative weights of a robust fit, shape (n,).
        iterations: of the geometric refinement; 0 for the direct fit.
        converged: whether it settled.
    """

    x: float
    y: float
    radius: float
    e1: float
    e2: float
    covariance: Array | None
    ssq: float
    dof: int
    weights: Array
    iterations: int = 0
    converged: bool = True

    @property
    def ellipticity(self) -> float:
        """(major − minor)/(major + minor)."""
        return sqrt(self.e1**2 + self.e2**2)

    @property
    def semi_axes(self) -> tuple[float, float]:
        """(semi-major, semi-minor), px."""
        k = sqrt((1 + self.ellipticity) / (1 - self.ellipticity))
        return self.radius * k, self.radius / k

    @property
    def angle_rad(self) -> float:
        """Direction of the major axis from +x toward +y, in [0, π)."""
        return 0.5 * atan2(self.e2, self.e1) % pi

    def distances(self, points: ArrayLike) -> Array:
        """Signed true distances of points (n, 2) from the ellipse, positive outside."""
        return _feet(np.asarray(points, dtype=np.float64), np.array([self.x, self.y, self.radius, self.e1, self.e2]))[0]


def _shape(v: Array) -> tuple[Array, float, float]:
    """The matrix that turns the unit circle into the ellipse, and the normalization's derivative factors."""
    e1, e2 = float(v[3]), float(v[4])
    n = 1.0 / sqrt(1 - e1 * e1 - e2 * e2)
    return np.array([[1 + e1, e2], [e2, 1 - e1]]) * n, n, n * n


def _feet(p: Array, v: Array) -> tuple[Array, Array, Array]:
    """Signed distances (n,), unit outward normals (n, 2) and unit-circle coordinates (n, 2) of the nearest points."""
    e = sqrt(float(v[3] ** 2 + v[4] ** 2))
    k = sqrt((1 + e) / (1 - e))
    a, b = v[2] * k, v[2] / k
    phi = 0.5 * atan2(v[4], v[3])
    c, s = cos(phi), sin(phi)
    d = p - v[:2]
    g0, g1 = c * d[:, 0] + s * d[:, 1], c * d[:, 1] - s * d[:, 0]
    y0, y1 = np.abs(g0), np.maximum(np.abs(g1), 1e-12 * b)
    a2, b2 = a * a, b * b
    # Root of F(t) = (a y0/(t + a²))² + (b y1/(t + b²))² − 1, convex and falling for t > −b²: Newton from the left.
    t = np.maximum(a * y0 - a2, b * y1 - b2)
    for _ in range(80):
        q0, q1 = a * y0 / (t + a2), b * y1 / (t + b2)
        f = q0 * q0 + q1 * q1 - 1
        slope = -2 * (q0 * q0 / (t + a2) + q1 * q1 / (t + b2))
        dt = f / slope
        t = t - dt
        if np.abs(dt).max() <= 1e-15 * a2:
            break
    co, si = a * y0 / (t + a2), b * y1 / (t + b2)
    length = np.hypot(co, si)
    co, si = co / length, si / length
    nx, ny = b * co, a * si
    n = np.hypot(nx, ny)
    nx, ny = nx / n, ny / n
    distance = (y0 - a * co) * nx + (y1 - b * si) * ny
    sx, sy = np.where(g0 < 0, -1.0, 1.0), np.where(g1 < 0, -1.0, 1.0)
    nx, ny, ux, uy = nx * sx, ny * sy, co * sx, si * sy
    normal = np.stack([c * nx - s * ny, s * nx + c * ny], axis=1)
    # The matrix of _shape is symmetric, so the unit-circle point is turned by φ as well.
    unit = np.stack([c * ux - s * uy, s * ux + c * uy], axis=1)
    return distance, normal, unit


def _jacobian(v: Array, normal: Array, unit: Array) -> Array:
    """d(signed distance)/d(x, y, radius, e1, e2): minus the normal part of the foot point's motion at fixed angle.

    At the foot the distance is stationary along the curve, so that only the motion along the normal counts.
    """
    m, n, n2 = _shape(v)
    j = np.empty((len(unit), 5))
    j[:, :2] = -normal
    mu = unit @ m
    j[:, 2] = -(normal * mu).sum(axis=1)
    r = float(v[2])
    for column, (e, direction) in ((3, (v[3], ((1.0, 0.0), (0.0, -1.0)))), (4, (v[4], ((0.0, 1.0), (1.0, 0.0))))):
        moved = unit @ np.array(direction) * n + mu * (e * n2)
        j[:, column] = -r * (normal * moved).sum(axis=1)
    return j


def _direct(p: Array, w: Array) -> Array:
    total = w.sum()
    mean = w @ p / total
    q = p - mean
    scale = sqrt(float(w @ (q * q).sum(axis=1) / total))
    if not scale > 0:
        raise ValueError(_NOT)
    x, y = q[:, 0] / scale, q[:, 1] / scale
    root = np.sqrt(w / total)[:, None]
    d1 = np.stack([x * x, x * y, y * y], axis=1) * root
    d2 = np.stack([x, y, np.ones_like(x)], axis=1) * root
    s1, s2, s3 = d1.T @ d1, d1.T @ d2, d2.T @ d2
    if np.linalg.cond(s3) > 1e14:
        raise ValueError(_NOT)
    t = -np.linalg.solve(s3, s2.T)
    m = s1 + s2 @ t
    m = np.stack([m[2] / 2, -m[1], m[0] / 2])
    values, vectors = np.linalg.eig(m)
    vectors = np.real(vectors[:, np.abs(np.imag(values)) < 1e-9])
    condition = 4 * vectors[0] * vectors[2] - vectors[1] ** 2
    good = np.flatnonzero(condition > 0)
    if not len(good):
        raise ValueError(_NOT)
    a1 = vectors[:, good[0]]
    A, B, C = a1
    D, E, F = t @ a1
    det = 4 * A * C - B * B
    cx, cy = (B * E - 2 * C * D) / det, (B * D - 2 * A * E) / det
    level = -(F + 0.5 * (D * cx + E * cy))
    matrix = np.array([[A, B / 2], [B / 2, C]]) / level
    inverse_axes, axes = np.linalg.eigh(matrix)
    if not (inverse_axes > 0).all():
        raise ValueError(_NOT)
    major, minor = 1 / np.sqrt(inverse_axes)
    e = (major - minor) / (major + minor)
    if not e < _MAX_E:
        raise ValueError(_NOT)
    phi = atan2(axes[1, 0], axes[0, 0])
    return np.array(
        [
            mean[0] + scale * cx,
            mean[1] + scale * cy,
            scale * sqrt(major * minor),
            e * cos(2 * phi),
            e * sin(2 * phi),
        ]
    )


def fit_ellipse_direct(points: ArrayLike, sigma: ArrayLike | None = None) -> EllipseFit:
    """An ellipse in closed form: always an ellipse, biased to smaller and flatter ones on short noisy arcs.

    Args:
        points: (x, y) in px, shape (n, 2), n ≥ 6.
        sigma: 1σ of each point across the edge, px, one number or shape (n,); ``None`` = equal and unknown.

    Raises:
        ValueError: too few points, or none of the conics through them is an ellipse.
    """
    p = as_points(points, 6, "an ellipse")
    w = as_weights(sigma, len(p))
    return _finish(p, w, _direct(p, np.ones(len(p)) if w is None else w), 0, True)


def fit_ellipse(
    points: ArrayLike,
    sigma: ArrayLike | None = None,
    *,
    start: tuple[float, float, float, float, float] | None = None,
    max_iterations: int = 300,
) -> EllipseFit:
    """The geometric fit: least (weighted) squares of the points' true distances from the ellipse.

    Args:
        points: (x, y) in px, shape (n, 2), n ≥ 6.
        sigma: 1σ of each point across the edge, px, one number or shape (n,). Given, the covariance is absolute;
            ``None`` = equal and unknown, the covariance comes from the residuals.
        start: (x, y, radius, e1, e2) to start from; the direct fit when ``None``.
        max_iterations: steps before it gives up (``converged`` is then false).

    Raises:
        ValueError: too few points, or none of the conics through them is an ellipse.
    """
    p = as_points(points, 6, "an ellipse")
    w = as_weights(sigma, len(p))
    first = np.array(start, dtype=np.float64) if start else _direct(p, np.ones(len(p)) if w is None else w)
    return _geometric(p, w, first, max_iterations)


def _geometric(p: Array, w: Array | None, start: Array, max_iterations: int) -> EllipseFit:
    origin = p.mean(axis=0)
    q = p - origin
    first = start.copy()
    first[:2] -= origin

    def distances(v: Array) -> tuple[Array, tuple[Array, Array]]:
        f, normal, unit = _feet(q, v)
        return f, (normal, unit)

    v, iterations, converged = least_distances(
        first,
        np.ones(len(p)) if w is None else w,
        distances,
        lambda v, seen: _jacobian(v, *seen),
        lambda step, now: bool(max(np.abs(step[:3]).max() / now[2], np.abs(step[3:]).max()) <= 1e-12),
        allowed=lambda v: bool(v[2] > 0 and v[3] ** 2 + v[4] ** 2 < _MAX_E**2),
        damping=1e-4,
        max_iterations=max_iterations,
    )
    v[:2] += origin
    return _finish(p, w, v, iterations, converged)


def _finish(p: Array, w: Array | None, v: Array, iterations: int, converged: bool) -> EllipseFit:
    ww = np.ones(len(p)) if w is None else w
    f, normal, unit = _feet(p, v)
    ssq = float(ww @ (f * f))
    dof = int(np.count_nonzero(ww)) - 5
    j = _jacobian(v, normal, unit)
    covariance = inverse((j * ww[:, None]).T @ j)
    if covariance is not None and w is None:
        covariance = covariance * (ssq / dof) if dof > 0 else None
    x, y, radius, e1, e2 = (float(c) for c in v)
    return EllipseFit(x, y, radius, e1, e2, covariance, ssq, dof, np.ones(len(p)), iterations, converged)


def fit_ellipse_robust(
    points: ArrayLike,
    sigma: ArrayLike | None = None,
    *,
    rng: np.random.Generator,
    inlier_share: float = 0.5,
    scale_floor: float = 0.0,
    max_iterations: int = 30,
) -> EllipseFit:
    """An ellipse near a circle (ellipticity up to about 0.2) despite outliers.

    A robust circle is the start, Tukey-weighted ellipses follow. The reach of the weights starts wide enough for the
    ellipse's own departure from the circle and shrinks to the residuals' scale. Arguments as in
    :func:`apertrue.fitting.circle.fit_circle_robust`; n ≥ 8.

    Raises:
        ValueError: too few points, or fewer than eight agree.
    """
    p = as_points(points, 8, "a robust ellipse")
    n = len(p)
    w = as_weights(sigma, n)
    s = np.ones(n) if w is None else 1.0 / np.sqrt(w)
    circle = fit_circle_robust(p, sigma, rng=rng, inlier_share=inlier_share, scale_floor=scale_floor)
    start = np.array([circle.x, circle.y, circle.radius, 0.0, 0.0])
    floor = max(scale_floor, 1e-9 * circle.radius / float(np.median(s)), 0.3 if w is not None else 0.0)

    def residuals(v: Array) -> Array:
        out: Array = _feet(p, v)[0] / s
        return out

    def refit(weights: Array, v: Array) -> Array:
        fit = _geometric(p, weights / (s * s), v, 15)
        return np.array([fit.x, fit.y, fit.radius, fit.e1, fit.e2])

    found = reweight(
        start,
        start_scale(residuals(start), max(8, round(inlier_share * n)), 0.6745, floor),
        floor,
        residuals,
        refit,
        lambda a, b: float(np.abs(b[:3] - a[:3]).max() / b[2] + np.abs(b[3:] - a[3:]).max()),
        least=8,
        few="fewer than eight points agree on an ellipse",
        max_iterations=max_iterations,
    )
    _, normal, unit = _feet(p, found.parameters)
    jacobian = _jacobian(found.parameters, normal, unit) / s[:, None]
    covariance, ssq, dof = robust_covariance(found, jacobian, 1.0 if w is not None else 0.0)
    x, y, radius, e1, e2 = (float(c) for c in found.parameters)
    return EllipseFit(x, y, radius, e1, e2, covariance, ssq, dof, found.weights, found.rounds, found.converged)
