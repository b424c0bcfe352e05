"""What the pixels alone show, whatever the scene: drawn text and borders, saturation."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..scene import Noise
from .reduce import as_floats

Array = NDArray[np.float64]

#: A drawn edge falls by at least this share of the picture's range within two pixels.
SHARP = 0.3
#: Straight pieces of drawn edges that make up at least a word or a bar.
LEAST_PIECES = 8
#: Length of such a piece, px.
PIECE = 5
#: Strokes are widened by so many px; they outshine a picture whose own light stays below this share of theirs.
GROW, OUTSHONE = 2, 0.8
#: A drawn border is no deeper than this part of the picture (÷).
DEEPEST = 4
#: Pixels looked at across a disc at most.
ACROSS = 200


def overlay_seen(
    pixels: NDArray[Any],
    disc: Array | None = None,
    *,
    lossy: bool = False,
    clear: float = 1.03,
) -> bool:
    """Whether text, a scale bar or a window's border is drawn into a picture, for any scene.

    Args:
        pixels: the picture, 2-D.
        disc: an edge (x, y, radius, e1, e2, …, px) inside which nothing counts as a mark; ``None`` when none is known.
        lossy: whether a lossy compression smeared the marks.
        clear: how far beyond the disc's edge marks begin, in its radii.
    """
    if min(pixels.shape) < 24:
        return False
    return border_seen(pixels, lossy=lossy) or _text_seen(pixels, disc, lossy, clear)


def border_seen(pixels: NDArray[Any], *, lossy: bool = False) -> bool:
    """Whether at least two sides of the frame carry lines of one gray level that end in a straight step."""
    return any(border_depths(pixels, lossy=lossy))


def border_depths(pixels: NDArray[Any], *, lossy: bool = False) -> tuple[int, int, int, int]:
    """Lines of a drawn border (left, top, right, bottom), the blended one beside it included; zeros when there is none.

    A border runs along two sides at least: lines of one gray level that end in a straight step.
    """
    none = (0, 0, 0, 0)
    if min(pixels.shape) < 24:
        return none
    span = _span(pixels) if lossy else np.nan  # most lossless pictures need none
    slack = 0.03 * span if lossy else 0.0
    sides = (pixels.T, pixels, pixels.T[::-1], pixels[::-1])
    levels = [_one_level(s[0], slack) for s in sides]
    if levels.count(None) > 2:
        return none
    span = span if lossy else _span(pixels)
    if not span > 0:
        return none
    left, top, right, bottom = (
        0 if level is None else _border_lines(s, level, slack, span) for s, level in zip(sides, levels, strict=True)
    )
    if sum(k > 0 for k in (left, top, right, bottom)) < 2:
        return none
    found = (left + (left > 0), top + (top > 0), right + (right > 0), bottom + (bottom > 0))
    # A title bar at the top hides that both sides are of one level below it.
    rows, columns = pixels.shape
    rest = border_depths(pixels[found[1] : rows - found[3], found[0] : columns - found[2]], lossy=lossy)
    return tuple(a + b for a, b in zip(found, rest, strict=True))  # type: ignore[return-value]


def _along(n: int) -> slice:
    """The part of a side of ``n`` px that lies away from its corners."""
    return slice(n // 8, n - n // 8)


def _one_level(line: NDArray[Any], slack: float) -> float | None:
    """The gray level that next to all of a line has; ``None`` when it has many."""
    line = line.astype(np.float64)
    level = float(np.median(line))
    return level if np.mean(np.abs(line[_along(len(line))] - level) <= slack) >= 0.98 else None


def _border_lines(lines: NDArray[Any], level: float, slack: float, span: float) -> int:
    """Number of first lines that are a border: of one level, then a straight step along most of the side; 0 for none."""
    inner = _along(lines.shape[1])
    deep = lines[1 : max(3, len(lines) // DEEPEST), inner].astype(np.float64)
    same = np.mean(np.abs(deep - level) <= max(slack, 0.02 * span), axis=1) > 0.5  # a title bar has buttons
    k = int(np.argmin(same)) if not same.all() else len(same)
    if k + 2 > len(deep):
        return 0
    after = deep[k + 1]
    # The light of a scene does not follow the frame.
    away = float(np.mean(np.abs(after - level) > 0.08 * span)) > 0.8
    return k + 1 if away and abs(float(np.median(after)) - level) > 0.08 * span else 0


def _span(pixels: NDArray[Any]) -> float:
    """The picture's range of gray levels, without a few outliers."""
    skip = max(8, min(pixels.shape) // 64)
    low, high = (float(v) for v in np.nanpercentile(pixels[::skip, ::skip], (1, 99.8)))
    top = float(np.nanmax(pixels[::4, ::4]))
    return max(high - low, 0.2 * (top - low))


def drawn_strokes(pixels: NDArray[Any], *, lossy: bool = False) -> NDArray[np.bool_] | None:
    """Where strokes are drawn, and a little around them, shape of the picture; ``None`` without any.

    Args:
        pixels: the picture, 2-D, without a window's border.
        lossy: whether a lossy compression smeared the marks.
    """
    if min(pixels.shape) < 24:
        return None
    found = _strokes(pixels, None, lossy, 1.0)
    if found is None:
        return None
    strokes, (y0, x0), skip = found
    y, x = np.nonzero(strokes)
    around = np.arange(-GROW, skip + GROW)
    mask = np.zeros(pixels.shape, dtype=np.bool_)
    for dy in around:
        yy = np.clip((y + y0) * skip + dy, 0, pixels.shape[0] - 1)
        for dx in around:
            mask[yy, np.clip((x + x0) * skip + dx, 0, pixels.shape[1] - 1)] = True
    return mask


def outshine(pixels: NDArray[Any], strokes: NDArray[np.bool_]) -> bool:
    """Whether drawn strokes are far brighter than all else (text over a dim beam)."""
    rest = pixels[~strokes]
    low, top = float(np.nanpercentile(rest[::16], 20)), float(np.nanmax(pixels))
    return bool(np.nanquantile(rest, 0.9995) <= low + OUTSHONE * (top - low))


def without(pixels: NDArray[Any], strokes: NDArray[np.bool_]) -> Array:
    """The picture with NaN for drawn strokes."""
    out = as_floats(pixels)
    out[strokes] = np.nan
    return out


def _text_seen(pixels: NDArray[Any], disc: Array | None, lossy: bool, clear: float) -> bool:
    return _strokes(pixels, disc, lossy, clear) is not None


def _strokes(
    pixels: NDArray[Any], disc: Array | None, lossy: bool, clear: float
) -> tuple[NDArray[np.bool_], tuple[int, int], int] | None:
    """Strokes at the top level: mask of a sampled crop, its corner (row, column, sampled) and the sampling."""
    skip = max(1, min(pixels.shape) // 1500)
    p = pixels[::skip, ::skip]
    highest = np.fmax.reduce(p, axis=1)
    top = float(np.fmax.reduce(highest))
    level = top - 0.15 * (top - _low(p)) if lossy else top
    rows = np.flatnonzero(highest >= level)  # few, unless something is at the top: the others need no second look
    if not len(rows):
        return None
    y0, y1 = max(int(rows[0]) - 3, 0), int(rows[-1]) + 4
    mask = p[y0:y1] >= level
    if np.count_nonzero(mask) < 12:
        return None
    span = top - _low(p)
    if not span > 0:
        return None
    if disc is not None:
        _clear_disc(mask, np.array([disc[0], disc[1] - y0 * skip, *disc[2:]]), clear, skip)
    if np.count_nonzero(mask) < 12:
        return None
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    top_row, bottom_row = max(int(rows[0]) - 3, 0), int(rows[-1]) + 4
    x0, x1 = max(int(columns[0]) - 3, 0), int(columns[-1]) + 4
    mask, p = mask[top_row:bottom_row, x0:x1], p[y0:y1][top_row:bottom_row, x0:x1]
    y0 += top_row
    mask = mask & ~_bulky(mask, max(9, min(pixels.shape) // (40 * skip)))
    if np.count_nonzero(mask) < 12:
        return None
    pieces = _pieces(mask, p.astype(np.float64), span)
    return (mask, (y0, x0), skip) if pieces >= LEAST_PIECES else None


def is_drawn(pixels: NDArray[Any], blocks: NDArray[np.bool_], size: int, thick: float) -> bool:
    """Whether what shines in some blocks is drawn (text, a scale bar): thin strokes with sharp, straight ends.

    Args:
        pixels: the picture, 2-D.
        blocks: which blocks of it shine, shape of the reduction.
        size: a block's side, px.
        thick: what holds a square of this side (px) is no stroke.
    """
    from scipy.ndimage import binary_dilation  # only few pictures need it

    # The neighbors of the last blocks are lines that no block holds.
    near = binary_dilation(np.pad(blocks, ((0, 1), (0, 1))), np.ones((3, 3)))
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    if not len(rows):
        return False
    crop = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
    value = as_floats(pixels[tuple(slice(s.start * size, s.stop * size) for s in crop)])
    around = near[crop].repeat(size, axis=0).repeat(size, axis=1)[: value.shape[0], : value.shape[1]]
    low, top = (float(v) for v in np.nanpercentile(value[around], (20, 99.5)))
    mask = around & (value > 0.5 * (low + top))
    if not top > low or _bulky(mask, max(3, round(thick))).any():
        return False
    return _pieces(mask, value, top - low) >= LEAST_PIECES


def _pieces(mask: NDArray[np.bool_], value: Array, span: float) -> int:
    """Number of straight ends of a mask where the light falls by :data:`SHARP` of a range within two pixels."""
    pieces = 0
    for m, v in (
        (mask, value),
        (mask[:, ::-1], value[:, ::-1]),
        (mask.T, value.T),
        (mask.T[:, ::-1], value.T[:, ::-1]),
    ):
        if m.shape[1] < 4 or m.shape[0] < PIECE:
            continue
        end = m[:, :-2] & ~m[:, 1:-1] & (v[:, :-2] - v[:, 2:] > SHARP * span)
        pieces += _runs(end)
    return pieces


def _low(p: NDArray[Any]) -> float:
    """A gray level that a fifth of the picture lies below."""
    step = max(8, min(p.shape) // 64)
    return float(np.nanpercentile(p[::step, ::step], 20))


def _clear_disc(mask: NDArray[np.bool_], disc: Array, clear: float, skip: int) -> None:
    """Take away what lies inside a disc."""
    at_y, at_x = np.nonzero(mask)
    r2 = _round_square(at_x * skip - disc[0], at_y * skip - disc[1], disc)
    reach = disc[2] * clear + (4 * disc[5] if len(disc) > 5 else 0.0)
    inside = r2 <= reach * reach
    mask[at_y[inside], at_x[inside]] = False


def _bulky(mask: NDArray[np.bool_], side: int) -> NDArray[np.bool_]:
    """What belongs to a filled square of ``side`` px: discs and areas, not strokes (grown by some px)."""
    h, w = mask.shape
    out = np.zeros_like(mask)
    if h < side or w < side:
        return out
    total = np.zeros((h + 1, w + 1), dtype=np.int64)
    np.cumsum(np.cumsum(mask, axis=0, dtype=np.int64), axis=1, out=total[1:, 1:])
    full = total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side] == side * side
    # The bulk's rim, whose stairs look like strokes, goes with it.
    grow = side + 6
    for y, x in zip(*np.nonzero(full[::3, ::3]), strict=True):
        out[max(3 * y - 6, 0) : 3 * y + grow, max(3 * x - 6, 0) : 3 * x + grow] = True
    return out


def _runs(end: NDArray[np.bool_]) -> int:
    """Vertical runs of at least :data:`PIECE` px."""
    padded = np.zeros((end.shape[0] + 2, end.shape[1]), dtype=np.int8)
    padded[1:-1] = end
    change = np.diff(padded, axis=0)
    start, stop = np.nonzero(change.T == 1), np.nonzero(change.T == -1)
    return int(np.count_nonzero(stop[1] - start[1] >= PIECE))


def disc_values(pixels: NDArray[Any], discs: tuple[Array, ...], *, margin: float = 0.0) -> NDArray[Any]:
    """Gray levels of (a regular sample of) the pixels inside all the discs.

    Args:
        pixels: the picture.
        discs: edges (x, y, radius, e1, e2, …), px.
        margin: least distance inside each edge, px.
    """
    rows, columns = pixels.shape
    bounds = []
    for d in discs:
        reach = float(d[2]) * np.sqrt((1 + np.hypot(d[3], d[4])) / (1 - np.hypot(d[3], d[4])))
        bounds.append((d[0] - reach, d[1] - reach, d[0] + reach, d[1] + reach))
    x0, y0 = (max(int(np.ceil(max(b[k] for b in bounds))), 0) for k in (0, 1))
    x1 = min(int(min(b[2] for b in bounds)) + 1, columns)
    y1 = min(int(min(b[3] for b in bounds)) + 1, rows)
    if x1 <= x0 or y1 <= y0:
        return pixels[:0, :0].ravel()
    skip = max(1, -(-min(x1 - x0, y1 - y0) // ACROSS))
    x, y = np.arange(x0, x1, skip, dtype=float)[None, :], np.arange(y0, y1, skip, dtype=float)[:, None]
    inside = np.ones((y.size, x.size), dtype=np.bool_)
    for d in discs:
        inside &= _round_square(x - d[0], y - d[1], d) < max(float(d[2]) - margin, 0.0) ** 2
    out: NDArray[Any] = pixels[y0:y1:skip, x0:x1:skip][inside]
    return out


def _round_square(dx: Array, dy: Array, edge: Array) -> Array:
    """Squared distance from an edge's center where the edge is round (arrays that broadcast), px²."""
    e1, e2 = float(edge[3]), float(edge[4])
    k = 1.0 / (1 - e1 * e1 - e2 * e2)
    a, b, c = ((1 - e1) ** 2 + e2 * e2) * k, -4.0 * e2 * k, ((1 + e1) ** 2 + e2 * e2) * k
    return np.asarray(a * dx * dx + (b * dx) * dy + c * dy * dy)


def saturated_share(values: NDArray[Any], saturation: float | None, noise: Noise) -> float:
    """Share of the lit pixels that stand at the camera's top level.

    Beside a stated level, a pile-up counts: far more pixels at the very highest level than at those just below it, in a
    picture whose noise would spread them. Where the noise is finer than a gray level, equal pixels tell nothing.

    Args:
        values: lit pixels.
        saturation: stated level or ``None``.
        noise: of the camera.
    """
    if not values.size:
        return 0.0
    share = 0.0 if saturation is None else float(np.count_nonzero(values >= saturation)) / values.size
    top = float(np.nanmax(values))
    at_top = int(np.count_nonzero(values >= top))
    sigma = float(np.sqrt(noise.read_variance))
    if at_top < 20 or at_top < 0.0005 * values.size or (values.dtype.kind in "ui" and sigma < 0.45):
        return share
    width = max(4.0 * sigma, 8.0) if values.dtype.kind in "ui" else 4.0 * sigma
    below = np.asarray(values[(values < top) & (values >= top - width)], dtype=np.float64)
    levels = width if values.dtype.kind in "ui" else max(len(np.unique(below)), 1)
    if at_top > 6 * (len(below) / levels + 1):
        share = max(share, at_top / values.size)
    return share
