"""Step 3: the picture as a few thousand cells, which hold all that a fit of smooth light and soft edges can use.

Near an edge, pixels at the same distance from it and in the same small tile are summed into one cell (:mod:`.gather`); away
from edges, whole blocks of the reduction are (:mod:`.far`). The sums are (nearly) sufficient statistics: within a cell the
model is almost linear.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.forward import Points

Array = NDArray[np.float64]

#: Half-width of a band around an edge, in edge widths.
REACH = 4.0
#: Bins per edge width across a band.
BINS = 3.0
#: At most so many pixels of a band are looked at; beyond that every second, third … row is.
MOST_PIXELS = 400_000
#: Soft edges need no single pixels: blocks this many times narrower than their width tell as much.
BLOCK = 2.5
#: Tiles along an edge's radius.
TILES = 12


@dataclass(frozen=True, slots=True)
class Grain:
    """How finely a band is summed.

    Attributes:
        bins: per edge width across the band.
        tiles: per radius along it.
        most: pixels looked at.
        block: pixels are first taken together in blocks so many times narrower than an edge's width.
    """

    bins: float = BINS
    tiles: float = TILES
    most: int = MOST_PIXELS
    block: float = BLOCK


#: For the final fit, for finding the place, and for following edges from the last picture: a third of the first's
#: cells, with next to all that they tell.
FINE, ROUGH, FOLLOW = Grain(), Grain(2.0, 5, 40_000, 1.25), Grain(2.0, 6, 40_000)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Sums of pixels.

    Attributes:
        count: pixels in each cell, shape (n,).
        mean: their mean gray level.
        at: where the model is to be evaluated for them.
        tile: a number that neighbors share; errors of the model are alike within a tile.
        near: whether the cell is part of a band around an edge.
        blur: variance, within the cell, of the distance from the edge it was gathered for, px²; 0 away from edges.
        owner: 0 gathered for the aperture's edge, 1 for the beam's, 2 for none.
        lobes: how far the aperture's and the beam's places were moved for lobes (root mean square), px.
    """

    count: Array
    mean: Array
    at: Points
    tile: NDArray[np.intp]
    near: NDArray[np.bool_]
    blur: Array
    owner: NDArray[np.intp]
    lobes: tuple[float, float] = (0.0, 0.0)

    def __len__(self) -> int:
        return len(self.count)

    def select(self, index: NDArray[np.bool_]) -> "Cells":
        """The cells at ``index``."""
        return Cells(
            self.count[index], self.mean[index], self.at[index], self.tile[index], self.near[index],
            self.blur[index], self.owner[index], self.lobes,
        )  # fmt: skip

    def swapped(self) -> "Cells":
        """The same cells with the roles of aperture and beam exchanged."""
        p = self.at
        at = Points(p.x, p.y, p.beam_x, p.beam_y, p.aperture_x, p.aperture_y)
        owner = np.where(self.owner < 2, 1 - self.owner, 2)
        return Cells(self.count, self.mean, at, self.tile, self.near, self.blur, owner, self.lobes[::-1])


def join(parts: list[Cells]) -> Cells:
    """Several sets of cells as one; tiles of different sets stay different."""
    base, tiles = 0, []
    for part in parts:
        tiles.append(part.tile + base)
        base += int(part.tile.max(initial=-1)) + 1

    def cat(name: str) -> Array:
        return np.concatenate([getattr(p.at, name) for p in parts])

    return Cells(
        np.concatenate([p.count for p in parts]),
        np.concatenate([p.mean for p in parts]),
        Points(*(cat(n) for n in ("x", "y", "aperture_x", "aperture_y", "beam_x", "beam_y"))),
        np.concatenate(tiles),
        np.concatenate([p.near for p in parts]),
        np.concatenate([p.blur for p in parts]),
        np.concatenate([p.owner for p in parts]),
    )


def layout(width: float, grain: Grain = FINE) -> tuple[float, int]:
    """Half-width (px) of a band and its number of bins."""
    reach = max(REACH * width, 3.0)
    bin_width = max(width / grain.bins, 0.25)
    return reach, max(int(np.ceil(2 * reach / bin_width)), 8)


def tile_of(x: Array, y: Array, side: float) -> NDArray[np.intp]:
    """The number of the square tile in which each point lies, row by row; coordinates from 0 on."""
    column = (x * (1.0 / side)).astype(np.intp)
    return np.asarray((y * (1.0 / side)).astype(np.intp) * (int(column.max(initial=0)) + 1) + column)
