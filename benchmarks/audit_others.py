"""What an archive holds besides pictures of the condenser aperture: everything else that people save.

Views of a microscope that are none (from :mod:`benchmarks.scenes.views`), photographs, particles, films with holes,
spectra, plots, noise. Each picture is drawn anew. And the needles: pictures of the condenser aperture as one finds them.
"""

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter

from benchmarks.scenes import unreadable, views

Rng = np.random.Generator


def particles(rng: Rng, n: int) -> np.ndarray:
    """Round particles of all sizes on a film with grain: bright or dark, apart or in heaps."""
    y, x = np.mgrid[:n, :n]
    light = np.full((n, n), 0.6) + 0.05 * gaussian_filter(rng.normal(size=(n, n)), 1.2) * 3
    for _ in range(int(rng.integers(2, 40))):
        cx, cy = rng.uniform(-0.1, 1.1, 2) * n
        r = n * rng.uniform(0.02, 0.09)
        ball = np.sqrt(np.clip(1 - ((x - cx) ** 2 + (y - cy) ** 2) / r**2, 0, None))
        light = light - rng.uniform(0.1, 0.5) * ball
    light = light if rng.random() < 0.5 else 1.2 - light
    return np.clip(gaussian_filter(light, 0.7), 0.01, None)


def film_with_holes(rng: Rng, n: int) -> np.ndarray:
    """Carbon film: one to a few bright round holes, ragged, with a brighter rim and a specimen over them."""
    y, x = np.mgrid[:n, :n]
    light = 0.35 + 0.06 * views._texture(rng, n, 1.5)
    for _ in range(int(rng.integers(1, 5))):
        cx, cy, r = rng.uniform(0, n), rng.uniform(0, n), n * rng.uniform(0.1, 0.45)
        angle = np.arctan2(y - cy, x - cx)
        ragged = r * (1 + sum(rng.normal(0, 0.03) * np.cos(k * angle + rng.uniform(0, 6)) for k in range(2, 7)))
        d = np.hypot(x - cx, y - cy) - ragged
        light = np.where(d < 0, 1.0, light) + 0.15 * np.exp(-0.5 * (d / 2.0) ** 2)
    shade = 1 + 0.25 * views._texture(rng, n, n / 8)
    return np.clip(light * shade, 0.02, None)


