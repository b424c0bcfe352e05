"""Parts of a sensor that gave nothing: a rectangle of one exact level, such as a dead quadrant."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .reduce import as_floats

#: Sides of the grid of samples that is looked at.
SAMPLES = 128
#: Least and most share of the picture that such a part takes.
LEAST, MOST = 0.04, 0.6
#: Share of the part's samples at the one level, and of all others, at most.
FULL, ELSEWHERE = 0.995, 0.05


def without_dead_part(pixels: NDArray[Any]) -> NDArray[Any]:
    """The picture with a dead rectangle marked as missing (NaN), or the picture itself when there is none.

    A dead rectangle touches two sides of the picture, holds one level and no noise, while the rest of the picture hardly
    ever shows that level (a dark picture without noise does, and is left as it is).

    Args:
        pixels: 2-D, any dtype.
    """
    rows, columns = pixels.shape
    step = max(1, (min(rows, columns) - 2) // SAMPLES)
    # A sample is flat when it and its neighbors all hold the level: noise does that nowhere.
    shifted = [pixels[dy : rows - 2 + dy : step, dx : columns - 2 + dx : step] for dy in range(3) for dx in range(3)]
    seen = shifted[0].copy()  # asked for several levels: read from the picture once
    if min(seen.shape) < 4:
        return pixels
    for level in {seen[i, j].item() for i in (0, -1) for j in (0, -1)}:
        flat = seen == level
        if np.count_nonzero(flat) < LEAST * flat.size:
            continue
        for other in shifted[1:]:
            flat &= other == level
        if not LEAST < flat.mean() < MOST:
            continue
        ys, xs = np.flatnonzero(flat.mean(axis=1) > 0.2), np.flatnonzero(flat.mean(axis=0) > 0.2)
        if not len(ys) or not len(xs):
            continue
        box = (slice(ys[0], ys[-1] + 1), slice(xs[0], xs[-1] + 1))
        inside = flat[box]
        outside = int(flat.sum() - inside.sum()) / max(flat.size - inside.size, 1)
        touches = sum(map(int, (ys[0] == 0, ys[-1] == len(seen) - 1, xs[0] == 0, xs[-1] == seen.shape[1] - 1)))
        if inside.mean() < FULL or outside > ELSEWHERE or touches < 2:
            continue
        out = as_floats(pixels)
        # The rectangle's own border lies between two samples: whole rows and columns of the level belong to it.
        top, bottom = _grown(pixels, level, ys[0] * step, ys[-1] * step, xs[0] * step, xs[-1] * step, 0)
        left, right = _grown(pixels, level, ys[0] * step, ys[-1] * step, xs[0] * step, xs[-1] * step, 1)
        out[top : bottom + 1, left : right + 1] = np.nan
        return out
    return pixels


def _grown(
    pixels: NDArray[Any], level: Any, top: int, bottom: int, left: int, right: int, axis: int
) -> tuple[int, int]:
    """The first and last row (axis 0) or column (axis 1) of the rectangle, from its sampled ones outward."""
    part = pixels[:, left : right + 1] if axis == 0 else pixels[top : bottom + 1].T
    low, high = (top, bottom) if axis == 0 else (left, right)
    whole = (part == level).mean(axis=1) > 0.99
    while low > 0 and whole[low - 1]:
        low -= 1
    while high < len(part) - 1 and whole[high + 1]:
        high += 1
    return low, high
