"""Pixels and lines that do not count light as their neighbors do: hot and dead ones, replaced by what lies beside them."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..scene import Noise
from .find import Look, block_sigma, look
from .reduce import as_floats, reduce_picture

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: A pixel this many σ beyond all four of its neighbors is none of the light's.
BEYOND = 8.0
#: A line whose pixels differ by so many σ from the mean of both lines beside it, over this share of its length, is dead.
APART, ALONG = 5.0, 0.2
#: Share of the pixels that makes it worth looking again, and the most: more is texture.
WORTH, MOST = 1e-4, 0.03


def without_spikes(first: Look) -> Look | None:
    """The picture with hot and dead pixels and lines replaced; ``None`` when there are hardly any, or too many for that.

    Single ones hardly harm a fit of the pixels, which lets none of them count. They raise the means of whole blocks,
    though, in which edges are first looked for.
    """
    pixels = as_floats(first.pixels)
    if min(pixels.shape) < 8:
        return None
    lines = 0
    for view in (pixels, pixels.T):
        dead = dead_lines(view, first.noise)
        view[:, dead] = np.mean([view[:, dead - 1], view[:, dead + 1]], axis=0)
        lines += len(dead)
    spiked = spikes(pixels, first.noise)
    share = float(np.count_nonzero(spiked)) / spiked.size
    if share > MOST or (share < WORTH and not lines):
        return None
    y, x = np.nonzero(spiked)
    around = [pixels[y + dy, x + dx] for dy, dx in ((-1, 0), (1, 0), (0, -1), (0, 1))]
    pixels[y, x] = np.median(np.stack(around), axis=0)
    clear = reduce_picture(pixels)
    rough = look(clear, block_sigma(first.noise, clear))
    return None if rough is None else replace(first, pixels=pixels, reduced=clear, rough=rough)


def dead_lines(pixels: NDArray[Any], noise: Noise) -> NDArray[np.intp]:
    """Numbers of the columns that differ from both columns beside them along much of their length."""
    beside = 0.5 * (pixels[:, :-2] + pixels[:, 2:])
    sigma = np.sqrt(1.5 * noise.variance(beside))  # of a pixel less the mean of two
    odd = np.abs(pixels[:, 1:-1] - beside) > APART * sigma
    share = odd.mean(axis=0)
    # Beside a dead line others differ, too, by half as much: only the one that differs most counts.
    size = np.where(share > ALONG, np.abs(pixels[:, 1:-1] - beside).mean(axis=0), 0.0)
    padded = np.concatenate([[0.0], size, [0.0]])
    return np.flatnonzero((size > 0) & (size > padded[:-2]) & (size > padded[2:])) + 1


def spikes(pixels: NDArray[Any], noise: Noise) -> Mask:
    """Pixels far above or below all four of their neighbors, shape of the picture; none at its border."""
    out = np.zeros(pixels.shape, dtype=np.bool_)
    inner = pixels[1:-1, 1:-1]
    beside = (pixels[:-2, 1:-1], pixels[2:, 1:-1], pixels[1:-1, :-2], pixels[1:-1, 2:])
    high, low = np.maximum.reduce(beside), np.minimum.reduce(beside)
    far = BEYOND * np.sqrt(noise.variance(0.5 * (high + low)))
    out[1:-1, 1:-1] = (inner > high + far) | (inner < low - far)
    return out
