"""Step 2b: from drops along rays to rough edges: which arcs belong together, and whose they may be."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from ..scene import Noise
from .rays import Drops, Rays, cast, core_start, strongest_drop
from .reduce import Reduced, median3
from .shapes import circle_by_vote, coverage, fit_ellipse

Array = NDArray[np.float64]


#: An arc whose radius is larger than this many extents of all the boundary belongs to no disc.
FLATTEST = 1.2


@dataclass(frozen=True, slots=True, eq=False)
class Rough:
    """What a first look found, in block units.

    Attributes:
        center: a point in the core.
        dark, bright: gray levels without light and of the core.
        lit_share: share of the picture brighter than half.
        inner: drops on the core's boundary, one a ray.
        outer: fainter drops beyond it.
        rays: the picture along rays.
        outline: ellipses (x, y, radius, e1, e2) through the core's boundary, best supported first, with the share of
            the boundary's rays that lie on each.
        within: the ellipse through a fainter edge inside the core, if one is seen, with its share of rays.
        grid: (rows, columns) of blocks.
        surround: the ellipse through the faint surround's outer edge, if one is seen, with its share of rays.
    """

    center: tuple[float, float]
    dark: float
    bright: float
    lit_share: float
    inner: Drops
    outer: Drops
    rays: Rays
    outline: tuple[tuple[Array, float], ...]
    surround: tuple[Array, float] | None
    within: tuple[Array, float] | None
    grid: tuple[int, int]


def look(reduced: Reduced, noise_of_block: float, floor: float | None = None) -> Rough | None:
    """A first look at a reduced picture; ``None`` when it holds no light.

    Args:
        reduced: block means.
        noise_of_block: 1σ of a block's mean at the dark level, gray levels.
        floor: gray level of a halo that is so bright that it would be taken for the core, see :func:`halo_floor`.
    """
    start = core_start(reduced, floor)
    if start is None:
        return None
    x, y, dark, bright, mask = start
    image = median3(reduced.mean)
    if np.mean(np.isfinite(image)) > 0.97:  # a few missing blocks; a dead part of the sensor is outside of the picture
        image = np.where(np.isfinite(image), image, dark)
    rays = cast(image, x, y)
    # Where the halo is bright, the step from it into the dark may be as large as the core's; down to the floor it is not.
    least = dark if floor is None else floor
    raised = rays if floor is None else replace(rays, value=np.maximum(rays.value, floor))
    inner, good = _core_edge(raised, noise_of_block, 0.15 * (bright - least))
    outline = _outlines(rays.points(inner.radius), good, (x, y))
    outer, surround = _surround(rays, inner, noise_of_block)
    within = None
    # A surround that begins right at the core may be no more than the flank of its edge.
    if outline and (surround is None or surround[0][2] < FLANK * outline[0][0][2]):
        within = _within(rays, inner, noise_of_block)
    share = float(mask.mean())
    return Rough((x, y), dark, bright, share, inner, outer, rays, outline, surround, within, reduced.mean.shape)


def halo_floor(reduced: Reduced, rough: Rough) -> float | None:
    """Gray level of a halo that may have been taken for a part of the core; ``None`` where nothing looks like one.

    The light inside the outline is parted into two classes (N. Otsu, IEEE Trans. Syst. Man Cybern. 9, 1979, 62).
    """
    if not rough.outline or rough.outline[0][1] < MOSTLY:
        return None
    rows, columns = reduced.mean.shape
    x, y = np.meshgrid(np.arange(columns, dtype=np.float64), np.arange(rows, dtype=np.float64))
    inside = distance(x, y, rough.outline[0][0]) > CLEAR_OF_EDGE
    values = np.sort(reduced.mean[inside & np.isfinite(reduced.mean)])
    parted = _parted(values)
    if parted is None:
        return None
    lower, upper = parted
    apart = upper.mean() - lower.mean() > 0.15 * (rough.bright - rough.dark)
    return float(values[0] + lower.mean()) if apart else None


def _parted(values: Array) -> tuple[Array, Array] | None:
    """Sorted values in two classes that differ most beside their own scatter; ``None`` where none are told apart."""
    n = len(values)
    if n < FEWEST:
        return None
    values = values - values[0]
    total = np.cumsum(values)
    k = np.arange(FEWEST // 4, n - FEWEST // 4)
    between = (total[k - 1] * n - total[-1] * k) ** 2 / (k * (n - k))
    best = int(np.argmax(between))
    if between[best] <= DISTINCT * n**2 * float(values.var()):
        return None
    return values[: k[best]], values[k[best] :]


def _core_edge(rays: Rays, sigma: float, least: float) -> tuple[Drops, NDArray[np.bool_]]:
    """The drops at the core's boundary, and which of them are as large as ``least`` (gray levels).

    The light beside a soft edge is compared over a longer way where few show over a short one.
    """

    def seen(w: int) -> tuple[Drops, NDArray[np.bool_]]:
        drops = strongest_drop(rays, w, sigma)
        return drops, np.isfinite(drops.radius) & (drops.inside - drops.outside > least)

    short = seen(2)
    if short[1].sum() >= FEW * len(short[1]):
        return short
    long = seen(5)
    return long if long[1].sum() > 2 * short[1].sum() else short


def _outlines(points: Array, good: NDArray[np.bool_], center: tuple[float, float]) -> tuple[tuple[Array, float], ...]:
    """Up to three ellipses through the boundary points, each found among what the earlier ones leave unexplained."""
    found: list[tuple[Array, float]] = []
    left = good.copy()
    total = max(int(good.sum()), 1)
    extent = float(np.ptp(points[good], axis=0).max()) if good.any() else 0.0
    for _ in range(4):
        if len(found) == 3 or left.sum() < max(8, 0.1 * total):
            break
        p = points[left]
        size = float(np.median(np.hypot(p[:, 0] - center[0], p[:, 1] - center[1])))
        voted = circle_by_vote(p, np.ones(len(p)), max(1.0, 0.04 * size))
        if voted is None:
            break
        circle, agree = voted
        ellipse = fit_ellipse(p[agree] if agree.sum() >= 8 else p, circle, max(0.4, 0.01 * size), prior=0.08)
        if ellipse is None:
            ellipse = np.array([*circle, 0.0, 0.0])
        near = left & (np.abs(distance(points[:, 0], points[:, 1], ellipse)) < max(1.5, 0.03 * size))
        if not near.any():
            break
        left = left & ~near
        if ellipse[2] <= FLATTEST * extent:  # else a straight edge: a bar, a dead part of the sensor
            found.append((ellipse, float(near.sum()) / len(good)))
    found.sort(key=lambda f: -f[1])
    return tuple(found)


#: Rays on which the surround's edge shows clear of the core's: then the others, where it may be the core's, are left out.
LEAST_SHOWN = 16
#: Share of the rays on which the core's edge shows in all but soft or odd pictures.
FEW = 0.3
#: A surround less than this many times as wide as the core.
FLANK = 1.1
#: Share of the rays on which an edge inside the core shows, at least: a core has many features of its own.
WITHIN = 0.4
#: Share of the rays on which another edge farther out shows, at least (a square's sides are round on a fifth).
BEYOND = 0.3
#: … outside which it is darker than inside by so many σ of a block.
DARKER = 5.0
#: An outline on this share of the rays may be the aperture's; the light inside it is looked at so far (blocks) from it.
MOSTLY, CLEAR_OF_EDGE = 0.45, 2.0
#: Blocks that can be parted in two, and the share of their variance that both levels must bear (three quarters for
#: evenly spread ones).
FEWEST, DISTINCT = 60, 0.85


def _surround(
    rays: Rays,
    inner: Drops,
    sigma: float,
) -> tuple[Drops, tuple[Array, float] | None]:
    """The faint surround's outer edge: the drops beyond the core's boundary that a circle explains."""
    best: tuple[Drops, tuple[Array, float] | None] | None = None
    start = np.where(np.isfinite(inner.radius), inner.radius + 1.5, np.inf)
    for w in (2, 4, 8):
        outer = strongest_drop(rays, w, sigma, start, excess=True)
        if best is None:
            best = (outer, None)
        found = _round(rays, outer)
        if found is not None and (best[1] is None or found[1] > 1.3 * best[1][1]):
            best = (outer, found)
    assert best is not None
    return best


def _within(rays: Rays, inner: Drops, sigma: float) -> tuple[Array, float] | None:
    """A fainter round edge inside the core: the beam's, where the halo's step at the aperture's edge is the larger one."""
    best: tuple[Array, float] | None = None
    end = np.where(np.isfinite(inner.radius), inner.radius - 1.5, -np.inf)
    for w in (2, 4):
        found = _round(rays, strongest_drop(rays, w, sigma, None, end, excess=True))
        if found is not None and found[1] > WITHIN and (best is None or found[1] > 1.3 * best[1]):
            best = found
    return best