def spectrum(rng: Rng, n: int) -> np.ndarray:
    """A spectrum as a plot on white or black: axes, ticks, a curve with peaks."""
    out = np.ones((n, n))
    left, bottom = int(0.12 * n), int(0.88 * n)
    out[int(0.05 * n) : bottom, left], out[bottom, left : int(0.97 * n)] = 0, 0
    for k in range(left, int(0.97 * n), max(n // 10, 4)):
        out[bottom : bottom + n // 40, k] = 0
    at = np.arange(left, int(0.97 * n))
    height = 0.6 * np.exp(-(at - left) / (n * rng.uniform(0.1, 0.5)))
    for _ in range(int(rng.integers(2, 12))):
        height = height + rng.uniform(0.05, 0.7) * np.exp(-0.5 * ((at - rng.uniform(left, n)) / (n * 0.006)) ** 2)
    height = np.clip(height + rng.normal(0, 0.01, at.size), 0, 1)
    filled = rng.random() < 0.5
    tops = (bottom - 1 - height * (bottom - 0.08 * n)).astype(int)
    for k, top, before in zip(at, tops, np.r_[tops[0], tops[:-1]], strict=True):
        out[min(top, before) : max(top, before) + 1, k] = 0
        if filled:
            out[top:bottom, k] = np.minimum(out[top:bottom, k], 0.5)
    return out if rng.random() < 0.5 else 1 - out + 0.02


def rings(rng: Rng, n: int) -> np.ndarray:
    """A powder's diffraction: sharp rings around a strong center that may lie off the middle."""
    y, x = np.mgrid[:n, :n]
    cx, cy = n / 2 + rng.uniform(-0.2, 0.2, 2) * n
    d = np.hypot(x - cx, y - cy)
    light = 0.02 + 3 / (1 + (d / (n * 0.02)) ** 2)
    for _ in range(int(rng.integers(2, 8))):
        light = light + rng.uniform(0.02, 0.4) * np.exp(-0.5 * ((d - n * rng.uniform(0.08, 0.5)) / (n * 0.006)) ** 2)
    return light


def spots(rng: Rng, n: int) -> np.ndarray:
    """A crystal's diffraction: sharp spots on a lattice, the strongest in the middle."""
    y, x = np.mgrid[:n, :n]
    a = n * rng.uniform(0.06, 0.16) * np.array([np.cos(t := rng.uniform(0, 3)), np.sin(t)])
    b = np.array([-a[1], a[0]]) * rng.uniform(0.8, 1.6)
    light = np.full((n, n), 0.01) + 0.2 * np.exp(-np.hypot(x - n / 2, y - n / 2) / (0.2 * n))
    for i in range(-8, 9):
        for j in range(-8, 9):
            cx, cy = n / 2 + i * a[0] + j * b[0], n / 2 + i * a[1] + j * b[1]
            if 0 <= cx < n and 0 <= cy < n:
                fall = np.exp(-(i * i + j * j) / 20) * rng.uniform(0.1, 2)
                light = light + fall * np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / (n * 0.006) ** 2)
    return light


def noise_only(rng: Rng, n: int) -> np.ndarray:
    """A lit camera without anything to see, even or with a slope."""
    x = np.arange(n) / n
    return 0.4 + 0.3 * rng.normal() * x * (rng.random() < 0.5) + 0.1 * views._texture(rng, n, n / 4).clip(-2, 2)


VIEWS: dict[str, Callable[[Rng, int], np.ndarray]] = {
    "screen with text": views.screen_with_text,
    "diffraction discs": views.diffraction_discs,
    "detector's shadow": views.detector_shadow,
    "beam stop": views.beam_stop,
    "lattice": views.lattice,
    "selected area": views.selected_area,
    "screen's rim": views.screen_rim,
    "particles": particles,
    "film with holes": film_with_holes,
    "spectrum": spectrum,
    "rings": rings,
    "spots": spots,
    "noise": noise_only,
}
KINDS = (*VIEWS, "photograph")


def other(rng: Rng, kind: str, side: int) -> np.ndarray:
    """One picture of this kind: photographs 8 bits, the rest as a camera would take it, 16 bits."""
    if kind == "photograph":
        return np.asarray(unreadable.photo(rng)["pixels"])[:side, :side]
    light = np.clip(VIEWS[kind](rng, side), 0, None)
    peak = float(np.exp(rng.uniform(np.log(30), np.log(5000))))
    counts = rng.poisson(light / max(float(light.max()), 1e-9) * peak).astype(float)
    return np.clip(100 + rng.uniform(0.5, 8) * counts + rng.normal(0, 3, counts.shape), 0, 65535).astype(np.uint16)


def others(rng: Rng, count: int, side: int) -> Iterator[tuple[str, np.ndarray]]:
    """``count`` pictures with their kinds, which take turns."""
    for i in range(count):
        kind = KINDS[i % len(KINDS)]
        yield kind, other(rng, kind, side)


#: What happens to pictures of the condenser aperture in practice, a few at a time.
NUISANCES = ("blur", "background", "domed", "tilted-light", "astigmatism", "grain", "bar", "dirt", "overlay", "jpeg")


def needles(rng: Rng, count: int, side: int) -> Iterator[tuple[str, np.ndarray]]:
    """``count`` pictures of the condenser aperture with the beam's edge in it, clean and with one nuisance in turn."""
    from apertrue.simulate import random_recipe, simulate

    for i in range(count):
        kind = ("both-edges", "clipped")[i % 2]
        nuisances = () if i % 3 == 0 else (str(rng.choice(NUISANCES)),)
        yield " ".join((kind, *nuisances)), simulate(random_recipe(rng, kind, nuisances, side), rng).picture


def contact_sheet(file: Path, side: int = 160, each: int = 6) -> None:
    """All kinds side by side, to look at."""
    from PIL import Image

    rng = np.random.default_rng(5)
    rows = []
    for kind in (*KINDS, "needle"):
        made = (
            [p for _, p in needles(rng, each, side)]
            if kind == "needle"
            else [other(rng, kind, side) for _ in range(each)]
        )
        row = np.zeros((side, side * each), np.uint8)
        for k, picture in enumerate(made):
            picture = picture if picture.ndim == 2 else picture.mean(axis=2)
            low, high = np.percentile(picture, [0.5, 99.8])
            shown = np.sqrt(np.clip((picture - low) / max(high - low, 1e-9), 0, 1)) * 255
            row[: shown.shape[0], k * side : k * side + shown.shape[1]] = shown
        rows.append(row)
    Image.fromarray(np.concatenate(rows)).save(file)
