"""Step 2: rough edges. From a point in the bright core, rays look outward for places where the light drops."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .reduce import Reduced, median3

Array = NDArray[np.float64]

N_RAYS = 96
#: A region that fills less than this share of its frame is hollow; what it holds must fill this share, and its middle lie no
#: farther than this (of the frame's sides) from the frame's.
HOLLOW, IN_IT, MIDST = 0.35, 0.01, 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Rays:
    """The picture along rays from one point, in block units.

    Attributes:
        x, y: the rays' origin, blocks.
        angle: direction of each ray, rad, from +x toward +y, shape (n,).
        value: gray level, shape (n, m), at radii 0, 1, …, m − 1 blocks; NaN outside the picture.
    """

    x: float
    y: float
    angle: Array
    value: Array

    def points(self, radius: Array) -> Array:
        """Points (x, y) at a radius on each ray, shape (n, 2), blocks."""
        return np.stack([self.x + radius * np.cos(self.angle), self.y + radius * np.sin(self.angle)], axis=-1)


def cast(image: Array, x: float, y: float, n: int = N_RAYS) -> Rays:
    """Sample ``image`` (blocks) along ``n`` rays from (x, y) by bilinear interpolation, one sample a block."""
    h, w = image.shape
    reach = int(max(np.hypot(max(x, w - 1 - x), max(y, h - 1 - y)), 1)) + 1
    angle = np.arange(n) * (2 * np.pi / n)
    radius = np.arange(reach)
    px = x + np.cos(angle)[:, None] * radius
    py = y + np.sin(angle)[:, None] * radius
    outside = (px < 0) | (py < 0) | (px > w - 1) | (py > h - 1)
    px, py = np.clip(px, 0, w - 1), np.clip(py, 0, h - 1)
    i = np.minimum(px.astype(np.intp), max(w - 2, 0))
    j = np.minimum(py.astype(np.intp), max(h - 2, 0))
    fx, fy = px - i, py - j
    flat = image.ravel()
    k = j * w + i
    value = (flat[k] * (1 - fx) + flat[k + 1] * fx) * (1 - fy) + (flat[k + w] * (1 - fx) + flat[k + w + 1] * fx) * fy
    value[outside] = np.nan
    return Rays(x, y, np.asarray(angle, dtype=np.float64), value)


@dataclass(frozen=True, slots=True, eq=False)
class Drops:
    """One drop of the light per ray; NaN where a ray shows none.

    Attributes:
        radius: where the light is half-way between both sides, blocks, shape (n,).
        inside, outside: gray level before and after.
        significance: the drop ÷ its noise.
        first: whether it is the first that was looked at: the flank of a drop nearer by as likely as one of its own.
    """

    radius: Array
    inside: Array
    outside: Array
    significance: Array
    first: NDArray[np.bool_]


def windows(value: Array, w: int) -> tuple[Array, Array]:
    """Means of the ``w`` samples up to and from each place; NaN where a window leaves the picture."""
    n, m = value.shape
    total = np.concatenate(
        [np.zeros((n, 1)), np.cumsum(value, axis=1)], axis=1
    )  # NaN spreads outward: outside stays NaN
    mean = (total[:, w:] - total[:, :-w]) / w  # mean[:, i] covers samples i … i + w − 1
    before = np.full_like(value, np.nan)
    after = np.full_like(value, np.nan)
    before[:, w:] = mean[:, : m - w]
    after[:, : m - w + 1] = mean
    return before, after


def beyond_slope(drop: Array, gap: int) -> Array:
    """How much drops exceed the larger one of those ``gap`` samples before and after them; a rise counts as level."""
    beside = np.zeros((2, *drop.shape))
    beside[0, :, gap:] = np.nan_to_num(drop[:, :-gap])
    beside[1, :, :-gap] = np.nan_to_num(drop[:, gap:])
    return np.asarray(drop - np.maximum(beside.max(axis=0), 0.0))


def strongest_drop(
    rays: Rays, w: int, sigma: float, start: Array | None = None, end: Array | None = None, *, excess: bool = False
) -> Drops:
    """The strongest drop on each ray.

    Args:
        rays: the picture along rays.
        w: samples averaged on each side of a drop.
        sigma: noise of one sample, gray levels.
        start, end: radii beyond which, and up to which, to look on each ray, blocks.
        excess: count only how much a drop exceeds the slope on both of its sides, so that a halo that fades evenly
            makes no edge.
    """
    before, after = windows(rays.value, w)
    drop = before - after  # at index i: between samples i − 1 and i
    strength = drop
    if excess:
        strength = beyond_slope(drop, 2 * w)
    strength = np.where(np.isnan(strength), -np.inf, strength)
    limit = np.zeros(len(strength)) if start is None else start + w
    at = np.arange(strength.shape[1])
    strength = np.where(at < limit[:, None], -np.inf, strength)
    if end is not None:
        strength = np.where(at > end[:, None] - w, -np.inf, strength)
    best = np.argmax(strength, axis=1)
    row = np.arange(len(best))
    found = np.isfinite(strength[row, best])
    best = np.where(found, best, w)
    significance = np.where(found, strength[row, best] / (sigma * np.sqrt(2.0 / w) + 1e-300), np.nan)
    if excess:
        best = _uphill(drop, best, limit, w)
    inside, outside = before[row, best], after[row, best]
    radius = _half_level(rays.value, best, w)
    radius = np.where(found, radius, np.nan)
    return Drops(radius, inside, outside, significance, best < limit + 1)


def _uphill(drop: Array, at: NDArray[np.intp], limit: Array, most: int) -> NDArray[np.intp]:
    """The places of the nearest local maxima inward, at most ``most`` samples away, not before the limit.

    What exceeds the slope beside it most need not fall most: close to a far larger drop, its outer flank does.
    """
    row = np.arange(len(at))
    for _ in range(most):
        inward = np.maximum(at - 1, 0)
        at = np.where((drop[row, inward] > drop[row, at]) & (inward >= limit), inward, at)
    return at


def _half_level(value: Array, best: NDArray[np.intp], w: int) -> Array:
    """Where the light within ±w of the drop would step, were it sharp: the radius that keeps the sum (no threshold noise).

    The levels on both sides are means of the windows' outer halves, which the edge's own width bends least.
    """
    n, m = value.shape
    offsets = np.arange(-w, w)
    around = value[np.arange(n)[:, None], np.clip(best[:, None] + offsets, 0, m - 1)]
    half = (w + 1) // 2
    inside, outside = around[:, :half].mean(axis=1), around[:, -half:].mean(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (np.nansum(around, axis=1) - 2 * w * outside) / (inside - outside)
    return np.asarray(best - 0.5 - w + np.clip(np.where(np.isfinite(share), share, w), 0, 2 * w))


def core_start(
    reduced: Reduced, floor: float | None = None
) -> tuple[float, float, float, float, NDArray[np.bool_]] | None:
    """A point in the middle of the brightest region, blocks.

    Args:
        reduced: block means.
        floor: gray level of the light about the core; the dark level by default.

    Returns:
        (x, y, dark level, bright level, mask of the region), or ``None`` for a picture of one level.
    """
    image = median3(reduced.mean)
    finite = image[np.isfinite(image)]
    if finite.size == 0:
        return None
    low, high = np.quantile(finite, 0.02), float(np.partition(finite, -4)[-4:].min())
    if not high > low:
        return None
    least = low if floor is None else floor
    mask = image > least + 0.5 * (high - least)
    region = largest_region(mask)
    if not region.any():  # nothing exceeds the floor by half
        return None
    if _is_border(region):  # a window's frame, drawn around the view
        region = largest_region(mask & ~region)
        if not region.any():
            return None
    elif (inside := _encircled(mask, region)) is not None:
        region = inside
    mask = region
    y, x = np.nonzero(mask)
    at = float(x.mean()), float(y.mean())
    if not np.isfinite(
        image[round(at[1]), round(at[0])]
    ):  # in a dead part of the sensor: the nearest place clear of it
        known = np.isfinite(image)
        clear = known & np.roll(known, 2, 0) & np.roll(known, -2, 0) & np.roll(known, 2, 1) & np.roll(known, -2, 1)
        y, x = np.nonzero(mask & clear if (mask & clear).any() else mask)
        nearest = int(np.argmin(np.hypot(x - at[0], y - at[1])))
        at = float(x[nearest]), float(y[nearest])
    return *at, float(low), high, mask


def _encircled(mask: NDArray[np.bool_], ring: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    """The largest other region of ``mask`` when ``ring`` is hollow and that one lies in the midst of it: a screen's rim."""
    rows, columns = np.flatnonzero(ring.any(axis=1)), np.flatnonzero(ring.any(axis=0))
    box = (int(rows[-1] - rows[0]) + 1) * (int(columns[-1] - columns[0]) + 1)
    if ring.sum() > HOLLOW * box:
        return None
    inside = largest_region(mask & ~ring)
    if inside.sum() < IN_IT * box:
        return None
    y, x = (float(v.mean()) for v in np.nonzero(inside))
    middle = abs(y - 0.5 * (rows[0] + rows[-1])) / len(rows), abs(x - 0.5 * (columns[0] + columns[-1])) / len(columns)
    return inside if max(middle) < MIDST else None


