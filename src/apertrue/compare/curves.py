"""Current through the aperture against the beam's distance from its center: the physical transmission curves. Pure.

All lengths in aperture radii. A disc's curve is the overlap of two discs (lens area, textbook geometry), a soft edge is
the disc blurred by a normal distribution, and a Gaussian beam through an offset stop is a noncentral χ² distribution
with two degrees of freedom (one minus Marcum's Q).
"""

from math import pi

import numpy as np
from numpy.typing import NDArray

from ..model.overlap import disc_overlap

Array = NDArray[np.float64]

_ANGLES = np.asarray((np.arange(12) + 0.5) * (2 * pi / 12), dtype=np.float64)
_LAGUERRE_X, _LAGUERRE_W = np.polynomial.laguerre.laggauss(4)


def hard_disc_passed(distance: Array, ratio: float) -> Array:
    """Share of an even, sharp disc's current that passes the unit aperture.

    Args:
        distance: beam center from the aperture's, aperture radii, any shape, ≥ 0.
        ratio: beam radius ÷ aperture radius.

    Returns:
        lens area ÷ the disc's area, 0 to 1, the shape of ``distance``.
    """
    return np.asarray(disc_overlap(distance, ratio) / (ratio * ratio), dtype=np.float64)


def disc_passed(distance: Array, ratio: float, softness: float) -> Array:
    """The same for a disc whose edge is blurred: ``softness`` is the edge's 1σ ÷ the beam's radius.

    The mean of :func:`hard_disc_passed` over a two-dimensional normal displacement (Gauss–Laguerre in its squared
    length, equal steps in its direction); the blurred disc keeps its current.
    """
    d = np.asarray(distance, dtype=np.float64)
    s = softness * ratio
    if s <= 0:
        return hard_disc_passed(d, ratio)
    rho = s * np.sqrt(2.0 * _LAGUERRE_X)[:, None]
    far = np.sqrt(np.maximum(d[..., None, None] ** 2 + rho**2 + 2.0 * d[..., None, None] * rho * np.cos(_ANGLES), 0.0))
    return np.asarray(hard_disc_passed(far, ratio).mean(axis=-1) @ _LAGUERRE_W, dtype=np.float64)


def gaussian_passed(distance: Array, w: float) -> Array:
    """Share of a Gaussian beam, light ∝ exp(−2ρ²/w²), that passes the unit aperture at a distance.

    Noncentral χ² with two degrees of freedom at (2/w)², noncentrality (2·distance/w)²; for distance 0 it is
    1 − exp(−2/w²) (Siegman, Lasers, 1986; ISO 11145; from memory).
    """
    from scipy.special import chndtr

    d = np.asarray(distance, dtype=np.float64)
    k = 2.0 / w
    return np.asarray(chndtr(k * k, 2.0, (k * d) ** 2), dtype=np.float64)
