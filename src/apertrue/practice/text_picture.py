"""A picture as text for the terminal: half blocks where the console has them, else plain characters."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Gray by amount of ink, dark to light (for a dark background).
RAMP = " .:-=+*#%@"


def levels(pixels: NDArray[Any], rows: int, columns: int) -> NDArray[np.float64]:
    """Block means between 0 (background) and 1 (brightest), square-rooted so that the faint surround shows.

    Args:
        pixels: 2-D picture.
        rows: of the result.
        columns: of the result.
    """
    data = np.asarray(pixels, dtype=float)
    if data.shape[0] < rows or data.shape[1] < columns:
        # Fewer pixels than cells: repeat them.
        data = np.repeat(np.repeat(data, -(-rows // data.shape[0]), axis=0), -(-columns // data.shape[1]), axis=1)
    ys = np.linspace(0, data.shape[0], rows + 1).astype(int)
    xs = np.linspace(0, data.shape[1], columns + 1).astype(int)
    sums = np.add.reduceat(np.add.reduceat(data, ys[:-1], axis=0), xs[:-1], axis=1)
    mean = sums / (np.diff(ys)[:, None] * np.diff(xs)[None, :])
    low, high = float(np.percentile(mean, 2)), float(mean.max())
    unit = np.clip((mean - low) / max(high - low, 1e-12), 0.0, 1.0)
    return np.asarray(np.sqrt(unit))


def as_text(pixels: NDArray[Any], columns: int = 60) -> str:
    """Plain characters; a character is twice as high as wide."""
    grid = levels(pixels, max(2, columns // 2), columns)
    index = np.minimum((grid * len(RAMP)).astype(int), len(RAMP) - 1)
    return "\n".join("".join(RAMP[i] for i in row).rstrip() for row in index)


def as_half_blocks(pixels: NDArray[Any], columns: int = 60) -> str:
    """Half blocks in 24 grays of the 256-color terminal: two picture rows a line."""
    grid = levels(pixels, columns // 2 * 2, columns)
    gray = 232 + np.minimum((grid * 24).astype(int), 23)
    lines = []
    for top, bottom in zip(gray[::2], gray[1::2], strict=True):
        cells = [f"\x1b[38;5;{a};48;5;{b}m▀" for a, b in zip(top, bottom, strict=True)]
        lines.append("".join(cells) + "\x1b[0m")
    return "\n".join(lines)
