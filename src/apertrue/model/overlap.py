"""Overlap of two even discs as arrays: textbook geometry (two circular segments). Pure numpy.

:func:`apertrue.model.transmission.lens_area` is the same for single numbers and any two radii; a test compares them.
"""

from math import pi

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def disc_overlap(distance: Array, ratio: float) -> Array:
    """Area common to the unit disc and a disc of radius ``ratio``, in areas of the unit disc.

    Args:
        distance: of the centers, unit radii, any shape, ≥ 0.
        ratio: the second disc's radius, > 0.

    Returns:
        0 to min(1, ratio²), the shape of ``distance``.
    """
    d = np.asarray(distance, dtype=np.float64)
    r = float(ratio)
    inside, outside = d <= abs(1.0 - r), d >= 1.0 + r
    safe = np.where(inside | outside, 1.0, d)
    c1 = np.clip((safe**2 + r * r - 1.0) / (2.0 * safe * r), -1.0, 1.0)
    c2 = np.clip((safe**2 + 1.0 - r * r) / (2.0 * safe), -1.0, 1.0)
    kite = (r + 1.0 - safe) * (safe + r - 1.0) * (safe - r + 1.0) * (safe + r + 1.0)
    lens = r * r * np.arccos(c1) + np.arccos(c2) - 0.5 * np.sqrt(np.maximum(kite, 0.0))
    out: Array = np.where(inside, min(1.0, r * r), np.where(outside, 0.0, lens / pi))
    return out
