"""Step 3, away from the edges: blocks of the reduction, added up where light changes slowly."""

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from ..model.forward import Points
from .cells import Cells, layout, tile_of
from .reduce import Reduced

Array = NDArray[np.float64]

#: Beyond so many radii of the wider edge cells away from all edges are so many times wider.
FAR_OUT, WIDER = 3.0, 3.0


def far_blocks(
    reduced: Reduced, edges: tuple[Array | None, Array | None]
) -> tuple[Array, Array, Array, NDArray[np.bool_], NDArray[np.intp]]:
    """Blocks that no band touches: x, y (px), mean, mask of them over the reduction, and their side of the edges: 1 inside the
    aperture's and 2 inside the beam's, added up.
    """
    bx, by = reduced.centers()
    gx, gy = np.meshgrid(bx, by)
    ok = np.isfinite(reduced.mean)
    side = np.zeros(reduced.mean.shape, dtype=np.intp)
    for k, edge in enumerate(edges):
        if edge is None:
            continue
        u = distance(gx, gy, edge)
        ok &= np.abs(u) > layout(float(edge[5]))[0] + 0.71 * reduced.size
        side += (u > 0) * (1 << k)
    index = np.flatnonzero(ok)
    x, y, value = (a.reshape(-1).take(index) for a in (gx, gy, reduced.mean))
    return x, y, value, ok, side.reshape(-1).take(index)


def sum_far(reduced: Reduced, edges: tuple[Array | None, Array | None], scale: float) -> Cells:
    """Sum blocks away from all edges into cells of about ``scale`` px, apart by their side of each edge.

    Far out, where light changes slowly, cells are wider: small discs in a large picture would have too many.
    """
    x, y, value, _, side = far_blocks(reduced, edges)
    tile_side = max(float(reduced.size), scale)
    tile = tile_of(x, y, tile_side)
    widest = max((e for e in edges if e is not None), key=lambda e: float(e[2]))
    if FAR_OUT * widest[2] < max(reduced.shape) / 2:
        out = np.hypot(x - widest[0], y - widest[1]) > FAR_OUT * widest[2]
        tile = np.where(out, tile.max(initial=0) + 1 + tile_of(x, y, WIDER * tile_side), tile)
    key = tile * 4 + side
    count = np.bincount(key)
    used = np.flatnonzero(count)
    total = count[used].astype(np.float64)

    def mean(v: Array) -> Array:
        out: Array = np.bincount(key, weights=v)[used] / total
        return out

    if not len(used):
        empty = np.empty(0)
        none = np.empty(0, np.intp)
        return Cells(empty, empty, Points.at(empty, empty), none, np.empty(0, bool), empty, none)
    return Cells(
        total * reduced.pixels, mean(value), Points.at(mean(x), mean(y)), used // 4, np.zeros(len(used), bool),
        np.zeros(len(used)), np.full(len(used), 2, np.intp),
    )  # fmt: skip
