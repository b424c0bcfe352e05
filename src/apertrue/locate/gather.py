"""Step 3, near the edges: the pixels of both bands summed into cells."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from ..model.forward import Points
from .cells import FINE, MOST_PIXELS, Cells, Grain, join, layout, tile_of
from .far import sum_far
from .reduce import Reduced, block_means

Array = NDArray[np.float64]

#: Blocks that hold less than this share of the picture are added up one by one, else all of the picture's at once.
FEW = 0.03
#: Bands this much farther apart than they need to be have nothing to do with each other.
SPARE = 1.25


def cells_about(
    pixels: NDArray[Any],
    reduced: Reduced,
    aperture: Array | None,
    beam: Array | None,
    scale: float,
    grain: Grain = FINE,
    blocks: dict[int, Array] | None = None,
) -> Cells | None:
    """The picture as cells: the bands around both edges, and the blocks elsewhere.

    Args:
        pixels: the picture.
        reduced: its block means.
        aperture, beam: six parameters each; ``None`` where there is none.
        scale: about how wide cells away from the edges are, px.
        grain: how finely the bands are summed.
        blocks: block means of the picture by the blocks' size, kept from call to call.
    """
    near = gather(pixels, (aperture, beam), grain, blocks)
    if near is None:
        return None
    far = sum_far(reduced, (aperture, beam), scale)
    return join([near, far])


def gather(
    pixels: NDArray[Any],
    edges: tuple[Array | None, Array | None],
    grain: Grain = FINE,
    blocks: dict[int, Array] | None = None,
) -> Cells | None:
    """Sum the pixels of the bands around one or both edges into cells.

    Args:
        pixels: the picture.
        edges: (aperture, beam), six parameters each; ``None`` where there is none.
        grain: how finely.
        blocks: block means of the picture by the blocks' size, kept from call to call.
    """
    blocks = {} if blocks is None else blocks
    parts = []
    for which, edge in enumerate(edges):
        if edge is None:
            continue
        block = max(1, int(_narrowest(edge, edges[1 - which]) / grain.block))
        x, y, value = _samples(pixels, edge, block, grain, blocks)
        if pixels.dtype.kind == "f":
            keep = np.isfinite(value)
            if not keep.all():
                x, y, value = x[keep], y[keep], value[keep]
        if not len(x):
            continue
        part = _sum_band(x, y, value, edges, which, grain, block)
        if part is not None:
            parts.append(part)
    return join(parts) if parts else None


def band_pixels(
    shape: tuple[int, int], edge: Array, reach: float, most: int = MOST_PIXELS
) -> tuple[NDArray[np.intp], NDArray[np.intp], int]:
    """Columns and rows of the pixels within ``reach`` px of an elliptical edge (a few more beside), and the row step used.

    Row by row, an ellipse's crossings are found in closed form; nothing else of the picture is touched.
    """
    rows, columns = shape
    cx, cy, radius, e1, e2 = (float(v) for v in edge[:5])
    e = np.hypot(e1, e2)
    n2 = 1.0 / (1 - e * e)
    # S² with S as in model.edges
    a = ((1 - e1) ** 2 + e2 * e2) * n2
    b = -2.0 * e2 * n2
    c = ((1 + e1) ** 2 + e2 * e2) * n2
    slack = reach * np.sqrt((1 + e) / (1 - e))
    step = max(1, int(np.ceil(2 * np.pi * radius * 2 * slack / most)))
    q_out, q_in = radius + slack, max(radius - slack, 0.0)
    half_height = q_out * np.sqrt(a)  # det S = 1
    top = max(0, int(np.ceil(cy - half_height)))
    bottom = min(rows - 1, int(np.floor(cy + half_height)))
    if bottom < top:
        return np.empty(0, np.intp), np.empty(0, np.intp), step
    y = np.arange(top, bottom + 1, step)
    d2 = y - cy
    mid = -b * d2 / a

    def half(q: float) -> Array:
        return np.asarray(np.sqrt(np.maximum((q * q - c * d2 * d2) / a + mid * mid, 0.0)), dtype=np.float64)

    outer, inner = half(q_out), half(q_in)
    split = inner > 0.5
    left0 = np.ceil(cx + mid - outer)
    left1 = np.where(split, np.floor(cx + mid - inner), np.floor(cx + mid + outer))
    right0 = np.where(split, np.maximum(np.ceil(cx + mid + inner), left1 + 1), 1.0)
    right1 = np.where(split, np.floor(cx + mid + outer), 0.0)
    start = np.concatenate([left0, right0])
    stop = np.concatenate([left1, right1])
    row = np.concatenate([y, y])
    start = np.clip(start, 0, columns).astype(np.intp)
    stop = np.clip(stop + 1, 0, columns).astype(np.intp)
    length = np.maximum(stop - start, 0)
    total = int(length.sum())
    first = np.cumsum(length) - length
    x = np.arange(total) - np.repeat(first - start, length)
    return x, np.repeat(row, length), step


def _towards(at_x: Array, at_y: Array, u: Array, edge: Array) -> tuple[Array, Array]:
    """The points on the rays from the edge's center through (x, y) whose signed distance is ``u``."""
    e1, e2 = float(edge[3]), float(edge[4])
    d1, d2 = at_x - edge[0], at_y - edge[1]
    n = 1.0 / np.sqrt(1 - e1 * e1 - e2 * e2)
    a, b, c = (1 - e1) * n, -e2 * n, (1 + e1) * n
    w1, w2 = a * d1 + b * d2, b * d1 + c * d2
    q = np.maximum(np.hypot(w1, w2), 1e-9)
    v = np.hypot(a * w1 + b * w2, b * w1 + c * w2)
    k = (edge[2] - u * v / q) / q
    return edge[0] + d1 * k, edge[1] + d2 * k


