"""Pictures whose light no smooth terms follow, while both edges are plain to see: a gap all round, a faint halo.

Drawn in the ways that :mod:`benchmarks.scenes.drawn` has. Groups: a beam with a filament's image in it; a beam with a bright
thin rim; a camera coupled by fibres, with a honeycomb, seams and smear; a film's density (a logarithm of the light) with grain
and scratches; a video camera's eight bits with two fields. Two groups must not be told as two edges: one disc whose light is as
unsmooth; and one in a glow that eight bits cut into steps.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter

from .case import NUMBERS, Case, children, in_turn
from .drawn import FINE, MAY, Array, Drawing, camera, grid, light, on_pixels, random_drawing, truth_of

GROUPS = ("filament", "rim", "fibres", "film", "video", "one-disc", "contours")
#: Groups with a single edge.
ALONE = ("one-disc", "contours")
#: Groups whose gray levels are no measure of the light.
BENT = ("film", "video")


def scenes(n: int, seed: int = 26) -> Iterator[Case]:
    """``n`` pictures, the groups in turn."""
    return in_turn("unsmooth", GROUPS, one, children(seed, n))


def one(group: str, name: str, rng: np.random.Generator) -> Case:
    """One picture of a group."""
    s = random_drawing(rng)
    s = replace(s, halo=float(np.exp(rng.uniform(np.log(0.006), np.log(0.05)))), full=float(rng.uniform(4e3, 3e4)))
    x, y = grid(s.side)
    truth, null, allowed = truth_of(s), (), ("both-edges",)
    mean = light(s, x, y, shape=_structure(group, s, x, y, rng))
    if group in ALONE:
        null, allowed = NUMBERS, ("one-edge", "overfilled", "other-view")
        mean, truth = _disc(group, s, x, y, rng), {}
    if group in ("fibres", "one-disc"):
        mean = _through_fibres(_spread(mean, rng), s, x, y, rng)
    if group == "film":
        pixels = _on_film(mean, s, rng)
    elif group in ("video", "contours"):
        pixels = _as_video(mean, group == "video", rng)
    else:
        pixels = camera(mean, s, rng)
    about = {"linear": False} if group in BENT else {}
    if group in BENT:  # half of the light is not half of the gray levels: both radii differ a little
        truth = {k: v for k, v in truth.items() if not k.endswith("radius_px")}
    return Case(name, group, pixels, truth, allowed, null, (), MAY, about, source="drawn for this benchmark")


def _structure(group: str, s: Drawing, x: Array, y: Array, rng: np.random.Generator) -> Array:
    """Factor of the beam's light."""
    bx = (x - s.center[0] - s.offset[0] * s.radius) / (s.ratio * s.radius)
    by = (y - s.center[1] - s.offset[1] * s.radius) / (s.ratio * s.radius)
    turn = float(rng.uniform(0, 2 * np.pi))
    along, across = bx * np.cos(turn) + by * np.sin(turn), by * np.cos(turn) - bx * np.sin(turn)
    if group == "filament":
        wire = np.exp(-((across / rng.uniform(0.05, 0.12)) ** 2) - (along / 0.6) ** 2)
        return np.asarray(1 + rng.uniform(0.8, 2.0) * wire + 0.15 * np.cos(2 * np.arctan2(by, bx)))
    if group == "rim":
        return np.asarray(1 + rng.uniform(0.3, 1.2) * np.minimum(np.hypot(bx, by), 1.0) ** rng.uniform(12, 30))
    return np.asarray(1 + 0.25 * np.cos(3 * np.arctan2(by, bx) + turn) * np.minimum(bx**2 + by**2, 1.0))


def _disc(group: str, s: Drawing, x: Array, y: Array, rng: np.random.Generator) -> Array:
    """One disc alone, uneven, or in a glow that fades."""
    r = np.hypot(x - s.center[0], y - s.center[1])
    disc = s.edges[1](0.7 * s.radius - r, s.widths[1])
    if group == "one-disc":
        return np.asarray(disc * _structure("filament", s, x, y, rng))
    glow = s.halo * np.exp(-np.maximum(r / (0.7 * s.radius) - 1, 0.0) / rng.uniform(0.2, 0.5))
    return np.asarray(disc + glow)


def _spread(mean: Array, rng: np.random.Generator) -> Array:
    """A camera that spreads up to 2 % of its light."""
    share = rng.uniform(0.002, 0.02)
    far = gaussian_filter(mean, rng.uniform(6, 20) * FINE)
    return np.asarray((1 - share) * mean + share * far)


def _through_fibres(mean: Array, s: Drawing, x: Array, y: Array, rng: np.random.Generator) -> Array:
    """A honeycomb of fibre bundles, a seam between two tiles, and smear along the columns."""
    pitch, turn = float(rng.uniform(14, 30)), float(rng.uniform(0, 1))
    waves = sum(
        np.cos(2 * np.pi / pitch * (x * np.cos(turn + k * np.pi / 3) + y * np.sin(turn + k * np.pi / 3)))
        for k in range(3)
    )
    out = mean * (1 - rng.uniform(0.005, 0.03) * np.exp(-(((waves + 1.5) / 0.35) ** 2)))
    seam = int(mean.shape[1] * rng.uniform(0.35, 0.65))
    out[:, :seam] *= 1 + rng.uniform(-0.02, 0.02)
    return np.asarray(out + rng.uniform(0, 0.003) * out.mean(axis=0) * s.side / 256)


def _on_film(mean: Array, s: Drawing, rng: np.random.Generator) -> Array:
    """A scanned density: a logarithm of light and fog, grain, blotches and a few scratches."""
    seen = on_pixels(mean)
    density = np.log10(1 + seen / rng.uniform(0.03, 0.2))
    density = density + 0.01 * gaussian_filter(rng.normal(size=seen.shape), 0.8) * 2
    blotches = gaussian_filter(rng.normal(size=seen.shape), s.side / 12)
    density = density + 0.004 * blotches / blotches.std()
    levels = 3000 + 40_000 * density / density.max()
    for _ in range(int(rng.integers(0, 4))):
        row, slope = rng.uniform(0, s.side), rng.uniform(-1, 1)
        at = np.arange(s.side)
        levels[np.clip(row + slope * at, 0, s.side - 1).astype(int), at] *= 0.7
    return np.clip(np.rint(levels), 0, 65535).astype(np.uint16)


def _as_video(mean: Array, fields: bool, rng: np.random.Generator) -> Array:
    """Eight bits of a display's scale; two fields of unlike brightness and some noise, or none."""
    seen = on_pixels(mean)
    levels = 12 + 225 * (seen / seen.max()) ** (rng.uniform(0.6, 1.0) if fields else 1.0)
    if fields:
        levels[1::2] += rng.uniform(-1, 1)
        levels = levels + rng.normal(0, rng.uniform(0.7, 1.6), levels.shape)
    return np.clip(np.rint(levels), 0, 255).astype(np.uint8)