def _is_border(region: NDArray[np.bool_]) -> bool:
    """Whether a region runs all round the picture and is hollow."""
    rows, columns = np.flatnonzero(region.any(axis=1)), np.flatnonzero(region.any(axis=0))
    if not len(rows):
        return False
    height, width = int(rows[-1] - rows[0]) + 1, int(columns[-1] - columns[0]) + 1
    spans = height > 0.9 * region.shape[0] and width > 0.9 * region.shape[1]
    return bool(spans and region.sum() < 0.35 * height * width)


def largest_region(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The largest 4-connected region of a small mask, by joining runs row by row."""
    h, w = mask.shape
    padded = np.zeros((h, w + 2), dtype=np.int8)
    padded[:, 1:-1] = mask
    edges = np.diff(padded, axis=1)
    rows, starts = np.nonzero(edges == 1)
    ends = np.nonzero(edges == -1)[1]
    n = len(rows)
    if n <= 1:
        return mask
    parent = list(range(n))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    first = np.searchsorted(rows, np.arange(h + 1)).tolist()
    s, e = starts.tolist(), ends.tolist()
    for r in range(1, h):
        i, i_end, j, j_end = first[r - 1], first[r], first[r], first[r + 1]
        while i < i_end and j < j_end:
            if s[i] < e[j] and s[j] < e[i]:
                a, b = root(i), root(j)
                if a != b:
                    parent[b] = a
            if e[i] < e[j]:
                i += 1
            else:
                j += 1
    label = np.array([root(i) for i in range(n)])
    size = np.bincount(label, weights=ends - starts, minlength=n)
    keep = label == int(np.argmax(size))
    out = np.zeros_like(padded)
    np.add.at(out, (rows[keep], starts[keep]), 1)
    np.add.at(out, (rows[keep], ends[keep]), -1)
    return np.cumsum(out, axis=1)[:, :w].astype(bool)
