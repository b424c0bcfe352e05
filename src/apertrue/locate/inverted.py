"""Pictures in which light is dark: a scanned negative, a display turned round."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from .reduce import LEAST_BLOCKS, LEAST_SIDE, as_floats, exceeding, levels_of, reduce_picture

Array = NDArray[np.float64]

#: Share of the border that may be dark in a picture that is bright all round; and where a disc may reach beyond the frame.
ALL_ROUND, CUT = 0.1, 0.35
#: How bright the border must be, of what the picture spans; least share that is darker than half.
BRIGHT, DARK = 0.75, 0.002


def looks_inverted(image: Array, levels: Array, may_be_dark: float = ALL_ROUND) -> bool:
    """Whether a picture (its blocks and their ``levels``) is bright all round, but for a share of its border, and dark inside."""
    # The very border may be a window's frame; some way inside, only an inverted picture is bright all round.
    k = max(2, round(0.06 * min(image.shape)))
    inner = image[k : image.shape[0] - k, k : image.shape[1] - k]
    border = np.concatenate([edge for part in (image, inner) for edge in (part[0], part[-1], part[:, 0], part[:, -1])])
    border = border[np.isfinite(border)]
    low, high = exceeding(levels, 0.01), exceeding(levels, 0.99)
    if not high > low or not border.size:  # a round part of a picture has no border
        return False
    edge = np.quantile(border, may_be_dark)
    return bool(edge > low + BRIGHT * (high - low) and np.mean(levels < low + 0.5 * (high - low)) > DARK)


def may_be_inverted(pixels: NDArray[Any]) -> bool:
    """Whether a picture that was not read as it is may be an inverted one whose discs reach beyond the frame."""
    if min(pixels.shape) < LEAST_SIDE:
        return False
    reduced = reduce_picture(pixels)
    levels = levels_of(reduced)
    if levels.size < LEAST_BLOCKS:
        return False
    return looks_inverted(reduced.mean, levels, CUT) and not looks_inverted(reduced.mean, levels)


def turned(pixels: NDArray[Any], frame: Frame) -> tuple[NDArray[Any], Frame]:
    """The picture with light and dark exchanged; its saturation level is no top then."""
    if pixels.dtype.kind == "i":  # the difference of two signed numbers may be larger than the type holds
        pixels = as_floats(pixels)
    return np.asarray(np.nanmax(pixels) - pixels), replace(frame, saturation=None)