def _round(rays: Rays, drops: Drops) -> tuple[Array, float] | None:
    """The ellipse that most of the significant drops lie on, and its share of all rays."""
    ok = np.isfinite(drops.radius) & (drops.significance > 3.5) & (drops.inside > drops.outside)
    if (ok & ~drops.first).sum() >= LEAST_SHOWN:
        ok &= ~drops.first
    if ok.sum() < 10:
        return None
    points = rays.points(drops.radius)
    size = float(np.median(drops.radius[ok]))
    weight = np.clip(drops.significance[ok], 0, 20)
    voted = circle_by_vote(points[ok], weight, max(1.5, 0.05 * size))
    if voted is None:
        return None
    circle, agree = voted
    ellipse = fit_ellipse(points[ok][agree], circle, max(0.5, 0.01 * size), prior=0.08) if agree.sum() >= 8 else None
    if ellipse is None:
        return None
    near = ok & (np.abs(distance(points[:, 0], points[:, 1], ellipse)) < max(1.5, 0.03 * size))
    share = float(near.sum()) / len(ok)
    return None if share < 0.1 or coverage(points[near], ellipse[:2]) < 0.15 else (ellipse, share)


def edge_beyond(reduced: Reduced, edge: Array, sigma: float) -> bool:
    """Whether the light falls once more along a round edge farther out: then this edge need not be the outermost.

    A bright ring about the edge, outside which it is as dark as inside, is none.

    Args:
        reduced: block means.
        edge: (x, y, radius, …) in block units.
        sigma: 1σ of a block's mean at the dark level, gray levels.
    """
    rays = cast(median3(reduced.mean), float(edge[0]), float(edge[1]))
    first = int(edge[2]) + 2
    level = rays.value[:, first : first + 3].mean(axis=1)
    start = np.full(len(rays.angle), float(first))

    def seen(w: int) -> bool:
        drops = strongest_drop(rays, w, sigma, start, excess=True)
        darker = drops.outside < level - DARKER * sigma
        found = _round(rays, replace(drops, significance=np.where(darker, drops.significance, 0.0)))
        return found is not None and found[1] > BEYOND

    return any(seen(w) for w in (2, 4, 8))


def block_sigma(noise: Noise, reduced: Reduced) -> float:
    """1σ of a block's mean at the dark level, gray levels."""
    return float(np.sqrt(noise.mean_variance(noise.bias, reduced.pixels)))


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """A picture and the first things known of it.

    Attributes:
        pixels, reduced, noise: without what was drawn into it.
        rough: not looked for when edges are followed.
        drawn: whether marks were drawn into the picture that ``pixels`` no longer shows.
        covered: whether the shadow of something in the way was taken out of ``pixels``.
    """

    pixels: NDArray[Any]
    reduced: Reduced
    noise: Noise
    rough: Rough | None
    drawn: bool
    covered: bool = False
