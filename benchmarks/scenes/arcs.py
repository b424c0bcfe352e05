"""Arcs of edges that no circle follows, small things beside a beam, and a photographed screen's bright rim.

Drawn in the ways that :mod:`benchmarks.scenes.drawn` has. Groups: a beam with threefold astigmatism half out of the frame; an
elliptical beam that the aperture cuts, as a camera sees it that saturates; reflections and a crosshair beside a beam; and a
photograph in which the screen's rim is a bright ring that the frame cuts.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from .case import Case, children, in_turn
from .drawn import MAY, Array, Drawing, camera, displayed, grid, light, random_drawing, truth_of
from .worn import PLAIN, beam_of, snapshot

GROUPS = ("threefold-cut", "oval-lens", "beside", "bright-rim")


def scenes(n: int, seed: int = 22) -> Iterator[Case]:
    """``n`` pictures, the groups in turn."""
    return in_turn("arcs", GROUPS, one, children(seed, n))


def one(group: str, name: str, rng: np.random.Generator) -> Case:
    """One picture of a group."""
    s = random_drawing(rng)
    allowed, about, edges = ("both-edges",), {}, True
    if group == "threefold-cut":
        s = replace(s, full=4 * s.full, ratio=float(rng.uniform(0.6, 0.75)), halo=float(rng.uniform(0.08, 0.2)))
        s = beam_of(s, s.ratio, rng.uniform(0.0, 0.85 - s.ratio), rng.uniform(0, 2 * np.pi))
        pixels = camera(_astigmatic(s, rng, threefold=rng.uniform(0.003, 0.007)), s, rng)
        cut = int(s.center[1] - s.radius * rng.uniform(0.0, 0.2))  # the upper part is out of the frame
        pixels, s = pixels[cut:], replace(s, center=(s.center[0], s.center[1] - cut))
    elif group == "oval-lens":
        ratio, turn = float(rng.uniform(0.8, 1.1)), rng.uniform(0, 2 * np.pi)
        s, allowed = beam_of(s, ratio, rng.uniform(0.35, 0.5) + max(ratio - 1.0, 0.0), turn), ("clipped",)
        pixels = camera(_astigmatic(s, rng, twofold=rng.uniform(0.02, 0.05)), s, rng)
        if rng.random() < 0.5:
            brighter = displayed(pixels, 1.0, *PLAIN) * rng.uniform(1.0, 1.5)
            pixels = np.minimum(brighter, 255).astype(np.uint8)
            edges = False  # where the camera saturates, half of the light is not half of the gray levels
    elif group == "beside":
        pixels = camera(light(s, *grid(s.side)) + _reflections(s, rng), s, rng)
        if rng.random() < 0.5:
            pixels = _crosshair(displayed(pixels, 1.0, *PLAIN), s, rng)
    else:
        pixels, about, edges = _rimmed(s, rng), {"lossy": True, "color": True}, False
    truth = truth_of(s, edges=edges)
    return Case(
        name, group, pixels, truth, allowed, (), (), (*MAY, "cut-by-frame"), about, source="drawn for this benchmark"
    )


def _astigmatic(s: Drawing, rng: np.random.Generator, *, twofold: float = 0.0, threefold: float = 0.0) -> Array:
    """The light with a beam whose radius varies by these shares two and three times a turn."""
    x, y = grid(s.side)
    turn = np.arctan2(y - s.center[1] - s.offset[1] * s.radius, x - s.center[0] - s.offset[0] * s.radius)
    starts = rng.uniform(0, 2 * np.pi, 2)
    outline = 1 + twofold * np.cos(2 * turn + starts[0]) + threefold * np.cos(3 * turn + starts[1])
    return light(s, x, y, outline=outline)


def _reflections(s: Drawing, rng: np.random.Generator) -> Array:
    """Soft spots, smaller than a quarter of the beam, within the aperture and beside it."""
    x, y = grid(s.side)
    out = np.zeros_like(x)
    for away in (rng.uniform(0.8, 0.95), rng.uniform(1.2, 1.5)):
        turn, wide = rng.uniform(0, 2 * np.pi), s.radius * rng.uniform(0.02, 0.06)
        at = s.center[0] + away * s.radius * np.cos(turn), s.center[1] + away * s.radius * np.sin(turn)
        out += rng.uniform(0.2, 0.6) * np.exp(-0.5 * ((x - at[0]) ** 2 + (y - at[1]) ** 2) / wide**2)
    return out


def _crosshair(pixels: Array, s: Drawing, rng: np.random.Generator) -> Array:
    """A thin circle and lines drawn into the picture, somewhere near the discs."""
    from PIL import Image, ImageDraw

    picture = Image.fromarray(pixels)
    pen, level = ImageDraw.Draw(picture), int(rng.integers(90, 200))
    x, y = (float(c + s.radius * v) for c, v in zip(s.center, rng.uniform(-0.8, 0.8, 2), strict=True))
    r = float(s.radius * rng.uniform(0.3, 0.7))
    pen.ellipse((x - r, y - r, x + r, y + r), outline=level)
    pen.line((x - 8, y, x + 8, y), fill=level)
    pen.line((x, y - 8, x, y + 8), fill=level)
    return np.asarray(picture)


def _rimmed(s: Drawing, rng: np.random.Generator) -> Array:
    """A photograph of the screen whose rim is a bright ring, partly out of the frame, around the aperture or touching it."""
    x, y = grid(s.side)
    face = s.radius * rng.uniform(1.35, 1.7)
    turn, away = rng.uniform(0, 2 * np.pi), rng.uniform(0.0, 0.95) * (face - s.radius)
    r = np.hypot(x - s.center[0] - away * np.cos(turn), y - s.center[1] - away * np.sin(turn))
    rim = rng.uniform(0.05, 0.12) * np.exp(-0.5 * ((r - face) / (0.02 * s.radius + 1.0)) ** 2)
    mean = light(s, x, y) + 0.01 + rng.uniform(0.02, 0.05) / (1 + np.exp((r - face) / 2)) + rim
    return snapshot(mean, 0.004, rng)
