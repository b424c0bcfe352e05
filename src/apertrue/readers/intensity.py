"""From color to light: how bright a screen is that glows in one color.

A green phosphor lights the green channel; a gray conversion made for the eye, or the mean of the channels, would throw
part of the signal away and add the noise of the dark channels. So the color direction of the lit pixels is estimated
from the picture itself, and the channels are weighted by it: for equal noise in each channel that is the combination
with the best signal-to-noise ratio (the matched filter). The weights are ≥ 0 and add up to 1, so noise is never
amplified and a neutral gray picture keeps its gray values.
"""

from dataclasses import dataclass
from math import cos, radians
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Pixels looked at to find the direction.
_SAMPLE = 25_000
#: Directions closer to neutral than this are neutral.
_NEUTRAL_DEG = 2.5
#: Pixels farther from the main direction than this (burnt-in marks, other things) do not decide it.
_CONE_DEG = 15.0
_MIN_LIT = 30
_STRIP = 64
#: Share of pixels that are exactly gray in a gray picture with colored marks.
_MOSTLY_GRAY = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class Intensity:
    """Light from color.

    Attributes:
        pixels: (rows, columns); the channel itself for a neutral picture, else float32.
        saturation: level from which on a pixel is saturated: there the strongest channel is full; ``None`` = unknown.
        color: whether the picture has color anywhere.
        weights: of red, green and blue; they add up to 1.
    """

    pixels: NDArray[Any]
    saturation: float | None
    color: bool
    weights: tuple[float, float, float]


def to_intensity(pixels: NDArray[Any], saturation: float | None = None) -> Intensity:
    """The light of an RGB(A) picture.

    Args:
        pixels: (rows, columns, samples), 3 samples or more; those after blue (alpha) are ignored.
        saturation: level at which a channel is full; ``None`` = unknown.
    """
    red, green, blue = (pixels[..., i] for i in range(3))
    third = (1 / 3, 1 / 3, 1 / 3)
    step = max(1, red.shape[0] // 64)
    if np.array_equal(red[::step], green[::step]) and np.array_equal(red, green) and np.array_equal(red, blue):
        return Intensity(np.ascontiguousarray(red), saturation, False, third)
    background, direction = _main_direction(pixels, saturation)
    neutral = float(direction.sum()) / 3**0.5 > cos(radians(_NEUTRAL_DEG))
    if neutral and pixels.dtype.kind in "iu" and _mostly_gray(pixels[::step, ::step, :3]):
        colored = _has_color(pixels[::step, ::step, :3])
        return Intensity(_gray_with_marks(red, green, blue), saturation, colored, third)
    weights = np.full(3, 1 / 3) if neutral else direction / direction.sum()
    light = _weighted(pixels, weights)
    level = saturation
    if saturation is not None and not neutral:
        # Along the color's line the strongest channel fills first; from there on the sum grows too slowly.
        strongest = int(np.argmax(direction))
        reach = (saturation - background[strongest]) / direction[strongest]
        level = float(min(weights @ (background + reach * direction), saturation))
        full = pixels[..., strongest] >= saturation
        np.maximum(light, np.float32(level), out=light, where=full)
    colored = not neutral or _has_color(pixels[::step, ::step, :3])
    return Intensity(light, level, colored, (float(weights[0]), float(weights[1]), float(weights[2])))


def _mostly_gray(sample: NDArray[Any]) -> bool:
    """Whether the picture is exactly gray but for a few pixels: a view with colored marks, or a window with a colored bar."""
    red, green, blue = (sample[..., i] for i in range(3))
    return bool(np.mean((red == green) & (red == blue)) > _MOSTLY_GRAY)


def _gray_with_marks(red: NDArray[Any], green: NDArray[Any], blue: NDArray[Any]) -> NDArray[Any]:
    """The gray levels as they are stored, and the rounded mean of the channels where there is color."""
    gray: NDArray[Any] = np.array(red)
    colored = (red != green) | (red != blue)
    mean = (red[colored].astype(np.float64) + green[colored] + blue[colored]) / 3
    gray[colored] = np.rint(mean).astype(gray.dtype)
    return gray


def _weighted(pixels: NDArray[Any], weights: NDArray[np.float64]) -> NDArray[np.float32]:
    """Weighted sum of the first three samples, in strips of rows that fit the processor's cache."""
    rows, columns = pixels.shape[:2]
    light = np.empty((rows, columns), np.float32)
    strip = np.empty((_STRIP, columns), np.float32)
    for top in range(0, rows, _STRIP):
        out = light[top : top + _STRIP]
        part = strip[: len(out)]
        out[...] = pixels[top : top + _STRIP, :, 0]
        out *= np.float32(weights[0])
        for i in (1, 2):
            part[...] = pixels[top : top + _STRIP, :, i]
            part *= np.float32(weights[i])
            out += part
    return light


def _has_color(sample: NDArray[Any]) -> bool:
    """Whether more than a pixel in a thousand is visibly colored (a compression's rounding is not)."""
    sample = sample.astype(np.float64)
    spread = np.ptp(sample, axis=2)
    top = float(np.max(sample, initial=0.0))
    return bool(top > 0 and np.mean(spread > 0.03 * top) > 1e-3)


def _main_direction(pixels: NDArray[Any], saturation: float | None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Dark level of each channel, and the unit vector along which most lit pixels rise from it."""
    stride = max(1, int((pixels.shape[0] * pixels.shape[1] / _SAMPLE) ** 0.5))
    sample = pixels[::stride, ::stride, :3].reshape(-1, 3).astype(np.float64)
    sample = sample[np.isfinite(sample).all(axis=1)]
    neutral = np.full(3, 3**-0.5)
    if len(sample) < _MIN_LIT:
        return np.zeros(3), neutral
    total = sample.sum(axis=1)
    background = np.median(sample[total <= np.quantile(total, 0.1)], axis=0)
    rise = sample - background
    size = rise.sum(axis=1)
    top = float(np.quantile(size, 0.98))
    if top <= 0:
        return background, neutral
    lit = size > 0.25 * top
    if saturation is not None:
        # A full channel shows the wrong color; use such pixels only where there are no others.
        whole = lit & (sample < saturation).all(axis=1)
        if np.count_nonzero(whole) < _MIN_LIT:
            whole = (size > 0.05 * top) & (sample < saturation).all(axis=1)
        lit = whole if np.count_nonzero(whole) >= _MIN_LIT else lit
    rise = rise[lit]
    length = np.linalg.norm(rise, axis=1)
    rise, length = rise[length > 0], length[length > 0]
    if len(rise) < _MIN_LIT:
        return background, neutral
    # The median is the majority's color, whatever a minority of marks is painted in.
    start = _unit(np.median(rise / length[:, None], axis=0))
    if start is None:
        return background, neutral
    near = rise @ start > length * cos(radians(_CONE_DEG))
    if np.count_nonzero(near) >= _MIN_LIT:
        rise = rise[near]
        direction = _unit(np.linalg.eigh(rise.T @ rise)[1][:, -1])
        if direction is not None:
            return background, direction
    return background, start


def _unit(vector: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """``vector`` turned toward more light, without negative parts, of length 1; ``None`` when nothing is left."""
    vector = vector * (1.0 if vector.sum() >= 0 else -1.0)
    vector = np.maximum(vector, 0.0)
    length = float(np.linalg.norm(vector))
    return vector / length if length > 0 else None