def _bin(u: Array, reach: float, n: int) -> NDArray[np.intp]:
    """Bin numbers 1 … n across the band, 0 and n + 1 outside of it."""
    i = (u + reach) * (n / (2 * reach))
    i += 1
    return np.minimum(np.maximum(i, 0, out=i), n + 1, out=i).astype(np.intp)


def _narrowest(edge: Array, other: Array | None) -> float:
    """The edge's width, or the other's where that is narrower and their bands may overlap."""
    if other is None or other[5] >= edge[5] or _clear(edge, other):
        return float(edge[5])
    return float(other[5])


def _clear(edge: Array, other: Array, spare: float = 1.0) -> bool:
    """Whether the bands around two edges, so many times wider, overlap nowhere."""
    apart = float(np.hypot(edge[0] - other[0], edge[1] - other[1]))
    gap = float(max(abs(edge[2] - other[2]) - apart, apart - edge[2] - other[2]))
    tilt = float((edge[2] + other[2]) * (np.hypot(*edge[3:5]) + np.hypot(*other[3:5])))
    return gap - tilt > spare * (layout(float(edge[5]))[0] + layout(float(other[5]))[0])


def _samples(
    pixels: NDArray[Any], edge: Array, block: int, grain: Grain, blocks: dict[int, Array]
) -> tuple[Array, Array, Array]:
    """X, y (px) and gray levels of the pixels, or of small blocks of them, around an edge."""
    reach = layout(edge[5], grain)[0]
    if block == 1:
        x, y, _ = band_pixels(pixels.shape, edge, reach, grain.most)
        return x.astype(np.float64), y.astype(np.float64), _levels(pixels, y, x)
    half = (block - 1) / 2
    scaled = np.array([(edge[0] - half) / block, (edge[1] - half) / block, edge[2] / block, *edge[3:5]])
    shape = pixels.shape[0] // block, pixels.shape[1] // block
    i, j, _ = band_pixels(shape, scaled, reach / block, grain.most)
    at_x = np.asarray(half + i * float(block), dtype=np.float64)
    at_y = np.asarray(half + j * float(block), dtype=np.float64)
    if not len(i):  # a block may be larger than the picture when a fit runs away
        return at_x, at_y, np.zeros(0)
    if block not in blocks and len(i) * block * block < FEW * pixels.size:
        total = np.zeros(len(i))
        for dy, dx in np.ndindex(block, block):
            total += _levels(pixels, j * block + dy, i * block + dx)
        return at_x, at_y, total / block**2
    if block not in blocks:
        blocks[block] = block_means(pixels, block)[0]
    return at_x, at_y, blocks[block][j, i]


def _levels(pixels: NDArray[Any], rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Array:
    """Gray levels of single pixels."""
    flat = pixels.flags.c_contiguous
    value = pixels.reshape(-1).take(rows * pixels.shape[1] + columns) if flat else pixels[rows, columns]
    return np.asarray(value, dtype=np.float64)


def _sum_band(
    fx: Array,
    fy: Array,
    value: Array,
    edges: tuple[Array | None, Array | None],
    which: int,
    grain: Grain,
    block: int,
) -> Cells | None:
    own = edges[which]
    other = edges[1 - which]
    assert own is not None
    if other is not None and _clear(own, other, SPARE):
        other = None  # its step is complete all over this band: the cells' mean places tell it well enough
    reach, n = layout(float(own[5]), grain)
    u = distance(fx, fy, own)
    keep = np.abs(u) < reach
    u2: Array | None = None
    if other is not None:
        reach2, n2 = layout(float(other[5]), grain)
        u2 = distance(fx, fy, other)
        if which == 1:  # pixels of both bands belong to the aperture's
            keep &= np.abs(u2) >= reach2
    kept = np.flatnonzero(keep)
    fx, fy, u, value = fx.take(kept), fy.take(kept), u.take(kept), value.take(kept)
    if not len(fx):
        return None
    side = max(6, round(own[2] / grain.tiles))
    tile = tile_of(fx, fy, side)
    seen = np.flatnonzero(np.bincount(tile))
    renumber = np.zeros(int(tile.max()) + 1, dtype=np.intp)
    renumber[seen] = np.arange(len(seen))
    tile = renumber[tile]
    key = tile * (n + 2) + _bin(u, reach, n)
    if u2 is not None:
        u2 = u2.take(kept)
        if which == 0:
            key = key * (n2 + 2) + _bin(u2, reach2, n2)
        else:
            key = key * 2 + (u2 > 0)
    length = int(key.max()) + 1
    count = np.bincount(key, minlength=length)
    used = np.flatnonzero(count)
    total = count[used].astype(np.float64)

    def mean(v: Array) -> Array:
        out: Array = np.bincount(key, weights=v, minlength=length)[used] / total
        return out

    mx, my, mu = mean(fx), mean(fy), mean(u)
    blur = np.maximum(mean(u * u) - mu * mu, 0.0) + (block * block - 1) / 12
    own_xy = _towards(mx, my, mu, own)
    other_xy = (mx, my) if other is None or u2 is None else _towards(mx, my, mean(u2), other)
    a, b = (own_xy, other_xy) if which == 0 else (other_xy, own_xy)
    per_tile = (n + 2) * (1 if u2 is None else (n2 + 2 if which == 0 else 2))
    at = Points(mx, my, a[0], a[1], b[0], b[1])
    return Cells(
        total * block * block,
        mean(value),
        at,
        used // per_tile,
        np.ones(len(used), bool),
        blur,
        np.full(len(used), which, np.intp),
    )
