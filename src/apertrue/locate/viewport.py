"""The camera's picture in a screenshot of a whole window, among panels, buttons and title bars."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Samples across the short side that are looked at.
SAMPLES = 400
#: The window's own plain level covers at least and at most this share of a screenshot.
PLAIN = (0.08, 0.9)
#: So many of the commonest levels are tried.
LEVELS = 4
#: Gray levels (÷ the picture's range) within which that level is one; in a lossy file.
SLACK, LOSSY_SLACK = 0.004, 0.03
#: Least share of the screenshot that the camera's picture takes; share of a line along its sides that is not, and beside it
#: that is, the window's plain level.
LEAST, INSIDE, BESIDE = 0.05, 0.95, 0.8
#: Lines taken off each side, px: a scaled picture blends into the window; and how far a lossy file's fringes reach.
BLENDED, FRINGE = 2, 8

#: How deep along the sides panels are looked for (÷ the short side), the share of that which one level must have, and by which
#: share of a line it must come or go at a step, between the middles of so many lines.
RING, PANEL, STEP, STEADY = 0.05, 0.2, 0.45, 7

Box = tuple[int, int, int, int]


def window_seen(pixels: NDArray[Any]) -> bool:
    """Whether panels of one gray level stand along the sides of a picture without loss, with straight steps to what is within.

    The share of a row or column that has the panels' level falls or rises at such a step from one line to the next but
    few; along the edge of a disc it changes slowly.

    Args:
        pixels: the picture, 2-D; whole numbers of more than 8 bits are a camera's own.
    """
    depth = max(2, round(RING * min(pixels.shape)))
    if min(pixels.shape) < 4 * depth or (pixels.dtype.kind in "ui" and pixels.dtype.itemsize > 1):
        return False
    skip, apart = max(1, min(pixels.shape) // SAMPLES), max(1, depth // 8)
    sides = (pixels[:depth], pixels[-depth:], pixels[:, :depth].T, pixels[:, -depth:].T)
    ring = np.concatenate([side[::apart, ::skip].ravel() for side in sides])
    values, counts = np.unique(ring, return_counts=True)
    most = int(np.argmax(counts))
    if counts[most] < PANEL * ring.size:
        return False
    for lines in (pixels[:, ::skip], pixels[::skip].T):
        share = (lines == values[most]).mean(axis=1)
        # A dead line is a step and back: the middle of some lines.
        steady = np.median(np.lib.stride_tricks.sliding_window_view(share, STEADY), axis=1)
        if np.abs(steady[STEADY:] - steady[:-STEADY]).max() < STEP:
            return False
    return True


def viewport(pixels: NDArray[Any], *, lossy: bool = False) -> Box | None:
    """(left, top, right, bottom) of an upright rectangle in a window's plain level, px; ``None`` when there is none.

    A disc on a dark level that is plain, too, has no straight sides.

    Args:
        pixels: the picture, 2-D.
        lossy: whether a lossy compression blurred the plain level.
    """
    from scipy import ndimage  # only few pictures need it

    step = max(1, min(pixels.shape) // SAMPLES)
    small = pixels[::step, ::step].astype(np.float64)
    finite = small[np.isfinite(small)]
    if finite.size < SAMPLES:
        return None
    low, high = float(finite.min()), float(finite.max())
    if not high > low:
        return None
    slack = (LOSSY_SLACK if lossy else SLACK) * (high - low)
    counts, sides = np.histogram(finite, bins=round(0.5 * (high - low) / slack))
    # The window's level is the commonest, or comes after those of the camera's picture.
    for k in np.argsort(counts)[::-1][:LEVELS]:
        level = float(sides[k] + sides[k + 1]) / 2
        sampled = np.abs(small - level) <= slack
        if not PLAIN[0] < float(sampled.mean()) < PLAIN[1]:
            continue
        labels, _ = ndimage.label(~sampled)
        areas = np.bincount(labels.ravel())
        areas[0] = 0
        largest = int(np.argmax(areas))
        if areas[largest] < LEAST * sampled.size:
            continue
        rows, columns = ndimage.find_objects(labels)[largest - 1]
        around = columns.start * step, rows.start * step, columns.stop * step, rows.stop * step
        box = _straight(np.abs(pixels - level) <= slack, around, step)
        if box is not None:
            return box
    return None


def _straight(plain: NDArray[np.bool_], box: Box, step: int) -> Box | None:
    """The box to the pixel, when its sides are straight and at least two of them have the plain level beside them."""
    left, top, right, bottom = box
    height, width = plain.shape
    right, bottom = min(right, width), min(bottom, height)
    columns = plain[top:bottom, max(left - step, 0) : min(right + step, width)].mean(axis=0)
    rows = plain[max(top - step, 0) : min(bottom + step, height), left:right].mean(axis=1)
    across, down = np.flatnonzero(columns < 1 - INSIDE), np.flatnonzero(rows < 1 - INSIDE)
    if across.size < 8 or down.size < 8:
        return None
    x0, y0 = max(left - step, 0) + int(across[0]), max(top - step, 0) + int(down[0])
    x1, y1 = max(left - step, 0) + int(across[-1]) + 1, max(top - step, 0) + int(down[-1]) + 1
    if max(abs(x0 - left), abs(y0 - top), abs(right - x1), abs(bottom - y1)) > max(2 * step, FRINGE):
        return None
    beside = [
        float(lines.mean(axis=1).max())
        for lines in (
            plain[y0:y1, max(x0 - FRINGE, 0) : max(x0 - BLENDED, 0)].T,
            plain[max(y0 - FRINGE, 0) : max(y0 - BLENDED, 0), x0:x1],
            plain[y0:y1, x1 + BLENDED : x1 + FRINGE].T,
            plain[y1 + BLENDED : y1 + FRINGE, x0:x1],
        )
        if len(lines)
    ]
    if len(beside) < 2 or min(beside) < BESIDE:
        return None
    return x0 + BLENDED, y0 + BLENDED, x1 - BLENDED, y1 - BLENDED
