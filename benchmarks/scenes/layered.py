"""Pictures with a third step: beams with a bright or a dim middle, a previous position that still glows, a window's panels.

Drawn in the ways that :mod:`benchmarks.scenes.drawn` has. In "bright-middle", "dim-middle" and "no-aperture" the beam's light has
two levels and fades from one to the other; the last has no aperture around it. "few-levels" has a halo of one or two gray levels
in which noise shows; "negative" is turned round and reaches beyond the frame; "glowing-before" shows the beam's last place, too,
so that no number may be told; "panels" is a screenshot; "porthole" is one disc with a patchy scene in it.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from .case import NUMBERS, Case, children, in_turn
from .drawn import (
    FINE,
    MAY,
    Array,
    Drawing,
    camera,
    displayed,
    framed,
    grid,
    light,
    on_pixels,
    random_drawing,
    truth_of,
)

GROUPS = (
    "bright-middle", "dim-middle", "few-levels", "negative", "panels", "glowing-before", "no-aperture", "porthole",
)  # fmt: skip
#: Groups with a single edge.
ALONE = ("no-aperture", "porthole")


def scenes(n: int, seed: int = 27) -> Iterator[Case]:
    """``n`` pictures, the groups in turn."""
    return in_turn("layered", GROUPS, one, children(seed, n))


def one(group: str, name: str, rng: np.random.Generator) -> Case:
    """One picture of a group."""
    s = random_drawing(rng)
    s = replace(s, halo=float(np.exp(rng.uniform(np.log(0.03), np.log(0.2)))), full=float(rng.uniform(1e3, 2e4)))
    truth, null, allowed, must = truth_of(s), (), ("both-edges",), ()
    if group == "negative":  # a part of both discs is beyond the frame
        s = replace(s, center=(0.75 * s.side, s.center[1]))
        truth = truth_of(s)
    x, y = grid(s.side)
    mean = light(s, x, y, shape=_two_levels(group, s, x, y, rng))
    if group in ALONE:
        null, allowed, truth = NUMBERS, ("one-edge", "overfilled", "other-view"), {}
        mean = _alone(group, s, x, y, rng)
    if group == "glowing-before":
        null, allowed, must = NUMBERS, ("both-edges", "clipped", "other-view"), ("afterglow",)
        mean = mean + _before(s, x, y, rng)
    if group == "few-levels":
        pixels = _few_levels(mean, s, rng)
    else:
        pixels = camera(mean, s, rng)
    if group == "negative":
        pixels = np.asarray(pixels.max() - pixels)
    if group == "panels":
        pixels, must = _beside_panels(pixels, rng), ("overlay",)
        truth = {k: v for k, v in truth.items() if k.startswith("offset")}
    return Case(name, group, pixels, truth, allowed, null, must, MAY, {}, source="drawn for this benchmark")


def _two_levels(group: str, s: Drawing, x: Array, y: Array, rng: np.random.Generator) -> Array:
    """Factor of the beam's light: another level in its middle."""
    if group not in ("bright-middle", "dim-middle"):
        return np.ones_like(x)
    r = np.hypot(x - s.center[0] - s.offset[0] * s.radius, y - s.center[1] - s.offset[1] * s.radius)
    inner = float(rng.uniform(0.55, 0.75)) * s.ratio * s.radius
    middle = ndtr((inner - r) / (rng.uniform(0.06, 0.12) * inner))
    rim = float(rng.uniform(0.55, 0.7))
    return np.asarray(rim + (1 - rim) * middle if group == "bright-middle" else 1 - (1 - rim) * middle)


def _alone(group: str, s: Drawing, x: Array, y: Array, rng: np.random.Generator) -> Array:
    """One disc: with a bright middle, or with a patchy scene."""
    r = np.hypot(x - s.center[0], y - s.center[1])
    disc = s.edges[1](0.8 * s.radius - r, min(s.widths))
    if group == "no-aperture":
        at = replace(s, offset=(0.0, 0.0), ratio=0.8)
        return np.asarray(disc * _two_levels("bright-middle", at, x, y, rng))
    patches = gaussian_filter(rng.normal(size=x.shape), s.side / 20 * FINE)
    return np.asarray(disc * np.clip(0.55 + 0.25 * patches / patches.std(), 0.05, 1.0) + 0.04)


def _before(s: Drawing, x: Array, y: Array, rng: np.random.Generator) -> Array:
    """The beam's disc where it was, fainter, cut by the aperture."""
    turn, far = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0.25, 0.5))
    was = s.offset[0] + far * float(np.cos(turn)), s.offset[1] + far * float(np.sin(turn))
    return np.asarray(float(rng.uniform(0.15, 0.4)) * light(replace(s, halo=0.0, offset=was), x, y))


def _few_levels(mean: Array, s: Drawing, rng: np.random.Generator) -> Array:
    """A camera whose halo is one or two gray levels high, with about half a level of noise."""
    seen = on_pixels(mean)
    levels = 100 + rng.uniform(1.2, 2.2) / s.halo * seen
    noise = np.sqrt(rng.uniform(0.35, 0.6) ** 2 + np.maximum(levels - 100, 0.0) * 0.05)
    return np.clip(np.rint(levels + noise * rng.normal(size=seen.shape)), 0, 65535).astype(np.uint16)


def _beside_panels(pixels: Array, rng: np.random.Generator) -> Array:
    """8 bits with narrow panels of one gray level around them, a title bar, and lines of buttons."""
    side, sides = pixels.shape[0], (*rng.uniform(0.05, 0.25, 2), 0.12, rng.uniform(0.03, 0.08))
    out = framed(displayed(pixels, 1.0), sides, int(rng.choice([240, 205, 110, 64])), 40)
    left, top = int(side * sides[0]), int(side * sides[2])
    for row in range(top, top + side // 2, 24):
        out[row, side + left + 4 : -4] = 20
    return out
