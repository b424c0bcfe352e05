"""Circles and ellipses through rough edge points, of which many may belong to something else."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance

Array = NDArray[np.float64]


def alike(edge: Array, other: Array, share: float) -> bool:
    """Whether an edge lies near another one all round, to this share of the other's radius (both x, y, radius, …)."""
    return bool(np.hypot(edge[0] - other[0], edge[1] - other[1]) + abs(edge[2] - other[2]) < share * other[2])


def in_blocks(edge: Sequence[float] | Array, size: int) -> Array:
    """An edge's place, radius and ellipticity in units of blocks."""
    half = (size - 1) / 2
    return np.array([(edge[0] - half) / size, (edge[1] - half) / size, edge[2] / size, edge[3], edge[4]])


def out_of_blocks(edge: Array, size: int) -> Array:
    """An edge's place, radius and ellipticity in px, from units of blocks."""
    half = (size - 1) / 2
    return np.array([edge[0] * size + half, edge[1] * size + half, edge[2] * size, edge[3], edge[4]])


def circle_by_vote(
    points: Array, weight: Array, tolerance: float, trials: int = 300
) -> tuple[Array, NDArray[np.bool_]] | None:
    """The circle that most of the points agree on (by weight), from many triples of them.

    Args:
        points: (n, 2), px or blocks.
        weight: how much each point's vote counts, shape (n,).
        tolerance: how far an agreeing point may lie from the circle; the farther, the less its vote counts.

    Returns:
        (x, y, radius) and the agreeing points, or ``None`` if there are fewer than 5 points. The triples are the same
        for the same number of points.
    """
    n = len(points)
    if n < 5:
        return None
    rng = np.random.default_rng(n)
    # Triples spread over the ring give well conditioned circles; near ones serve short arcs.
    gap = np.concatenate(
        [rng.integers(n // 6 + 1, n // 3 + 2, trials // 2), rng.integers(2, n // 6 + 3, trials - trials // 2)]
    )
    i = rng.integers(0, n, trials)
    j, k = (i + gap) % n, (i + 2 * gap) % n
    a, b, c = points[i], points[j], points[k]
    ab, ac = b - a, c - a
    cross = 2 * (ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0])
    ok = np.abs(cross) > 1e-9
    cross = np.where(ok, cross, 1.0)
    sab, sac = (ab**2).sum(axis=1), (ac**2).sum(axis=1)
    ux = (ac[:, 1] * sab - ab[:, 1] * sac) / cross
    uy = (ab[:, 0] * sac - ac[:, 0] * sab) / cross
    radius = np.hypot(ux, uy)
    cx, cy = a[:, 0] + ux, a[:, 1] + uy
    extent = float(np.ptp(points, axis=0).max())
    ok &= (radius < 1.5 * extent + 1) & (radius > 1.0)
    if not ok.any():
        return None
    cx, cy, radius = cx[ok], cy[ok], radius[ok]
    miss = np.hypot(points[:, 0] - cx[:, None], points[:, 1] - cy[:, None]) - radius[:, None]
    votes = (np.clip(1 - (miss / tolerance) ** 2, 0, None) * weight).sum(axis=1)
    best = int(np.argmax(votes))
    agree = np.abs(miss[best]) < tolerance
    return np.array([cx[best], cy[best], radius[best]]), agree


def fit_ellipse(
    points: Array, start: Array, tolerance: float, weight: Array | None = None, prior: float = 0.05
) -> Array | None:
    """Robust geometric ellipse fit to points by iterated reweighted least squares (Tukey's biweight).

    Args:
        points: (n, 2).
        start: (x, y, radius[, e1, e2]).
        tolerance: scale of a good point's miss, same unit; points beyond 4 × count nothing.
        weight: of each point.
        prior: 1σ of an ellipticity component before looking.

    Returns:
        (x, y, radius, e1, e2), or ``None`` if fewer than 5 points count.
    """
    p = np.zeros(5)
    p[: len(start[:5])] = start[:5]
    x, y = np.ascontiguousarray(points[:, 0]), np.ascontiguousarray(points[:, 1])
    precision = np.array([0.0, 0.0, 0.0, (tolerance / prior) ** 2, (tolerance / prior) ** 2])
    scale = 3.0 * tolerance
    rows = np.ones((5, len(x)))
    for _ in range(8):
        u = distance(x, y, p)  # positive inside: the edge must move in by u
        w = np.clip(1 - (u / (4 * scale)) ** 2, 0, None) ** 2
        if weight is not None:
            w *= weight
        if (w > 0.05).sum() < 5:
            return None
        co, si = x - p[0], y - p[1]
        away = np.hypot(co, si) + 1e-300
        co /= away
        si /= away
        rows[0], rows[1], rows[3], rows[4] = co, si, p[2] * (co * co - si * si), p[2] * (2 * co * si)
        weighted = rows * w
        normal = weighted @ rows.T
        normal.flat[:: len(normal) + 1] += precision + 1e-9
        step = np.linalg.solve(normal, -(weighted @ u) - precision * p)
        p = p + step
        e = float(np.hypot(p[3], p[4]))
        if e > 0.4:
            p[3:5] *= 0.4 / e
        if not np.isfinite(p).all() or p[2] <= 0:
            return None
        scale = max(tolerance, 0.6 * scale)
    return p


def coverage(points: Array, center: Array, bins: int = 48) -> float:
    """Share of directions around ``center`` in which there is a point, 0 to 1."""
    if not len(points):
        return 0.0
    phi = np.arctan2(points[:, 1] - center[1], points[:, 0] - center[0])
    return len(np.unique(np.floor((phi + np.pi) / (2 * np.pi) * bins).astype(int) % bins)) / bins
