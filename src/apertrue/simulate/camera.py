"""The camera: from electrons to gray levels, and from gray levels to the picture that is saved."""

from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .recipe import COLORS, Recipe

Array = NDArray[np.float64]

#: Top level of a camera whose picture a viewer stretches, gray levels.
CAMERA = 65535.0


def expose(light: Array, recipe: Recipe, rng: np.random.Generator) -> Array:
    """Gray levels (float, unsaturated) of a camera that sees ``light`` (electrons per pixel).

    Optical blur → counting → spread after detection (correlates the noise) → gain → read noise, row and drift noise,
    hot pixels, dead columns and quadrant → bias.
    """
    if recipe.interlace_px or recipe.interlace_gain:
        light = _interlace(light, recipe)
    if recipe.blur_px > 0:
        light = gaussian_filter(light, recipe.blur_px, mode="nearest")
    electrons = rng.poisson(np.minimum(light, 1e12)).astype(float)
    if recipe.spread_px > 0:
        electrons = gaussian_filter(electrons, recipe.spread_px, mode="nearest")
    gray = electrons * recipe.gain
    if recipe.read_noise > 0:
        gray += rng.normal(0.0, recipe.read_noise, gray.shape)
    if recipe.row_noise > 0:
        gray += rng.normal(0.0, recipe.row_noise, (recipe.rows, 1))
    if recipe.drift_noise > 0:
        slow = gaussian_filter(rng.normal(size=gray.shape), 40.0, mode="wrap")
        gray += slow * (recipe.drift_noise / slow.std())
    if recipe.hot_pixels > 0:
        n = int(rng.binomial(gray.size, recipe.hot_pixels))
        gray.ravel()[rng.choice(gray.size, n, replace=False)] += recipe.hot_level * rng.uniform(0.3, 1.7, n)
    if recipe.dead_columns > 0:
        gray[:, rng.choice(recipe.columns, min(recipe.dead_columns, recipe.columns), replace=False)] = 0.0
    if recipe.dead_quadrant:
        top, right = recipe.dead_quadrant in (1, 2), recipe.dead_quadrant in (1, 4)
        h, w = recipe.rows // 2, recipe.columns // 2
        gray[slice(0, h) if top else slice(h, None), slice(w, None) if right else slice(0, w)] = 0.0
    return gray + recipe.bias


def _interlace(light: Array, recipe: Recipe) -> Array:
    out = light.copy()
    odd = light[1::2]
    x = np.arange(light.shape[1], dtype=float)
    for k, row in enumerate(odd):
        out[2 * k + 1] = np.interp(x - recipe.interlace_px, x, row) * (1 + recipe.interlace_gain)
    return out


def digitize(gray: Array, recipe: Recipe) -> tuple[NDArray[Any], float | None]:
    """The picture as saved, 2-D, before color, overlay and compression; and its saturation level.

    Saturates, applies gamma and auto-contrast on the display scale, inverts, rounds to the pixel type.
    """
    top = {8: 255.0, 16: 65535.0, 32: float("inf")}[recipe.bits]
    # A stretch to 8 bits is the viewer's; the camera behind it has more.
    own = max(CAMERA, top) if recipe.auto_contrast else top
    limit = own if recipe.saturation is None else recipe.saturation
    gray = np.minimum(gray, limit)
    if recipe.auto_contrast or recipe.gamma != 1.0 or recipe.inverted:
        low, high = 0.0, min(limit, top)
        if recipe.auto_contrast:
            low, high = (float(v) for v in np.percentile(gray, (0.2, 99.8)))
        if not np.isfinite(high):
            high = float(gray.max())
        unit = np.clip((gray - low) / max(high - low, 1e-12), 0.0, 1.0) ** recipe.gamma
        unit = 1.0 - unit if recipe.inverted else unit
        limit = top if np.isfinite(top) else 1.0
        gray = unit * limit
    level = limit if np.isfinite(limit) else None
    if recipe.bits == 32:
        return gray.astype(np.float32), level
    kind = np.uint8 if recipe.bits == 8 else np.uint16
    return np.clip(np.rint(gray), 0, top).astype(kind), level


def colorize(picture: NDArray[Any], recipe: Recipe) -> NDArray[np.uint8]:
    """An 8-bit RGB picture of a colored screen, shape (rows, columns, 3)."""
    unit = picture.astype(float) / (255.0 if picture.dtype == np.uint8 else float(max(picture.max(), 1)))
    rgb = unit[..., None] * np.asarray(COLORS[recipe.color]) * 255.0
    out: NDArray[np.uint8] = np.clip(np.rint(rgb), 0, 255).astype(np.uint8)
    return out


def compress(picture: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    """The picture after a JPEG round trip."""
    from PIL import Image

    buffer = BytesIO()
    Image.fromarray(picture).save(buffer, "JPEG", quality=quality)
    buffer.seek(0)
    return np.asarray(Image.open(buffer)).copy()
