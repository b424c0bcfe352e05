"""Glow: a camera or a screen that spreads a few percent of the light far from where it fell, beyond the aperture's edge, too.

Drawn in the ways that :mod:`benchmarks.scenes.drawn` has, in bright light, where glow exceeds the noise by far. A pixel's light
is spread as two exponentials of its distance, one short, one long, which is none of the engine's kernels. Groups: a beam inside
its aperture; one that the aperture cuts; one disc alone, which must not be told as two; and a lens without halo, of which
nothing tells whose edge is whose.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from .case import NUMBERS, SIGNED, Case, children, in_turn
from .drawn import FINE, MAY, Array, camera, grid, light, random_drawing, truth_of
from .worn import beam_of

GROUPS = ("nested", "cut", "one-disc", "bare-lens")


def scenes(n: int, seed: int = 24) -> Iterator[Case]:
    """``n`` pictures, the groups in turn."""
    return in_turn("glowing", GROUPS, one, children(seed, n))


def one(group: str, name: str, rng: np.random.Generator) -> Case:
    """One picture of a group."""
    s = random_drawing(rng)
    s = replace(s, full=float(np.exp(rng.uniform(np.log(3e2), np.log(4e4)))), halo=float(rng.uniform(0.03, 0.15)))
    null, allowed = (), ("both-edges",)
    if group in ("cut", "bare-lens"):
        ratio, allowed = float(rng.uniform(0.75, 1.1)), ("clipped",)
        s = beam_of(s, ratio, rng.uniform(0.25, 0.5) + max(ratio - 1.0, 0.0), rng.uniform(0, 2 * np.pi))
    if group == "bare-lens":
        s = replace(s, halo=0.0, edges=(s.edges[0],) * 2, widths=(s.widths[0],) * 2)
        null = SIGNED
    x, y = grid(s.side)
    if group == "one-disc":
        width = float(rng.uniform(0.8, 4.0))
        mean = s.edges[0](s.radius - np.hypot(x - s.center[0], y - s.center[1]), width)
        truth, null, allowed = {"aperture_radius_px": s.radius}, NUMBERS, ("one-edge", "overfilled", "other-view")
    else:
        mean, truth = light(s, x, y), truth_of(s, edges=group != "bare-lens")
    pixels = camera(spread(mean, s.radius, rng), s, rng)
    return Case(name, group, pixels, truth, allowed, null, (), MAY, {}, source="drawn for this benchmark")


def spread(mean: Array, radius: float, rng: np.random.Generator) -> Array:
    """A fine picture with 2–8 % of its light spread over 2–5 % of a radius, and 1–4 % over 10–40 %."""
    shape = tuple(2 * n for n in mean.shape)
    y, x = (np.minimum(np.arange(n), n - np.arange(n)) / FINE for n in shape)
    far = np.hypot(x[None, :], y[:, None])
    out, transform = np.array(mean), np.fft.rfft2(mean, shape)
    for share, reach in (((0.02, 0.08), (0.02, 0.05)), ((0.01, 0.04), (0.1, 0.4))):
        kernel = np.exp(-far / (radius * rng.uniform(*reach)))
        glow = np.fft.irfft2(transform * np.fft.rfft2(kernel / kernel.sum()), shape)[: len(mean), : mean.shape[1]]
        out += rng.uniform(*share) * (glow - mean)
    return out
