"""Checks and weights shared by the fits of points."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def as_points(points: ArrayLike, at_least: int, what: str) -> Array:
    """``points`` as floats of shape (n, 2).

    Raises:
        ValueError: wrong shape, fewer than ``at_least`` points, or a coordinate that is not finite.
    """
    p = np.asarray(points, dtype=np.float64)
    if p.ndim != 2 or p.shape[1] != 2:
        raise ValueError(f"points must have shape (n, 2), got {p.shape}")
    if len(p) < at_least:
        raise ValueError(f"{what} needs at least {at_least} points, got {len(p)}")
    if not np.isfinite(p).all():
        raise ValueError("points must be finite; drop the missing ones first")
    return p


def as_weights(sigma: ArrayLike | None, n: int) -> Array | None:
    """1/σ² as shape (n,), or ``None`` for equal weights of unknown size.

    Raises:
        ValueError: a σ that is not positive and finite, or a wrong shape.
    """
    if sigma is None:
        return None
    s = np.asarray(sigma, dtype=np.float64)
    if s.ndim == 0:
        s = np.full(n, float(s))
    if s.shape != (n,):
        raise ValueError(f"sigma must be one number or shape ({n},), got {s.shape}")
    if not (np.isfinite(s).all() and (s > 0).all()):
        raise ValueError("every sigma must be positive and finite")
    return 1.0 / (s * s)


def inverse(normal: Array) -> Array | None:
    """The covariance that a normal matrix gives; ``None`` where it can't be inverted to positive variances."""
    try:
        out = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    except np.linalg.LinAlgError:
        return None
    return out if np.isfinite(out).all() and (np.diag(out) > 0).all() else None


def start_scale(residuals: Array, keep: int, quantile: float, floor: float) -> float:
    """Robust 1σ to start with: the ``keep``-th smallest residual ÷ its normal ``quantile``."""
    return max(float(np.sort(np.abs(residuals))[min(keep, len(residuals)) - 1]) / quantile, floor)
