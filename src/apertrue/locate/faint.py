"""Faint round edges beyond the core: steps too small for one ray, which many rays show along one circle.

On each ray what the light drops by beyond the slope on both sides is measured by its own scatter along that ray, so that a
sloping, a grained or a glowing surround weighs no more than a calm one. Circles then collect what lies along them (a Hough
transform of steps: Duda and Hart 1972, Commun. ACM 15:11, from memory).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from .rays import Rays, beyond_slope, cast, windows
from .reduce import block_means, median3
from .shapes import alike, fit_ellipse, in_blocks, out_of_blocks

Array = NDArray[np.float64]

#: Samples along a ray for the core's radius.
SAMPLES = 64.0
#: Fewest samples across a picture.
FEWEST = 16
#: Samples averaged on each side of a step.
SIDES = (1, 2, 4)
#: One sample counts at most so many σ for an edge, and against one.
MOST, LEAST = 5.0, -3.0


@dataclass(frozen=True, slots=True)
class Family:
    """Circles to be looked for: the widest, how far about the core's middle and in which steps (core radii), of every so many-th
    radius (samples), and at most how many.
    """

    widest: float
    farthest: float
    grid: float
    every: int
    most: int


#: Narrow surrounds, and wide ones.
FAMILIES = (Family(1.5, 0.24, 0.03, 1, 2), Family(2.5, 1.2, 0.07, 2, 3))
#: They may cut the core by this share of its radius.
CUT = 0.15
#: A circle must show on this share of the rays' places in the picture, and collect so many σ.
SEEN, ENOUGH = 0.2, 6.0
#: Two edges alike to this share of their radii are one.
SAME = 0.01
#: Points of an edge lie within so many samples of its circle, and count when they show by so much.
NEAR, SHOWN = 4, 1.5


def faint_edges(pixels: NDArray[Any], core: Array) -> list[Array]:
    """Round edges beyond the core's, the clearest first, each (x, y, radius, e1, e2), px.

    Args:
        pixels: the picture.
        core: the core's edge, (x, y, radius, e1, e2), px.
    """
    size = max(1, int(core[2] / SAMPLES))
    if min(pixels.shape) < FEWEST * size:
        return []  # hardly more than the core is in the picture
    own = in_blocks(core, size)
    rays = cast(median3(block_means(pixels, size)[0]), float(own[0]), float(own[1]))
    steps = _steps(rays, own)
    found: list[Array] = []
    for family in FAMILIES:
        strength = steps.copy()
        for _ in range(family.most):
            circle = _most_voted(rays, strength, own, family)
            edge = None if circle is None else _through(rays, strength, circle)
            if edge is None:
                break
            if not any(alike(edge, other, SAME) for other in found):
                found.append(edge)
    return [out_of_blocks(edge, size) for edge in found]


def _steps(rays: Rays, core: Array) -> Array:
    """How clearly the light steps down at each place of each ray beyond the core, in units of its scatter along the ray."""
    along = np.arange(rays.value.shape[1], dtype=np.float64)
    inward = distance(rays.x + np.cos(rays.angle)[:, None] * along, rays.y + np.sin(rays.angle)[:, None] * along, core)
    out = np.full(rays.value.shape, np.nan)
    for w in SIDES:
        before, after = windows(rays.value, w)
        more = beyond_slope(before - after, w + 1)
        more[inward > -1.0 - w] = np.nan
        asked = np.isfinite(more).any(axis=1)
        middle = np.nanmedian(more[asked], axis=1, keepdims=True)
        scatter = 1.4826 * np.nanmedian(np.abs(more[asked] - middle), axis=1, keepdims=True)
        out[asked] = np.fmax(out[asked], (more[asked] - middle) / np.maximum(scatter, 1e-300))
    return np.asarray(np.clip(out, LEAST, MOST))


def _most_voted(rays: Rays, strength: Array, core: Array, family: Family) -> Array | None:
    """The circle (x, y, radius), in samples, that collects most; ``None`` when none collects enough."""
    rows, reach = strength.shape
    shown = np.isfinite(strength)
    value = np.where(shown, strength, 0.0)
    steps = np.arange(-family.farthest, family.farthest + family.grid / 2, family.grid) * core[2]
    a, b = (v.ravel() for v in np.meshgrid(steps, steps))
    near = np.hypot(a, b) <= family.farthest * core[2]
    a, b = a[near], b[near]
    radius = np.arange(max(4, int(0.7 * core[2])), max(5, min(reach - 2, int(family.widest * core[2]))), family.every)
    if not len(radius) or not len(a):
        return None
    cos, sin = np.cos(rays.angle), np.sin(rays.angle)
    votes, places = np.zeros((len(a), len(radius))), np.zeros((len(a), len(radius)))
    for k in range(rows):
        at = _places(a[:, None], b[:, None], radius, cos[k], sin[k])
        at = np.clip(at, 0, reach - 1)
        votes += value[k].take(at)
        places += shown[k].take(at)
    around = np.hypot(a, b)[:, None] + (1.0 - CUT) * core[2] < radius
    score = np.where(around & (places > SEEN * rows), votes / np.sqrt(np.maximum(places, 1.0)), 0.0)
    i, j = np.unravel_index(int(np.argmax(score)), score.shape)
    return np.array([rays.x + a[i], rays.y + b[i], float(radius[j])]) if score[i, j] > ENOUGH else None


def _places(a: Any, b: Any, radius: Any, cos: Any, sin: Any) -> NDArray[np.intp]:
    """The sample on rays in directions (cos, sin) at which they cross circles about (a, b) from the rays' origin."""
    across = np.sqrt(np.maximum(radius**2.0 - (a * sin - b * cos) ** 2, 0.0))
    return np.asarray(np.rint(a * cos + b * sin + across), dtype=np.intp)


def _through(rays: Rays, strength: Array, circle: Array) -> Array | None:
    """The ellipse through the steps along a circle, which are then taken away."""
    rows, reach = strength.shape
    cos, sin = np.cos(rays.angle), np.sin(rays.angle)
    a, b = circle[0] - rays.x, circle[1] - rays.y
    at = _places(a, b, circle[2], cos, sin)
    place = np.clip(at[:, None] + np.arange(-NEAR, NEAR + 1), 0, reach - 1)
    around = np.nan_to_num(np.take_along_axis(strength, place, axis=1), nan=LEAST)
    best = np.take_along_axis(place, around.argmax(axis=1)[:, None], axis=1)[:, 0]
    good = around.max(axis=1) > SHOWN
    np.put_along_axis(strength, place, np.nan, axis=1)
    if good.sum() < SEEN * rows:
        return None
    return fit_ellipse(rays.points(best - 0.5)[good], circle, 1.0, around.max(axis=1)[good], prior=0.05)
