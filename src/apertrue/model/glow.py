"""Glow: the light that a camera or a screen spreads far from where it fell, beyond the aperture's edge, too.

A pixel's light is seen, faintly, many widths of an edge away (scattered in the phosphor, its support or the lens). The
picture itself tells where: its own light, spread by a wide kernel, is what glow adds, but for its strength.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Glow:
    """A picture's light, spread over several ranges.

    Attributes:
        terms: shape (ranges, rows, columns), in units of the most of each; on a grid of blocks.
        size: side of a block, px.
    """

    terms: Array
    size: int

    def __len__(self) -> int:
        return len(self.terms)

    def at(self, x: Array, y: Array) -> Array:
        """The terms at points (px, shape (n,)), shape (ranges, n); between blocks linearly, beyond the last as there."""
        rows, columns = self.terms.shape[1:]
        half = (self.size - 1) / 2
        u = np.clip((x - half) / self.size, 0.0, columns - 1.001)
        v = np.clip((y - half) / self.size, 0.0, rows - 1.001)
        i, j = u.astype(np.intp), v.astype(np.intp)
        f, g = u - i, v - j
        left = self.terms[:, j, i] * (1 - g) + self.terms[:, j + 1, i] * g
        right = self.terms[:, j, i + 1] * (1 - g) + self.terms[:, j + 1, i + 1] * g
        out: Array = left * (1 - f) + right * f
        return out
