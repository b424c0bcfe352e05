"""From a picture's gray levels to gray levels that show both the bright core and the faint surround."""

from math import asinh, ceil

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..scene import Scene

#: A displayed picture's longer side, px.
SMALLEST, LARGEST = 640, 1400

# The surround shall stand at about a quarter of the brightness, the core at the top.
_SURROUND_AT = 0.5
# The core stays under white, so that what is brighter than it still shows.
_TOP = 242.0
# Below this share of the frame's area only the discs with this margin (in radii) are displayed.
_SMALL, _MARGIN = 0.5, 0.35
_SOFTEST, _HARDEST = 0.5, 0.004


def display_scale(shape: tuple[int, int]) -> float:
    """Factor from picture px to displayed px: small pictures are enlarged, large ones reduced."""
    longest = max(shape)
    return SMALLEST / longest if longest < SMALLEST else min(1.0, LARGEST / longest)


def detail(scene: Scene, shape: tuple[int, int]) -> tuple[int, int, int, int]:
    """(left, top, right, bottom) of what is displayed: the discs with a margin where they are small in the frame."""
    rows, columns = shape
    edges = [e for e in (scene.aperture, scene.beam, scene.edge) if e is not None]
    if not edges:
        return 0, 0, columns, rows
    margin = _MARGIN * max(e.radius for e in edges)
    reach = [(e, e.semi_axes[0] + margin) for e in edges]
    left = max(0, int(min(e.x - r for e, r in reach)))
    top = max(0, int(min(e.y - r for e, r in reach)))
    right = min(columns, ceil(max(e.x + r for e, r in reach)) + 1)
    bottom = min(rows, ceil(max(e.y + r for e, r in reach)) + 1)
    small = right > left and bottom > top and (right - left) * (bottom - top) < _SMALL * rows * columns
    return (left, top, right, bottom) if small else (0, 0, columns, rows)


def displayed(frame: Frame, scene: Scene, box: tuple[int, int, int, int], scale: float) -> NDArray[np.uint8]:
    """The part ``box`` of the picture as displayed, uint8 (rows, columns), stretched by an asinh.

    Reduced by whole steps to not less than ``scale``.

    An asinh is linear for the faintest light and logarithmic for the bright (Lupton, Gunn and Szalay 1999,
    AJ 118:1406, from memory), so that a surround of 1 % shows beside the core without hiding the noise it stands in.
    """
    left, top, right, bottom = box
    pixels = frame.pixels[top:bottom, left:right]
    step = max(1, int(1 / scale))
    light = _mean_blocks(pixels, step)
    low, high = _levels(light, scene)
    surround = (scene.halo_mean or 0.0) / (high - low) if high > low else 0.0
    softening = min(max(surround * _SURROUND_AT, _doubt(scene, high - low, step), _HARDEST), _SOFTEST)
    if surround <= 0.0:
        softening = max(softening, 0.03)
    share = np.clip((light - low) / (high - low), 0.0, 1.0) if high > low else np.zeros_like(light)
    shown: NDArray[np.uint8] = np.round(_TOP * np.arcsinh(share / softening) / asinh(1 / softening)).astype(np.uint8)
    return shown


def _mean_blocks(pixels: NDArray[np.generic], step: int) -> NDArray[np.floating]:
    """Means over blocks of step × step; the last row and column of blocks may be smaller, none is dropped."""
    exact = np.float64 if pixels.dtype.itemsize > 4 else np.float32
    if step == 1:
        whole: NDArray[np.floating] = np.nan_to_num(pixels.astype(exact), nan=0.0, posinf=0.0, neginf=0.0)
        return whole
    rows, columns = pixels.shape
    out = np.empty((ceil(rows / step), ceil(columns / step)), exact)
    starts = np.arange(0, columns, step)
    widths = np.diff(np.append(starts, columns))
    for i in range(out.shape[0]):
        # One band of rows at a time, so that a large picture is not copied as a whole.
        band = np.nan_to_num(pixels[i * step : (i + 1) * step].astype(exact), nan=0.0, posinf=0.0, neginf=0.0)
        out[i] = np.add.reduceat(band.mean(axis=0), starts) / widths
    return out


def _levels(light: NDArray[np.floating], scene: Scene) -> tuple[float, float]:
    """The levels shown black and white: background and core where known, else robust ends of what is there."""
    dark, bright = (float(v) for v in np.percentile(light, [0.5, 99.8]))
    low = dark if scene.background is None else min(scene.background, float(np.percentile(light, 20)))
    high = bright if scene.core is None else max(scene.core, float(np.percentile(light, 90)))
    return (low, high) if high > low else (float(light.min()), float(light.max()))


def _doubt(scene: Scene, span: float, step: int) -> float:
    """The noise of a displayed pixel in the dark, as a share of the span: nothing fainter is worth lifting."""
    if scene.noise is None or span <= 0:
        return 0.0
    return float(2.0 * (scene.noise.read_variance * scene.noise.correlation) ** 0.5 / step / span)
