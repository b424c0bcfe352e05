"""Pictures that cannot, or must not, be read, with the scene kinds that are honest and the fields that must be missing.

    python benchmarks/scenes/unreadable.py [--quick] [--sheet FILE.png]

lists the kinds and how many of each, or draws one of each on a contact sheet.
"""

import argparse
import sys
from collections.abc import Callable, Iterator
from math import atan2, cos, hypot, pi, sin
from pathlib import Path
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter, rotate, zoom

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    from scenes import views
    from scenes.case import LIGHT, NUMBERS, SIGNED, Case, children, from_simulated
else:
    from . import views
    from .case import LIGHT, NUMBERS, SIGNED, Case, children, from_simulated

from apertrue.simulate import Recipe, random_recipe, simulate

Rng = np.random.Generator
#: Honest answers when a round edge shows but nothing tells whose.
_ROUND = ("one-edge", "other-view", "beam-only", "overfilled")


def _size(rng: Rng) -> int:
    return int(rng.choice([256, 384, 512]))


def _camera(rng: Rng, light: np.ndarray) -> tuple[np.ndarray, dict[str, Any]]:
    """Gray levels of a light picture (about 1 where bright): counts, noise, 8 or 16 bits."""
    peak = float(np.exp(rng.uniform(np.log(20), np.log(5000))))
    counts = rng.poisson(np.maximum(light, 0) * peak) + rng.normal(0, rng.uniform(0.3, 2.0), light.shape)
    if rng.random() < 0.4:
        gray = counts * (200.0 / (peak * max(float(light.max()), 1e-6))) + rng.uniform(2, 15)
        return np.clip(np.rint(gray), 0, 255).astype(np.uint8), {"linear": False, "saturation": 255.0}
    gray = counts * min(rng.uniform(0.5, 8.0), 4e4 / peak) + rng.uniform(20, 400)
    return np.clip(np.rint(gray), 0, 65535).astype(np.uint16), {"saturation": 65535.0}


def _view(
    kind: str, draw: Callable[[Rng, int], np.ndarray], allowed: tuple[str, ...]
) -> Callable[[Rng], dict[str, Any]]:
    def make(rng: Rng) -> dict[str, Any]:
        pixels, about = _camera(rng, draw(rng, _size(rng)))
        return {"pixels": pixels, "about": about, "allowed": allowed, "must_be_null": NUMBERS}

    make.__name__ = kind
    return make


def _case(rng: Rng, recipe: Recipe, **changes: Any) -> dict[str, Any]:
    return {"shot": simulate(recipe, rng, truth=False), **changes}


def dark(rng: Rng) -> dict[str, Any]:
    names = [n for n in ("bad-pixels", "drift-noise", "vignetting", "overlay") if rng.random() < 0.3]
    recipe = random_recipe(rng, "dark", tuple(names), size=_size(rng))
    return _case(rng, recipe, must_be_null=NUMBERS, allowed=("dark", "other-view") if "overlay" in names else ("dark",))


