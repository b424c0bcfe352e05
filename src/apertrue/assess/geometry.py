"""Offset, gap and ellipticity from two edges, with their uncertainties. Pure formulas.

Sign conventions: pixel y points down; directions are counter-clockwise from +x as seen on the screen (90 is up).
Uncertainties are carried to first order (JCGM 100:2008, GUM, 5.1–5.2).
"""

from collections.abc import Callable
from math import atan2, degrees, hypot, sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: A value with its 1σ.
Measured = tuple[float, float]


def to_round(e1: Array, e2: Array) -> Array:
    """:meth:`apertrue.scene.Edge.to_round` for any number of edges, shape (…, 2, 2)."""
    n = 1.0 / np.sqrt(1 - e1 * e1 - e2 * e2)
    off = -e2 * n
    out: Array = np.stack([np.stack([(1 - e1) * n, off], axis=-1), np.stack([off, (1 + e1) * n], axis=-1)], axis=-2)
    return out


def plane_offset(p: Array) -> Array:
    """Beam center − aperture center in the plane where the aperture is the round unit disc, shape (…, 2), y down.

    Args:
        p: aperture's and beam's six parameters, shape (…, ≥ 12).
    """
    round_a = to_round(p[..., 3], p[..., 4])
    out: Array = (round_a @ (p[..., 6:8] - p[..., 0:2])[..., None])[..., 0] / p[..., 2:3]
    return out


_T = np.linspace(0, 2 * np.pi, 180, endpoint=False)
_CIRCLE = np.stack([np.cos(_T), np.sin(_T)])


def gap(p: Array) -> Array:
    """Smallest distance from the beam's edge inward to the aperture's, aperture radii; negative = overlap.

    For circles 1 − (offset + beam radius)/aperture radius. In general the beam edge's farthest point from the aperture's
    center, in the plane where the aperture is round: the largest of equally spaced points, refined by a parabola.

    Args:
        p: aperture's and beam's six parameters, shape (…, ≥ 12).

    Returns:
        the gap, shape (…).
    """
    # The inverse of a symmetric matrix of determinant 1 makes round again what the opposite ellipticity stretches.
    stretch = to_round(p[..., 3], p[..., 4]) @ to_round(-p[..., 9], -p[..., 10])
    points = plane_offset(p)[..., None] + stretch @ _CIRCLE * (p[..., 8] / p[..., 2])[..., None, None]
    far = np.hypot(points[..., 0, :], points[..., 1, :])
    k = np.argmax(far, axis=-1)[..., None]
    f0, f1, f2 = (np.take_along_axis(far, (k + d) % len(_T), axis=-1)[..., 0] for d in (-1, 0, 1))
    bend = f0 - 2 * f1 + f2
    top = f1 - np.where(bend < -1e-15, (f0 - f2) ** 2 / (8 * np.where(bend < -1e-15, bend, -1.0)), 0.0)
    return np.asarray(1.0 - top, dtype=np.float64)


def gradient(f: Callable[[Array], Array], p: Array, steps: Array) -> Array:
    """Central-difference Jacobian of a smooth vector function, shape (number of its values, len(p)).

    Args:
        f: takes parameters of shape (n, len(p)) and returns values of shape (n, number of values).
        p: where, shape (m,).
        steps: half the differences, shape (≤ m,): of the first parameters.
    """
    shifts = np.zeros((len(steps), len(p)))
    np.fill_diagonal(shifts, steps)
    high, low = np.split(f(np.concatenate([p + shifts, p - shifts])), 2)
    return np.asarray(((high - low) / (2 * steps[:, None])).T, dtype=np.float64)


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
