"""Step 2: a narrow halo around the core, seen as a plateau of the light beyond the core's boundary.

One ray hardly shows an edge a few blocks beside another that is twenty times as high; the median over all rays does. Along the
flank of a blurred edge it falls ever faster, relative to what is left. A halo slows that fall down, until it ends.
"""

import numpy as np
from numpy.typing import NDArray

from .rays import Rays

Array = NDArray[np.float64]

#: Rays that must show the core's boundary, and all that lies so far beyond it.
LEAST_RAYS = 48
#: How far to look: this share of the core's radius and so many blocks, in steps of so many.
REACH, FURTHER, STEP = 0.5, 4.0, 0.5
#: The light is seen where its median exceeds so many of its own σ.
SEEN = 5.0
#: At its end a plateau falls faster than along itself by the first factor, and by this share of the flank's steepest fall.
ONCE_MORE, AS_STEEP = 2.0, 0.3
#: Fewest steps in which a flank, a plateau and its end can be told apart.
FEWEST = 6


def plateau_end(rays: Rays, boundary: Array, radius: float, dark: float) -> float | None:
    """How far beyond the core's boundary a plateau of fainter light ends, blocks; ``None`` where there is none.

    Args:
        rays: the picture along rays from the core's middle.
        boundary: the core's boundary on each ray, blocks; NaN where it does not show; shape (n,).
        radius: of the core, blocks.
        dark: dark level, gray levels.
    """
    shown = np.isfinite(boundary)
    if shown.sum() < LEAST_RAYS:
        return None
    away = np.arange(0.0, REACH * radius + FURTHER, STEP)
    light = _beyond(rays.value[shown], boundary[shown], away) - dark
    light = light[:, _first(np.isfinite(light).sum(axis=0) >= LEAST_RAYS)]
    level = np.nanmedian(light, axis=0)
    sigma = 1.25 * 1.4826 * np.nanmedian(np.abs(light - level), axis=0) / np.sqrt(len(light))
    n = len(level[_first(level > SEEN * sigma)])
    if n < FEWEST:
        return None
    # Where the light has ended, what is left counts no more than its scatter.
    left = np.log(np.maximum(level, sigma)[: n + 1])
    fall = left[:-2] - left[2:]  # over a whole block: half ones show the interpolation
    steady = np.flatnonzero((fall[1:-1] <= fall[:-2]) & (fall[1:-1] < fall[2:]))
    if not len(steady):
        return None
    first = int(steady[0]) + 1
    end = first + int(np.argmax(fall[first:]))
    if fall[end] < max(ONCE_MORE * float(fall[first]), AS_STEEP * float(fall[:first].max())):
        return None
    along = first + int(np.argmin(fall[first:end])) if end > first else first
    half = along + int(np.argmax(level[along : end + 3] < 0.5 * level[along]))
    return float(away[half if half > along else end])


def _beyond(value: Array, boundary: Array, away: Array) -> Array:
    """The light so far beyond the boundary on each ray, shape (rays, places); NaN outside the picture."""
    at = boundary[:, None] + away
    last = value.shape[1] - 2
    low = np.minimum(at.astype(np.intp), last)
    share = at - low
    row = np.arange(len(value))[:, None]
    light = value[row, low] * (1 - share) + value[row, low + 1] * share
    return np.where(share <= 1.0, light, np.nan)


def _first(good: NDArray[np.bool_]) -> slice:
    """The first places, up to the first that is not good."""
    return slice(0, len(good) if good.all() else int(np.argmin(good)))
