"""A soft elliptical edge: signed distance, blurred step, and their analytic derivatives.

Formulas: with d = p − c, w = S d (S symmetric, det 1, makes the ellipse round), q = |w| and v = S w, the first-order
signed distance of p from the ellipse |w| = R is u = (R − q)/|∇q| = (R − q)·q/|v|, positive inside. It is exact for
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
    e1, e2 = float(edge[3]), float(edge[4])
    n2 = 1.0 / (1 - e1 * e1 - e2 * e2)
    a, b, c = ((1 - e1) ** 2 + e2 * e2) * n2, -2 * e2 * n2, ((1 + e1) ** 2 + e2 * e2) * n2  # S² = [[a, b], [b, c]]
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
    n2 = 1.0 / (1 - e1 * e1 - e2 * e2)
    n = np.sqrt(n2)
    a, b, c = (1 - e1) * n, -e2 * n, (1 + e1) * n  # S = [[a, b], [b, c]]
    w1, w2 = a * d1 + b * d2, b * d1 + c * d2
    v1, v2 = a * w1 + b * w2, b * w1 + c * w2
    q = np.sqrt(w1 * w1 + w2 * w2 + 1e-24)
    v_square = v1 * v1 + v2 * v2 + 1e-24
    v = np.sqrt(v_square)
    stretch = q / v
    u = (radius - q) * stretch
    t = u / s
    value, phi = cdf_pdf(t)
    if out is None:
        out = np.empty((6, x.size))
    g = phi / s
    # du = q/v dR + k1 dq − k2 v·dv, with dq = w·dw/q and dv = dS w + S dw: collected by dw (h) and by dS (k2 v wᵀ).
    k1 = (radius - 2 * q) / (v * q) * g
    k2 = u / v_square * g
    h1, h2 = k1 * w1 - k2 * (a * v1 + b * v2), k1 * w2 - k2 * (b * v1 + c * v2)
    out[0] = -(a * h1 + b * h2)
    out[1] = -(b * h1 + c * h2)
    out[2] = stretch * g
    k2v1, k2v2 = k2 * v1, k2 * v2
    s11 = h1 * d1 - k2v1 * w1
    s12 = h1 * d2 + h2 * d1 - k2v1 * w2 - k2v2 * w1
    s22 = h2 * d2 - k2v2 * w2
    for row, e, (da, db, dc) in ((3, e1, (-n, 0.0, n)), (4, e2, (0.0, -n, 0.0))):
        f = e * n2
        out[row] = (da + a * f) * s11 + (db + b * f) * s12 + (dc + c * f) * s22
    out[5] = -t * g
    return value, out, g
