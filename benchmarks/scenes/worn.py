"""What old apertures, busy cameras and phones make of the picture: drawn in the ways that :mod:`benchmarks.scenes.drawn` has.

Lobed edges, text and a scale bar beside a small beam, hum over the rows, lenses whose arcs have tails, and photographs of a
screen with its rim, a gap all round or a lens on it.
"""

from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO

import numpy as np

from .case import Case, children, in_turn
from .drawn import FINE, MAY, Array, Drawing, camera, displayed, grid, light, random_drawing, truth_of

GROUPS = ("lobed", "marked", "hum", "screen-photograph", "lens-photograph", "tailed-lens")
#: Where 8 bits have the dark and how far the beam lies above it, share of their range: text may be brighter.
PLAIN = 4 / 255, 216 / 255


def scenes(n: int, seed: int = 21) -> Iterator[Case]:
    """``n`` pictures, the groups in turn."""
    return in_turn("worn", GROUPS, one, children(seed, n))


def one(group: str, name: str, rng: np.random.Generator) -> Case:
    """One picture of a group."""
    s = random_drawing(rng)
    allowed, about = ("both-edges",), {}
    if group == "lobed":
        s, (x, y) = replace(s, full=4 * s.full), grid(s.side)
        turn = np.arctan2(y - s.center[1], x - s.center[0])
        lobes = sum(rng.normal(0, 0.005) * np.cos(k * turn + rng.uniform(0, 6)) for k in range(3, 7))
        pixels = camera(light(s, x, y, rough=lobes), s, rng)
    elif group == "marked":
        s = _small(s, rng)
        pixels = _marked(displayed(camera(light(s, *grid(s.side)), s, rng), 1.0, *PLAIN), rng)
    elif group == "hum":
        s = _small(s, rng)
        pixels = camera(light(s, *grid(s.side)), s, rng)
        swing = rng.uniform(0.01, 0.03) * s.full * np.sin(np.arange(s.side) * 2 * np.pi * rng.uniform(6, 30) / s.side)
        pixels = np.clip(np.rint(pixels + swing[:, None]), 0, 65535).astype(np.uint16)
    elif group == "tailed-lens":
        s, allowed = _lens(s, rng), ("clipped",)
        s = replace(s, edges=(s.edges[0], lorentzian), widths=(s.widths[0], float(rng.uniform(0.5, 1.5))))
        pixels = camera(light(s, *grid(s.side)), s, rng)
    else:
        if group == "lens-photograph":
            s, allowed = _lens(s, rng), ("clipped",)
        pixels, about = _photographed(s, rng), {"lossy": True, "color": True}
    truth = truth_of(s, edges="photograph" not in group)  # a bent scale of gray levels moves both radii outward
    return Case(name, group, pixels, truth, allowed, (), (), MAY, about, source="drawn for this benchmark")


def lorentzian(u: Array, w: float) -> Array:
    """Half of it with the tails of a Lorentzian."""
    return np.asarray(0.25 + 0.5 * np.arctan(u / w) / np.pi + 0.25 * (1 + np.tanh(u / w)))


def _small(s: Drawing, rng: np.random.Generator) -> Drawing:
    """The drawing with a beam of a quarter to a third of the aperture's radius, anywhere in it."""
    ratio, turn = float(rng.uniform(0.22, 0.34)), rng.uniform(0, 2 * np.pi)
    return beam_of(s, ratio, rng.uniform(0.0, 0.9 - ratio), turn)


def _lens(s: Drawing, rng: np.random.Generator) -> Drawing:
    """The drawing with a beam as large as the aperture or larger, cut by it; at least a third of its edge shows."""
    ratio, turn = float(rng.uniform(0.8, 1.2)), rng.uniform(0, 2 * np.pi)
    return beam_of(s, ratio, rng.uniform(0.3, 0.55) + max(ratio - 1.0, 0.0), turn)


def beam_of(s: Drawing, ratio: float, away: float, turn: float) -> Drawing:
    """The drawing with another beam, ``away`` aperture radii from its center."""
    return replace(s, ratio=ratio, offset=(float(away * np.cos(turn)), float(away * np.sin(turn))))


def _marked(pixels: Array, rng: np.random.Generator) -> Array:
    """Text and a scale bar at the bottom, dimmer or brighter than the beam."""
    from PIL import Image, ImageDraw, ImageFont

    side, level = len(pixels), int(rng.integers(150, 256))
    marks = Image.new("L", (side, side), 0)
    pen = ImageDraw.Draw(marks)
    size = max(10, side // 26)
    pen.text(
        (0.03 * side, 0.93 * side),
        f"HT 200 kV  F {rng.uniform(-1, 1):+.2f}",
        fill=255,
        font=ImageFont.load_default(size),
    )
    pen.rectangle((0.7 * side, 0.95 * side, 0.95 * side, 0.95 * side + max(2, side // 100)), fill=255)
    return np.where(np.asarray(marks) > 127, level, pixels).astype(np.uint8)


def _photographed(s: Drawing, rng: np.random.Generator) -> Array:
    """The picture on a screen in a room, with the screen's rim, taken in color and compressed."""
    side = 2 * s.side  # the same discs, with the screen about them
    s = replace(s, side=side, center=(s.center[0] + s.side / 2, s.center[1] + s.side / 2))
    x, y = grid(side)
    r = np.hypot(x - s.center[0] - 0.1 * s.radius, y - s.center[1] + 0.08 * s.radius)
    face = s.radius * rng.uniform(1.5, 2.6)
    mean = light(s, x, y) + 0.01 + rng.uniform(0.015, 0.04) / (1 + np.exp((r - face) / 2))
    if rng.random() < 0.5:  # a lamp's reflection
        at, wide = s.radius * rng.uniform(0.9, 1.3, 2), s.radius * rng.uniform(0.15, 0.3)
        mean += rng.uniform(0.1, 0.2) * np.exp(
            -0.5 * ((x - s.center[0] - at[0]) ** 2 + (y - s.center[1] - at[1]) ** 2) / wide**2
        )
    return snapshot(mean, 0.003, rng)


def snapshot(mean: Array, noise: float, rng: np.random.Generator) -> Array:
    """A photograph of a white or green screen with this (fine) light, as a JPEG keeps it; ``noise``: 1σ, of the beam's light."""
    from PIL import Image

    side = len(mean) // FINE
    seen = mean.reshape(side, FINE, side, FINE).mean(axis=(1, 3)) + rng.normal(0, noise, (side, side))
    gray = np.clip(seen / 1.3, 0, 1) ** (1 / 2.2)
    tint = np.array([0.55, 1.0, 0.6]) if rng.random() < 0.5 else np.ones(3)
    file = BytesIO()
    Image.fromarray(np.rint(255 * gray[:, :, None] * tint).astype(np.uint8)).save(
        file, "JPEG", quality=int(rng.integers(70, 95))
    )
    file.seek(0)
    return np.asarray(Image.open(file))[:, :, 1]  # the green of it, in which either screen shines most