def blank(rng: Rng) -> dict[str, Any]:
    n = _size(rng)
    value = int(rng.integers(0, 250))
    pixels = np.full((n, n), value, np.uint8 if rng.random() < 0.5 else np.uint16)
    if rng.random() < 0.5:
        pixels[: n // 2] += np.uint8(rng.integers(1, 4))
    return {"pixels": pixels, "allowed": ("dark", "other-view"), "must_be_null": NUMBERS}


def overfilled(rng: Rng) -> dict[str, Any]:
    recipe = random_recipe(rng, "overfilled", size=_size(rng))
    return _case(rng, recipe, must_be_null=NUMBERS, allowed=("overfilled", "one-edge"))


def crossover(rng: Rng) -> dict[str, Any]:
    # The spot's place may be given, the share cut off and the scores may not be wrong.
    recipe = random_recipe(rng, "crossover", size=_size(rng))
    shot = simulate(recipe, rng)
    return {"shot": shot, "allowed": ("crossover", "one-edge", "beam-only")}


def _shown(edge: Any, n: int) -> float:
    """Share of an edge inside an n × n frame."""
    p = edge.outline(360)
    return float(np.mean(np.all((p >= 0) & (p <= n - 1), axis=1)))


def mostly_outside(rng: Rng) -> dict[str, Any]:
    n = _size(rng)
    recipe = random_recipe(rng, str(rng.choice(["both-edges", "clipped"])), size=n)
    radius = n * float(rng.uniform(0.5, 1.1))
    t = float(rng.uniform(0, 2 * pi))
    for d in np.arange(0.4 * n, 3.0 * n, 0.02 * n):
        moved = recipe.with_values(
            aperture_radius_px=radius, aperture_x_px=(n - 1) / 2 + d * cos(t), aperture_y_px=(n - 1) / 2 + d * sin(t)
        )
        if max(_shown(e, n) for e in (moved.aperture, moved.beam)) < 0.3:
            break
    kinds = ("one-edge", "other-view", "beam-only", "both-edges", "clipped", "overfilled", "dark")
    return _case(rng, moved, must_be_null=NUMBERS, allowed=kinds)


def blurred_away(rng: Rng) -> dict[str, Any]:
    recipe = random_recipe(rng, str(rng.choice(["both-edges", "clipped"])), size=_size(rng))
    blur = recipe.aperture_radius_px * float(rng.uniform(0.45, 0.9))
    kinds = ("other-view", "one-edge", "crossover", "beam-only")
    return _case(rng, recipe.with_values(blur_px=blur), must_be_null=NUMBERS, allowed=kinds)


def one_edge(rng: Rng) -> dict[str, Any]:
    recipe = random_recipe(rng, "one-edge", size=_size(rng))
    return _case(rng, recipe, must_be_null=NUMBERS, allowed=("one-edge", "beam-only"))


def lens_without_halo(rng: Rng) -> dict[str, Any]:
    recipe = random_recipe(rng, "clipped", size=_size(rng)).with_values(halo_level=0.0)
    width = recipe.aperture_edge_px
    shot = simulate(recipe.with_values(beam_edge_px=width), rng)
    return {"shot": shot, "must_be_null": SIGNED, "allowed": ("clipped", "one-edge", "other-view")}


def two_spots(rng: Rng) -> dict[str, Any]:
    recipe = random_recipe(rng, "crossover", size=_size(rng))
    d = 100 * recipe.beam_ratio * float(rng.uniform(3.0, 7.0))
    x, y, t = recipe.offset_x_percent, recipe.offset_y_percent, float(rng.uniform(0, 2 * pi))
    if hypot(x + d * cos(t), y + d * sin(t)) > 90 - 100 * recipe.beam_ratio:
        t = atan2(-y, -x)  # an aperture would hide it: toward its middle
    moved = recipe.with_values(
        afterglow_level=float(rng.uniform(0.75, 1.0)),
        afterglow_x_percent=x + d * cos(t),
        afterglow_y_percent=y + d * sin(t),
    )
    return _case(rng, moved, must_be_null=NUMBERS, allowed=("other-view", "crossover"))


def afterglow(rng: Rng) -> dict[str, Any]:
    recipe = random_recipe(rng, "both-edges", ("afterglow",), size=_size(rng))
    level = float(rng.uniform(0.15, 0.5))
    return {"shot": simulate(recipe.with_values(afterglow_level=level), rng), "must_flags": ("afterglow",)}


def stretched(rng: Rng) -> dict[str, Any]:
    names = ("auto-contrast", "gamma") if rng.random() < 0.5 else ("auto-contrast",)
    recipe = random_recipe(rng, str(rng.choice(["both-edges", "clipped"])), names, size=_size(rng))
    return {"shot": simulate(recipe, rng), "must_be_null": LIGHT}


def gamma(rng: Rng) -> dict[str, Any]:
    recipe = random_recipe(rng, str(rng.choice(["both-edges", "clipped"])), ("gamma",), size=_size(rng))
    return {"shot": simulate(recipe, rng), "must_be_null": LIGHT}


_PHOTOS: tuple[str, ...] = (
    "astronaut.png",
    "brick.png",
    "camera.png",
    "cell.png",
    "chelsea.png",
    "clock_motion.png",
    "coffee.png",
    "coins.png",
    "grass.png",
    "gravel.png",
    "horse.png",
    "hubble_deep_field.jpg",
    "ihc.png",
    "microaneurysms.png",
    "moon.png",
    "motorcycle_left.png",
    "page.png",
    "rocket.jpg",
    "text.png",
)


def photo(rng: Rng) -> dict[str, Any]:
    """A random crop of a picture that scikit-image carries in its wheel (licenses in its data folder's README)."""
    name = str(rng.choice(_PHOTOS))
    image = views.packaged(name)
    rows, columns = image.shape
    h, w = (int(s * rng.uniform(0.5, 1.0)) for s in (rows, columns))
    top, left = int(rng.integers(0, rows - h + 1)), int(rng.integers(0, columns - w + 1))
    crop = image[top : top + h, left : left + w]
    if rng.random() < 0.3:
        crop = np.ascontiguousarray(crop[:, ::-1])
    if rng.random() < 0.3:
        crop = np.ascontiguousarray(crop.T)
    if rng.random() < 0.2:
        crop = np.clip(rotate(crop.astype(float), rng.uniform(-20, 20), reshape=False, order=1), 0, 255)
    scale = 400 / max(crop.shape)
    if scale < 0.8:
        crop = zoom(np.asarray(crop, float), scale, order=1)
    pixels = np.asarray(np.clip(crop, 0, 255), np.uint8)
    return {
        "pixels": pixels,
        "allowed": ("other-view", "one-edge", "dark", "overfilled"),
        "must_be_null": NUMBERS,
        "about": {"linear": False, "saturation": 255.0},
        "source": f"scikit-image, skimage/data/{name}",
        "license": "see scikit-image's data README",
    }


KINDS: dict[str, Callable[[Rng], dict[str, Any]]] = {
    "dark": dark,
    "blank": blank,
    "overfilled": overfilled,
    "crossover": crossover,
    "mostly outside": mostly_outside,
    "blurred away": blurred_away,
    "one edge": one_edge,
    "lens without halo": lens_without_halo,
    "two spots": two_spots,
    "afterglow": afterglow,
    "auto-contrast": stretched,
    "unknown gamma": gamma,
    "screen with text": _view("screen_with_text", views.screen_with_text, ("dark", "other-view")),
    "diffraction discs": _view("diffraction_discs", views.diffraction_discs, ("other-view",)),
    "detector's shadow": _view("detector_shadow", views.detector_shadow, ("other-view", "one-edge")),
    "screen's rim": _view("screen_rim", views.screen_rim, _ROUND),
    "beam stop": _view("beam_stop", views.beam_stop, _ROUND),
    "selected area": _view("selected_area", views.selected_area, _ROUND),
    "lattice": _view("lattice", views.lattice, ("other-view",)),
    "photograph": photo,
}


def scenes(n: int = 1520, seed: int = 31) -> Iterator[Case]:
    """``n`` pictures, the kinds in turn."""
    names = list(KINDS)
    for k, rng in enumerate(children(seed, n)):
        group = names[k % len(names)]
        made = KINDS[group](rng)
        name = f"unreadable-{k:05d}"
        shot = made.pop("shot", None)
        if shot is not None:
            yield from_simulated(name, group, shot, **made)
        else:
            yield Case(name, group, made.pop("pixels"), **made)


def contact_sheet(seed: int = 31, each: int = 2, tile: int = 192) -> np.ndarray:
    """One column a kind, ``each`` rows; gamma ½ so that faint light shows; uint8."""
    tiles: list[list[np.ndarray]] = [[] for _ in KINDS]
    for k, case in enumerate(scenes(each * len(KINDS), seed)):
        p = gaussian_filter(case.pixels.astype(float), 0.5)
        low, high = np.percentile(p, (0.5, 99.7))
        p = np.clip((p - low) / max(high - low, 1e-9), 0, 1) ** 0.5
        shape = (np.arange(tile) * p.shape[0] // tile, np.arange(tile) * p.shape[1] // tile)
        tiles[k % len(KINDS)].append((255 * p[np.ix_(*shape)]).astype(np.uint8))
    columns = [np.vstack(t) for t in tiles]
    half = (len(columns) + 1) // 2
    return np.vstack([np.hstack(columns[:half]), np.hstack(columns[half : 2 * half])])


def main() -> None:
    parser = argparse.ArgumentParser(description="Pictures that must not be read.")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--sheet", type=Path)
    options = parser.parse_args()
    if options.sheet:
        from PIL import Image

        Image.fromarray(contact_sheet()).save(options.sheet)
        return
    counts: dict[str, int] = {}
    for case in scenes(40 if options.quick else 1520):
        counts[case.group] = counts.get(case.group, 0) + 1
    for group, count in counts.items():
        print(f"{group:20s} {count:5d}")
    print(f"{'together':20s} {sum(counts.values()):5d}")


if __name__ == "__main__":
    main()
