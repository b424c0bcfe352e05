"""Offset, gap and ellipticity from two edges, with their uncertainties. Pure formulas.

Sign conventions: pixel y points down; directions are counter-clockwise from +x as seen on the screen (90 is up).
Uncertainties are carried to first order (JCGM 100:2008, GUM, 5.1–5.2).
"""

from collections.abc import Callable
from math import atan2, degrees, hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from ..scene import Edge

Array = NDArray[np.float64]

#: A value with its 1σ.
Measured = tuple[float, float]


def edge_of(p: Array) -> Edge:
    """An edge from its six parameters."""
    x, y, radius, e1, e2, width = (float(v) for v in p[:6])
    return Edge(x, y, radius, e1, e2, width)


def plane_offset(p: Array) -> Array:
    """Beam center − aperture center in the plane where the aperture is the round unit disc, shape (2,), y down.

    Args:
        p: aperture's and beam's six parameters, shape (≥ 12,).
    """
    a = edge_of(p[:6])
    out: Array = a.to_round() @ (p[6:8] - p[0:2]) / p[2]
    return out


def gap(p: Array) -> float:
    """Smallest distance from the beam's edge inward to the aperture's, aperture radii; negative = overlap.

    For circles 1 − (offset + beam radius)/aperture radius. In general the beam edge's farthest point from the aperture's
    center, in the plane where the aperture is round: the largest of equally spaced points, refined by a parabola.
    """
    a, b = edge_of(p[:6]), edge_of(p[6:12])
    points = (b.outline(180) - p[0:2]) @ a.to_round().T / p[2]
    far = np.hypot(points[:, 0], points[:, 1])
    k = int(np.argmax(far))
    f0, f1, f2 = far[k - 1], far[k], far[(k + 1) % len(far)]
    bend = f0 - 2 * f1 + f2
    top = f1 - (f0 - f2) ** 2 / (8 * bend) if bend < -1e-15 else f1
    return float(1.0 - top)


def gradient(f: Callable[[Array], Array], p: Array, steps: Array) -> Array:
    """Central-difference Jacobian of a smooth vector function, shape (len(f), len(p))."""
    columns = []
    for i, h in enumerate(steps):
        d = np.zeros_like(p)
        d[i] = h
        columns.append((f(p + d) - f(p - d)) / (2 * h))
    return np.stack(columns, axis=-1)


def steps_for(p: Array) -> Array:
    """Difference steps for two edges' parameters: 1e-4 of the radii, 1e-5 for ellipticities."""
    out = np.empty(12)
    for s in (0, 6):
        out[s : s + 3] = 1e-4 * p[s + 2]
        out[s + 3 : s + 5] = 1e-5
        out[s + 5] = 1e-4 * p[s + 2]
    return out


def _polar(x: float, y: float, covariance: Array) -> tuple[Measured, float | None]:
    """Length of a vector with its 1σ along it, and the 1σ of its angle in rad.

    The angle's is ``None`` when the length is under 2σ, along the vector or across it: then it has no direction.
    """
    length = hypot(x, y)
    if length == 0:
        return (0.0, sqrt(max(float(np.trace(covariance)) / 2, 0.0))), None
    u = np.array([x, y]) / length
    v = np.array([-u[1], u[0]])
    along = sqrt(max(float(u @ covariance @ u), 0.0))
    across = sqrt(max(float(v @ covariance @ v), 0.0))
    if length < 2 * along or length < 2 * across:
        return (length, along), None
    return (length, along), across / length


def length_and_direction(x: float, y: float, covariance: Array) -> tuple[Measured, Measured | None]:
    """Length of a vector (y down) and its direction in degrees [0, 360), each with 1σ.

    The direction is ``None`` when the length is under 2σ.
    """
    length, angle = _polar(x, y, covariance)
    return length, None if angle is None else (degrees(atan2(-y, x)) % 360.0, degrees(angle))


def ellipticity(e1: float, e2: float, covariance: Array) -> tuple[Measured, Measured | None]:
    """Ellipticity and major axis direction in degrees [0, 180), each with 1σ; axis ``None`` when under 2σ."""
    e, angle = _polar(e1, e2, covariance)
    return e, None if angle is None else (degrees(-0.5 * atan2(e2, e1)) % 180.0, degrees(0.5 * angle))
