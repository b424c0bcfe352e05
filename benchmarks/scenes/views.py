"""Views of a microscope that are no condenser aperture with a beam in it, drawn as light (about 1 where bright)."""

from functools import lru_cache
from math import cos, pi, sin
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter

Rng = np.random.Generator


def _grid(n: int) -> tuple[np.ndarray, np.ndarray]:
    at = np.arange(n, dtype=float) - (n - 1) / 2
    return at[None, :], at[:, None]


def _disc(x: np.ndarray, y: np.ndarray, cx: float, cy: float, r: float, soft: float = 1.0) -> np.ndarray:
    return 0.5 * (1 + np.tanh((r - np.hypot(x - cx, y - cy)) / soft))


def _texture(rng: Rng, n: int, scale: float) -> np.ndarray:
    t = gaussian_filter(rng.normal(size=(n, n)), scale, mode="wrap")
    return t / t.std()


def screen_with_text(rng: Rng, n: int) -> np.ndarray:
    """An unlit screen with burnt-in text, a scale bar and now and then a window's border."""
    from apertrue.simulate import Recipe
    from apertrue.simulate.overlay import draw_overlay

    words = ("no beam", "200 kV   spot 4", "2.1 kx", "magn 28 000", "focus +12.4  exp 0.5 s", "saved 03:14")
    recipe = Recipe(
        rows=n,
        columns=n,
        text=str(rng.choice(words)),
        scale_bar=bool(rng.random() < 0.7),
        border_px=int(rng.integers(0, 10)),
    )
    light = np.full((n, n), float(rng.uniform(0.0, 0.05))) * (1 + 0.05 * _texture(rng, n, 20))
    return np.maximum(light, draw_overlay(np.zeros((n, n), np.uint8), recipe) / 255.0)


def diffraction_discs(rng: Rng, n: int) -> np.ndarray:
    """Convergent-beam diffraction: a lattice of discs whose brightness falls outward, with structure inside."""
    x, y = _grid(n)
    r = n * rng.uniform(0.05, 0.13)
    step = r * rng.uniform(1.6, 3.2)
    turn, skew = rng.uniform(0, pi), rng.uniform(pi / 3, pi / 2)
    a = step * np.array([cos(turn), sin(turn)])
    b = step * rng.uniform(0.9, 1.2) * np.array([cos(turn + skew), sin(turn + skew)])
    fall = n * rng.uniform(0.15, 0.35)
    light = np.full((n, n), 0.01)
    for i in range(-6, 7):
        for j in range(-6, 7):
            cx, cy = i * a + j * b
            d = np.hypot(cx, cy)
            if d < 0.8 * n:
                amount = 1.0 if i == j == 0 else rng.uniform(0.1, 0.6) * np.exp(-((d / fall) ** 2)) + 0.01
                light = light + amount * _disc(x, y, cx, cy, r)
    return light * (1 + 0.15 * np.sin(x / r * rng.uniform(1, 4)))


def detector_shadow(rng: Rng, n: int) -> np.ndarray:
    """An annular detector in the way: a dark ring on a lit screen, light in its hole, its arm to one side."""
    x, y = _grid(n)
    cx, cy = rng.uniform(-0.1, 0.1, 2) * n
    outer = n * rng.uniform(0.28, 0.42)
    hole = outer * rng.uniform(0.15, 0.5)
    light = 1 + 0.1 * _texture(rng, n, n / 6)
    ring = _disc(x, y, cx, cy, outer, 2.0) * (1 - _disc(x, y, cx, cy, hole, 1.5))
    t = rng.uniform(0, 2 * pi)
    along = (x - cx) * cos(t) + (y - cy) * sin(t)
    across = np.abs(-(x - cx) * sin(t) + (y - cy) * cos(t))
    arm = (along > hole * 1.2) & (across < outer * 0.25)
    return light * (1 - 0.97 * np.maximum(ring, gaussian_filter(arm.astype(float), 1.5)))


