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
    w1, w2, v1, v2 = _round(x - edge[0], y - edge[1], edge[3], edge[4])
    q = np.hypot(w1, w2)
    v = np.hypot(v1, v2)
    out: Array = (edge[2] - q) * np.divide(q, v, out=np.ones_like(q), where=v > 0)
    return out


def _round(d1: Array, d2: Array, e1: float, e2: float) -> tuple[Array, Array, Array, Array]:
    n = 1.0 / np.sqrt(1 - e1 * e1 - e2 * e2)
    w1 = ((1 - e1) * d1 - e2 * d2) * n
    w2 = ((1 + e1) * d2 - e2 * d1) * n
    v1 = ((1 - e1) * w1 - e2 * w2) * n
    v2 = ((1 + e1) * w2 - e2 * w1) * n
    return w1, w2, v1, v2


def step(u: Array, width: float) -> Array:
    """Φ(u/width): 1 far inside, 0 far outside, ½ on the edge."""
    return cdf(u / width)


def step_with_derivatives(x: Array, y: Array, edge: Array) -> tuple[Array, Array]:
    """The blurred step at points and its derivatives with respect to the six edge parameters.

    Args:
        x, y: coordinates, px, shape (n,).
        edge: (x, y, radius, e1, e2, width).

    Returns:
        step: shape (n,).
        derivatives: shape (6, n), per px for x, y, radius, width and per 1 for e1, e2.
    """
    e1, e2, radius, s = float(edge[3]), float(edge[4]), float(edge[2]), float(edge[5])
    d1, d2 = x - edge[0], y - edge[1]
    n2 = 1.0 / (1 - e1 * e1 - e2 * e2)
    n = np.sqrt(n2)
    a, b, c = (1 - e1) * n, -e2 * n, (1 + e1) * n  # S = [[a, b], [b, c]]
    w1, w2 = a * d1 + b * d2, b * d1 + c * d2
    v1, v2 = a * w1 + b * w2, b * w1 + c * w2
    q = np.maximum(np.hypot(w1, w2), 1e-12)
    v = np.maximum(np.hypot(v1, v2), 1e-12)
    u = (radius - q) * q / v
    t = u / s
    value, phi = cdf_pdf(t)
    out = np.empty((6, x.size))
    # Each parameter moves w by dw and S by dS; u follows by the chain rule.
    k1 = (radius - 2 * q) / v
    k2 = u / (v * v)

    def along(dw1: Array | float, dw2: Array | float, ds_w1: Array | float = 0.0, ds_w2: Array | float = 0.0) -> Array:
        dq = (w1 * dw1 + w2 * dw2) / q
        dv1 = ds_w1 + a * dw1 + b * dw2
        dv2 = ds_w2 + b * dw1 + c * dw2
        return np.asarray(k1 * dq - k2 * (v1 * dv1 + v2 * dv2), dtype=np.float64)

    g = phi / s
    out[0] = along(-a, -b) * g
    out[1] = along(-b, -c) * g
    out[2] = q / v * g
    for row, e, (da, db, dc) in ((3, e1, (-n, 0.0, n)), (4, e2, (0.0, -n, 0.0))):
        f = e * n2
        ta, tb, tc = da + a * f, db + b * f, dc + c * f
        out[row] = along(ta * d1 + tb * d2, tb * d1 + tc * d2, ta * w1 + tb * w2, tb * w1 + tc * w2) * g
    out[5] = -t * g
    return value, out
