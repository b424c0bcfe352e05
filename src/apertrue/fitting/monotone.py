"""Monotone regression and monotone rearrangement. Pure numpy.

Source: pool adjacent violators, Ayer, Brunk, Ewing, Reid and Silverman, Ann. Math. Stat. 26:641–647, 1955 (from
memory); a test compares with ``scipy.optimize.isotonic_regression``.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def isotonic(y: ArrayLike, weights: ArrayLike | None = None, *, increasing: bool = True) -> Array:
    """The monotone sequence nearest to ``y`` in (weighted) least squares.

    Args:
        y: shape (n,), in order.
        weights: shape (n,), positive; equal when ``None``.
        increasing: non-decreasing, else non-increasing.

    Raises:
        ValueError: wrong shapes, values that are not finite, weights that are not positive.
    """
    v = np.asarray(y, dtype=np.float64)
    if v.ndim != 1 or not np.isfinite(v).all():
        raise ValueError("y must be one-dimensional and finite")
    w = np.ones_like(v) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != v.shape or not (np.isfinite(w).all() and (w > 0).all()):
        raise ValueError("weights must be positive and shaped like y")
    sign = 1.0 if increasing else -1.0
    means: list[float] = []
    sizes: list[float] = []
    counts: list[int] = []
    for value, weight in zip((sign * v).tolist(), w.tolist(), strict=True):
        count = 1
        while means and means[-1] >= value:  # a block that is not below the new one joins it
            value = (means[-1] * sizes[-1] + value * weight) / (sizes[-1] + weight)
            weight += sizes[-1]
            count += counts[-1]
            means.pop()
            sizes.pop()
            counts.pop()
        means.append(value)
        sizes.append(weight)
        counts.append(count)
    return np.asarray(sign * np.repeat(means, counts), dtype=np.float64)


def monotone_rows(rows: ArrayLike, *, increasing: bool = True) -> Array:
    """Each row made monotone: the nearest monotone sequence where it is not monotone already; shape (m, n).

    A draw from a Gaussian process becomes a draw of a monotone curve by this projection (Lin and Dunson, "Bayesian
    monotone regression using Gaussian process projection", Biometrika 101:303–317, 2014, from memory).
    """
    out = np.array(rows, dtype=np.float64)
    if out.ndim != 2:
        raise ValueError(f"rows must have shape (m, n), got {out.shape}")
    step = np.diff(out, axis=1)
    bad = (step < 0).any(axis=1) if increasing else (step > 0).any(axis=1)
    for k in np.flatnonzero(bad):
        out[k] = isotonic(out[k], increasing=increasing)
    return out
