"""A third round edge: between the beam's and what was taken for the aperture's, or within what was taken for the beam's.

A screen's rim, a panel or a stop farther out has a round edge, too. When the fit with that one leaves a round step over
between both of its edges, the aperture's is the nearer one. When it leaves one over within the inner edge, that may be the
beam's, and the inner one the aperture's; or the core of a beam.
"""

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from ..model.forward import Points, evaluate
from .find import Look, block_sigma
from .rays import Drops, Rays, cast, strongest_drop
from .shapes import circle_by_vote, fit_ellipse
from .solution import Solution
from .support import step_heights

Array = NDArray[np.float64]

#: A step on a ray counts from this many σ on (noise makes such steps, too, but not on one circle), and this share of the
#: step that was taken for the aperture's.
CLEAR, SHARE = 2.0, 0.1
#: Share of the rays that can show the edge which must agree on it, and how many there must be.
AGREE, LEAST = 0.5, 24
#: It lies this far (block sides) from the outer known edge, and from the beam's.
APART = (3.0, 1.0)
#: A ray tells of the edge when it runs over more blocks than this between the known ones.
LONG = 6
#: Blocks on each side of a step that are averaged.
WINDOW = 2
#: Where beside a drop (blocks) the light is compared once more, and the share of the drop that must be left there;
#: and the most by which it may grow from close by.
BESIDE_LINE, STAYS = np.arange(4, 7), 0.4
BESIDE_STEP, GROWS = np.arange(1, 3), 1.3


def edge_between(first: Look, pair: Solution, *, photograph: bool = False) -> Array | None:
    """The round edge that a fit of two leaves over between them, (x, y, radius, e1, e2) in px; ``None`` if there is none.

    In a ``photograph`` of a screen the screen's rim is taken for the aperture's sooner than a halo for an edge.
    """
    return _left_over(first, pair, within=False, steepest=np.inf if photograph else GROWS)


def edge_within(first: Look, pair: Solution) -> Array | None:
    """The round edge that a fit of two leaves over within the beam's, as :func:`edge_between`."""
    # A beam within may fade as it will: whether it is one is asked by reading it.
    return _left_over(first, pair, within=True, steepest=np.inf)


def _left_over(first: Look, pair: Solution, *, within: bool, steepest: float) -> Array | None:
    fit, reduced = pair.fit, first.reduced
    assert fit.aperture is not None
    assert fit.beam is not None
    size, half = reduced.size, (reduced.size - 1) / 2
    bx, by = reduced.centers()
    gx, gy = np.meshgrid(bx, by)
    u_a, u_b = distance(gx, gy, fit.aperture), distance(gx, gy, fit.beam)
    margin_a, margin_b = (k * size + 3.0 * float(e[5]) for k, e in zip(APART, (fit.aperture, fit.beam), strict=True))
    asked = (u_a > margin_a) & (u_b > APART[0] * size + 3.0 * float(fit.beam[5]) if within else u_b < -margin_b)
    asked &= np.isfinite(reduced.mean)
    if asked.sum() < 40:
        return None
    at = Points.at(gx[asked], gy[asked])
    rest = np.zeros(gx.shape)
    rest[asked] = reduced.mean[asked] - evaluate(fit.basis, at, fit.aperture, fit.beam, fit.linear)
    center = (float(fit.beam[0]) - half) / size, (float(fit.beam[1]) - half) / size
    rays = cast(rest, *center)
    seen = cast(asked.astype(np.float64), *center).value > 0.5
    able = seen.sum(axis=1) > LONG
    if able.sum() < LEAST:
        return None
    start = np.where(able, np.argmax(seen, axis=1) - float(WINDOW), np.inf)
    end = start + seen.sum(axis=1) + 2.0 * WINDOW if within else None
    drops = strongest_drop(rays, WINDOW, _sigma(first, rest, asked), start, end, excess=within)
    height = drops.inside - drops.outside
    at_block = np.clip(np.nan_to_num(drops.radius), 0, rays.value.shape[1] - 1).astype(np.intp)
    step = float(np.quantile(np.abs(step_heights(fit, "aperture")), 0.75))
    if not _is_step(rays, drops, able, steepest):
        return None
    good = able & np.isfinite(drops.radius) & (drops.significance > CLEAR) & (height > SHARE * step)
    good &= seen[np.arange(len(at_block)), at_block]
    if good.sum() < max(LEAST, AGREE * able.sum()):
        return None
    points = rays.points(drops.radius)[good]
    voted = circle_by_vote(points, np.ones(len(points)), max(1.0, 0.04 * float(np.median(drops.radius[good]))))
    if voted is None or voted[1].sum() < max(LEAST, AGREE * able.sum()):
        return None
    found = fit_ellipse(points[voted[1]], voted[0], 0.5, prior=0.08)
    if found is None:
        return None
    return np.array([found[0] * size + half, found[1] * size + half, found[2] * size, found[3], found[4]])


def _is_step(rays: Rays, drops: Drops, able: NDArray[np.bool_], grows: float) -> bool:
    """Whether the light falls by about as much (at most ``grows`` times) across a little more of it: the edge of a lit disc.

    Across a circle that is drawn or engraved it is the same again, and a halo that fades or a smooth ring falls ever further.
    """
    at = np.nan_to_num(drops.radius).astype(np.intp)[:, None]
    last = rays.value.shape[1] - 1

    def fall(beside: NDArray[np.intp]) -> Array:
        """How much less light there is outside than inside, on each ray."""
        inside, outside = (
            rays.value[np.arange(len(at))[:, None], np.clip(k, 0, last)].mean(axis=1)
            for k in (at - beside, at + beside)
        )
        return np.asarray(inside - outside)

    drop, wider, near = drops.inside - drops.outside, fall(BESIDE_LINE), fall(BESIDE_STEP)
    ok = able & np.isfinite(drops.radius) & np.isfinite(wider) & (at[:, 0] > BESIDE_LINE[-1])
    if not ok.any():
        return True
    if np.median(wider[ok]) < STAYS * np.median(drop[ok]):
        return False
    ok &= np.isfinite(near)
    return not ok.any() or bool(np.median(wider[ok]) < grows * np.median(near[ok]))


def _sigma(first: Look, rest: Array, asked: NDArray[np.bool_]) -> float:
    """1σ of a block there: the camera's noise, or what neighbors differ by if that is more."""
    beside = (rest[:, 1:] - rest[:, :-1])[asked[:, 1:] & asked[:, :-1]]
    scatter = 1.4826 * float(np.median(np.abs(beside))) / float(np.sqrt(2.0)) if beside.size else 0.0
    return max(scatter, block_sigma(first.noise, first.reduced))
