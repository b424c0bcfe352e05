"""Step 1: look at few numbers first. Sums of square blocks, from which levels and rough edges are found."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Blocks across the short side that the reduction aims at.
TARGET = 128
#: Smallest side of a picture that tells anything, px, and the fewest blocks that hold light.
LEAST_SIDE, LEAST_BLOCKS = 16, 16


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """A picture in square blocks.

    Attributes:
        mean: mean gray level of each block, shape (rows, columns) of blocks.
        size: side of a block, px.
        pixels: the pixels summed in each block (fewer than size² when rows were skipped).
        shape: (rows, columns) of the picture, px. Rows and columns beyond the last whole block are not in ``mean``.
    """

    mean: Array
    size: int
    pixels: int
    shape: tuple[int, int]

    def centers(self) -> tuple[Array, Array]:
        """X of each block column and y of each block row, px."""
        half = (self.size - 1) / 2
        rows, columns = self.mean.shape
        x = np.arange(columns, dtype=np.float64) * self.size + half
        return x, np.arange(rows, dtype=np.float64) * self.size + half


def reduce_picture(pixels: NDArray[Any], target: int = TARGET) -> Reduced:
    """Block means of a picture.

    Args:
        pixels: 2-D, any integer or float dtype; not written to. NaN counts as missing and spreads to its block.
        target: blocks across the short side to aim at.
    """
    rows, columns = pixels.shape
    size = max(1, round(min(rows, columns) / target))
    if size == 1:
        return Reduced(pixels.astype(np.float64), 1, 1, (rows, columns))
    # Beyond some size every second row is enough: the noise of a block mean is far below the edges' needs.
    mean, count = block_means(pixels, size, 2 if size >= 24 else 1)
    return Reduced(mean, size, count, (rows, columns))


def levels_of(reduced: Reduced) -> Array:
    """The blocks' gray levels in rising order."""
    return np.sort(reduced.mean[np.isfinite(reduced.mean)])


def exceeding(levels: Array, share: float) -> float:
    """The gray level that exceeds a share of the (rising) levels. Sorting once is faster than :func:`numpy.quantile`."""
    at = share * (len(levels) - 1)
    low, high = levels[int(at)], levels[min(int(at) + 1, len(levels) - 1)]
    return float(low + (high - low) * (at - int(at)))


def as_floats(pixels: NDArray[Any]) -> NDArray[Any]:
    """A copy in floats that hold the levels: 32 bits for numbers of up to 16, else 64."""
    return pixels.astype(np.float32 if pixels.dtype.itemsize <= 2 else np.float64)


def block_means(pixels: NDArray[Any], size: int, step: int = 1) -> tuple[Array, int]:
    """Means of whole ``size``×``size`` blocks from every ``step``-th row of each, and the number of pixels in one."""
    h, w = pixels.shape[0] // size, pixels.shape[1] // size
    strips = pixels[: h * size, : w * size].reshape(h, size, w * size)[:, ::step]
    wide = strips.dtype.kind == "f" or strips.dtype.itemsize > 2
    # Adding whole rows first runs along memory; 32 bits hold the sums of 16-bit and shorter rows exactly.
    short = np.int32 if strips.dtype.kind == "i" else np.uint32
    row_sums = np.add.reduce(strips, axis=1, dtype=np.float64 if wide else short)
    count = strips.shape[1] * size
    if size > 8:
        # Short sums along memory are faster so than by sum().
        return np.einsum("ijk->ij", row_sums.astype(np.float64).reshape(h, w, size)) / count, count
    sums = row_sums[:, ::size].astype(np.float64)
    for k in range(1, size):  # a few strided sums are faster than many short ones
        sums += row_sums[:, k::size]
    sums /= count
    return sums, count


def median3(image: Array) -> Array:
    """The 3×3 median, borders repeated; takes single bright or dead blocks away."""
    padded = np.pad(image, 1, mode="edge")
    h, w = image.shape
    stack = np.stack([padded[i : i + h, j : j + w] for i in range(3) for j in range(3)])
    return np.asarray(np.partition(stack, 4, axis=0)[4], dtype=np.float64)