def screen_rim(rng: Rng, n: int) -> np.ndarray:
    """The screen itself, glowing faintly all over: its round rim, a mark at its center, its lever's cut-out."""
    x, y = _grid(n)
    r = n * rng.uniform(0.4, 0.52)
    cx, cy = rng.uniform(-0.04, 0.04, 2) * n
    light = 0.03 + _disc(x, y, cx, cy, r, 1.5) * (0.6 + 0.25 * (x * cos(1.0) + y * sin(1.0)) / n)
    light *= 1 + 0.08 * _texture(rng, n, 1.2)
    t = rng.uniform(0, 2 * pi)
    light = light * (1 - 0.9 * _disc(x, y, cx + r * cos(t), cy + r * sin(t), 0.12 * r))
    cross = (np.abs(x - cx) < 1.2) & (np.abs(y - cy) < 0.06 * n) | (np.abs(y - cy) < 1.2) & (np.abs(x - cx) < 0.06 * n)
    for k in (0.33, 0.66):
        cross |= np.abs(np.hypot(x - cx, y - cy) - k * r) < 0.8
    return light * (1 - 0.5 * cross)


def beam_stop(rng: Rng, n: int) -> np.ndarray:
    """A beam stop's finger with a round tip over a diffuse diffraction pattern with rings."""
    x, y = _grid(n)
    d = np.hypot(x, y)
    light = 0.02 + np.exp(-d / (0.12 * n))
    for k in range(1, 5):
        light = light + 0.15 / k * np.exp(-0.5 * ((d - k * n * rng.uniform(0.09, 0.1)) / (0.006 * n)) ** 2)
    t, tip = rng.uniform(0, 2 * pi), n * rng.uniform(0.06, 0.12)
    along = x * cos(t) + y * sin(t)
    across = np.abs(-x * sin(t) + y * cos(t))
    stop = np.maximum(_disc(x, y, 0, 0, tip), gaussian_filter(((along > 0) & (across < 0.5 * tip)).astype(float), 1.0))
    return light * (1 - 0.98 * stop)


def selected_area(rng: Rng, n: int) -> np.ndarray:
    """A selected-area aperture's round edge over a specimen: texture, thickness steps, a hole."""
    x, y = _grid(n)
    r = n * rng.uniform(0.25, 0.42)
    cx, cy = rng.uniform(-0.05, 0.05, 2) * n
    specimen = np.clip(0.6 + 0.2 * _texture(rng, n, 1.5) + 0.2 * _texture(rng, n, 12), 0.02, None)
    t = rng.uniform(0, 2 * pi)
    specimen = np.where(x * cos(t) + y * sin(t) > rng.uniform(-0.1, 0.2) * n, 0.45 * specimen, specimen)
    return specimen * _disc(x, y, cx, cy, r, 1.2) + 0.01


def lattice(rng: Rng, n: int) -> np.ndarray:
    """Lattice fringes of a crystal, with an amorphous edge now and then; or a grid of holes or squares."""
    x, y = _grid(n)
    t = rng.uniform(0, pi)
    if rng.random() < 0.6:
        period = rng.uniform(6, 30)
        light = np.ones((n, n))
        for k in range(3 if rng.random() < 0.5 else 2):
            u = t + k * pi / 3
            light = light + 0.3 * np.cos(2 * pi * (x * cos(u) + y * sin(u)) / period + rng.uniform(0, 6))
        light = light + 0.25 * _texture(rng, n, 2.0)
        return np.clip(light * (1 + 0.3 * _texture(rng, n, n / 5) / 3), 0.02, None)
    pitch = n * rng.uniform(0.12, 0.3)
    u = (x * cos(t) + y * sin(t)) / pitch
    v = (-x * sin(t) + y * cos(t)) / pitch
    u, v = u - np.round(u), v - np.round(v)
    holes = np.hypot(u, v) < 0.33 if rng.random() < 0.5 else np.maximum(np.abs(u), np.abs(v)) < 0.36
    return gaussian_filter(0.05 + holes.astype(float), 1.0) * (1 + 0.1 * _texture(rng, n, 1.5).clip(-3, 3))


@lru_cache(maxsize=32)
def packaged(name: str) -> np.ndarray:
    """A picture from scikit-image's wheel as gray levels 0–255, float; read from the installed package."""
    import skimage
    from PIL import Image

    path = Path(skimage.__file__).parent / "data" / name
    return np.asarray(Image.open(path).convert("L"), dtype=float)
