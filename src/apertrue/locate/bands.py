"""Rows or columns that a camera read with an offset of their own: told by the dark margins, and taken off."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .find import Look, block_sigma, look
from .noise import estimate_noise
from .reduce import as_floats, reduce_picture

Array = NDArray[np.float64]

#: Width of each margin, share of the side, and at least so many pixels.
MARGIN, LEAST = 0.04, 8
#: Offsets that differ from line to line by this many times what the pixels' noise makes of it are seen.
CLEARLY = 2.0
#: Offsets that both margins share to this degree (correlation) are the lines'.
ALIKE = 0.7
#: … and a slow hum when they follow each other to this degree, and swing from side to side so often.
IN_STEP, SWINGS = 0.8, 5
#: 1σ of what rounding to whole levels adds.
ROUNDING = 0.29
#: Light in the margins that rises by more than this share of the contrast over many lines is no offset.
LIGHT, MANY = 0.05, 25


def without_bands(first: Look) -> Look | None:
    """The picture without the offsets of its rows or columns; ``None`` when the margins show none.

    An offset is the mean of both margins of a line, less that of all lines. Margins that hold light say nothing.
    """
    assert first.rough is not None
    pixels: NDArray[Any] = first.pixels
    contrast = first.rough.bright - first.rough.dark
    found = False
    for axis in (0, 1):
        offsets = line_offsets(pixels if axis == 0 else pixels.T, contrast)
        if offsets is not None:
            pixels = as_floats(pixels)
            pixels -= np.expand_dims(offsets, 1 - axis)
            found = True
    if not found:
        return None
    reduced = reduce_picture(pixels)
    noise = estimate_noise(pixels, first.rough.dark, first.rough.bright, None)
    rough = look(reduced, block_sigma(noise, reduced))
    return None if rough is None else replace(first, pixels=pixels, reduced=reduced, noise=noise, rough=rough)


def line_offsets(pixels: NDArray[Any], contrast: float) -> Array | None:
    """Offset of each row, gray levels, mean 0; ``None`` when there are none, or light in the margins.

    Args:
        pixels: the picture, 2-D.
        contrast: bright − dark, gray levels.
    """
    rows, columns = pixels.shape
    width = max(LEAST, round(MARGIN * columns))
    if columns < 8 * LEAST or rows < MANY:
        return None
    sides = [pixels[:, :width].astype(np.float64), pixels[:, -width:].astype(np.float64)]
    if not all(np.isfinite(s).all() for s in sides):
        return None
    left, right = (np.median(s, axis=1) for s in sides)
    # Neighboring pixels' differences tell the noise of a line's median, whatever its offset.
    noise = float(np.median([np.median(np.abs(np.diff(s, axis=1))) for s in sides])) * 1.4826 / np.sqrt(2.0)
    if pixels.dtype.kind in "ui":
        noise = max(noise, ROUNDING)
    of_median = 1.2533 * noise / np.sqrt(width)
    if not (_from_line_to_line(left, right, of_median) or _hum(left, right, of_median)):
        return None
    both = 0.5 * (left + right)
    runs = np.lib.stride_tricks.sliding_window_view(both, MANY)
    if float(np.ptp(np.median(runs, axis=1))) > LIGHT * contrast:
        return None
    return np.asarray(both - both.mean())


def _from_line_to_line(left: Array, right: Array, sigma: float) -> bool:
    """Whether both margins' levels jump from line to line alike, and more than their noise (1σ) makes them."""
    steps = np.diff(left), np.diff(right)
    if min(float(s.std()) for s in steps) < CLEARLY * np.sqrt(2.0) * sigma:
        return False
    return float(np.corrcoef(*steps)[0, 1]) > ALIKE


def _hum(left: Array, right: Array, sigma: float) -> bool:
    """Whether both margins' levels swing alike over many lines (mains hum); light does so less often."""
    if min(float(left.std()), float(right.std())) < CLEARLY * sigma:
        return False
    if float(np.corrcoef(left, right)[0, 1]) < IN_STEP:
        return False
    both = left + right
    swing = both[np.abs(both - np.median(both)) > both.std() / 2] > np.median(both)
    return int(np.count_nonzero(swing[1:] != swing[:-1])) >= SWINGS
