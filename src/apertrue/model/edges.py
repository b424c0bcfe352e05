"""A soft elliptical edge: signed distance, blurred step, and their analytic derivatives.

Formulas: with d = p − c, q = |S d| (S symmetric, det 1, makes the ellipse round) and v = S² d, the first-order signed
distance of p from the ellipse q = R is u = (R − q)/|∇q| = (R − q)·q/|v|, positive inside, where q² = d·v. It is exact for
circles and, near the edge, exact to first order for ellipses (Taubin 1991, IEEE PAMI 13:1115, from memory). A step blurred
by a Gaussian of 1σ width s is Φ(u/s), with Φ the normal distribution function.
"""

import numpy as np
from numpy.typing import NDArray

from .normal import cdf, cdf_pdf

Array = NDArray[np.float64]


def distance(x: Array, y: Array, edge: Array) -> Array:
    """Signed distance (px, positive inside) of points from an elliptical edge.

    Args:
        x, y: coordinates, px, any equal shapes.
        edge: (x, y, radius, e1, e2[, width]), see :class:`apertrue.scene.Edge`.
    """
    _, a, b, c = _square(float(edge[3]), float(edge[4]))
    d1, d2 = x - edge[0], y - edge[1]
    v1, v2 = a * d1, b * d1
    v1 += b * d2
    v2 += c * d2
    # q² = d·v; in place, since fresh memory costs more than the sums.
    d1 *= v1
    d2 *= v2
    d1 += d2
    d1 += 1e-24
    v1 *= v1
    v2 *= v2
    v1 += v2
    v1 += 1e-24
    stretch = np.sqrt(np.divide(d1, v1, out=v1), out=v1)
    out: Array = np.subtract(edge[2], np.sqrt(d1, out=d1), out=d1)
    out *= stretch
    return out


def _square(e1: float, e2: float) -> tuple[float, float, float, float]:
    """1/(1 − e²), and the three entries a, b, c of S² = [[a, b], [b, c]]."""
    n2 = 1.0 / (1 - e1 * e1 - e2 * e2)
    return n2, ((1 - e1) ** 2 + e2 * e2) * n2, -2 * e2 * n2, ((1 + e1) ** 2 + e2 * e2) * n2


def step(u: Array, width: float) -> Array:
    """Φ(u/width): 1 far inside, 0 far outside, ½ on the edge."""
    return cdf(u / width)


def step_with_derivatives(x: Array, y: Array, edge: Array, out: Array | None = None) -> tuple[Array, Array, Array]:
    """The blurred step at points and its derivatives with respect to the six edge parameters.

    Args:
        x, y: coordinates, px, shape (n,).
        edge: (x, y, radius, e1, e2, width).
        out: where to write the derivatives, shape (6, n).

    Returns:
        step: shape (n,).
        derivatives: shape (6, n), per px for x, y, radius, width and per 1 for e1, e2.
        slope: of the step along the distance, φ(u/width)/width, per px, shape (n,).
    """
    e1, e2, radius, s = float(edge[3]), float(edge[4]), float(edge[2]), float(edge[5])
    d1, d2 = x - edge[0], y - edge[1]
    n2, a, b, c = _square(e1, e2)
    v1, v2 = a * d1 + b * d2, b * d1 + c * d2
    q_square = d1 * v1 + d2 * v2 + 1e-24
    v_square = v1 * v1 + v2 * v2 + 1e-24
    q, stretch = np.sqrt(q_square), np.sqrt(q_square / v_square)
    u = (radius - q) * stretch
    t = u / s
    value, phi = cdf_pdf(t)
    if out is None:
        out = np.empty((6, x.size))
    g = phi / s
    # du = q/|v| dR + k1 q dq - k2 v·dv, with q dq = v·dd + dᵀ dS² d/2 and dv = S² dd + dS² d.
    k1 = (radius - 2 * q) * stretch / q_square * g
    k2 = u / v_square * g
    k2v1, k2v2 = k2 * v1, k2 * v2
    out[0] = a * k2v1 + b * k2v2 - k1 * v1
    out[1] = b * k2v1 + c * k2v2 - k1 * v2
    out[2] = stretch * g
    k1 *= 0.5
    h1, h2 = k1 * d1 - k2v1, k1 * d2 - k2v2
    s11, s12, s22 = d1 * h1, d1 * h2 + d2 * h1, d2 * h2
    for row, e, (da, db, dc) in ((3, e1, (e1 - 1, 0.0, e1 + 1)), (4, e2, (e2, -1.0, e2))):
        out[row] = (2 * n2 * (da + a * e)) * s11 + (2 * n2 * (db + b * e)) * s12 + (2 * n2 * (dc + c * e)) * s22
    out[5] = -t * g
    return value, out, g
