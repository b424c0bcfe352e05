"""The camera's noise, estimated from the picture itself.

Small patches are freed from smooth light by a mixed second difference [1 −2 1]⊗[1 −2 1], which cancels every polynomial of
the form x⁰…³·y⁰…³ except x²y². Its mean square is 36 × the variance. Regressed on the patch's level it gives read
variance and gain (photon transfer; Janesick, Photon Transfer, SPIE 2007, from memory); taken once over pixels and once
over 4×4 means it gives the correlation between neighbors.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..scene import Noise
from .reduce import Reduced

Array = NDArray[np.float64]

_SIDE = 12
_LAG = 4
_PATCHES = 32
#: A patch whose variance exceeds the line by more than this holds something else (16 degrees of freedom: 1 in 10⁴ by chance).
MOST = 2.8
#: Median ÷ mean of χ² with 16 degrees of freedom.
MEDIAN = 0.9587
#: Variance that rounding to whole levels adds; the least of counts, which are not rounded.
ROUNDING, COUNTED = 1 / 12, 1e-3
#: From this variance on noise spreads over so many levels that rounding is right in the mean.
DITHERED = 0.35
#: Counts are told by their scatter (variance ÷ mean within these), where the mean is more than the first and nowhere more
#: than the second a pixel: brighter ones need no such care.
POISSON, SPARSE, FEW = (0.7, 1.4), 0.01, 30.0
#: The darkest rim of the picture that is asked: this share of its short side.
RIM = 0.06
#: At most so many read σ (of a pixel), and this share of the light: more is light, not an uneven dark level.
MOST_READ, MOST_LIGHT = 2.0, 0.02
#: Least excess over the blocks' noise that counts.
EXCESS = 1.5


def _second(p: Array, lag: int) -> Array:
    """The mixed second difference of patches, shape (rows, columns, patches)."""
    d = p[: -2 * lag] - 2 * p[lag:-lag] + p[2 * lag :]
    return np.asarray(d[:, : -2 * lag] - 2 * d[:, lag:-lag] + d[:, 2 * lag :])


def _gaussian_sums() -> tuple[Array, Array]:
    """Variance factor of a 4×4 mean and of a very large mean, for noise blurred by Gaussians of rising width."""
    widths = np.linspace(0.0, 3.0, 61)
    small, large = [], []
    i = np.arange(-40, 41)
    for c in widths:
        rho = np.exp(-(i**2) / (4 * c * c)) if c > 0 else (i == 0).astype(float)
        small.append(float((np.clip(1 - np.abs(i) / _LAG, 0, None) * rho).sum()) ** 2)
        large.append(float(rho.sum()) ** 2)
    return np.array(small), np.array(large)


_SMALL, _LARGE = _gaussian_sums()
#: Mean of the smallest 80 % of squared standard normal numbers: P(χ²₃ < c)/0.8 with P(χ²₁ < c) = 0.8.
_TRIMMED = 0.4379


def estimate_noise(pixels: NDArray[Any], dark: float, bright: float, saturation: float | None) -> Noise:
    """Read variance, gain and correlation of the picture's noise.

    Args:
        pixels: the picture.
        dark, bright: rough levels without light and of the core, gray levels.
        saturation: level at which pixels are saturated, or ``None``.

    Returns:
        the noise; ``bias`` is the mean level of the darkest patches. For a picture without any noise the read variance
        is a tiny share of the contrast.
    """
    rows, columns = pixels.shape
    side = _SIDE
    least = max((1e-6 * (bright - dark)) ** 2, 1e-30)
    ys = np.unique(np.linspace(0, max(rows - side, 0), _PATCHES).astype(np.intp))
    xs = np.unique(np.linspace(0, max(columns - side, 0), _PATCHES).astype(np.intp))
    if rows < side or columns < side:
        return Noise(dark, max(least, ROUNDING) if pixels.dtype.kind in "ui" else least, 0.0)
    patches = _patches(pixels, ys, xs, side)
    usable = np.isfinite(patches).all(axis=(0, 1))
    if saturation is not None:
        usable &= patches.max(axis=(0, 1)) < saturation
    if not usable.all():
        patches = patches[:, :, usable]
    # Where parts were left out, whole numbers are kept as floats.
    whole = pixels.dtype.kind in "ui" or bool((patches == np.rint(patches)).all())
    if whole:
        least = max(least, ROUNDING)
    if patches.shape[2] < 8:
        return Noise(dark, least, 0.0)
    level = patches.mean(axis=(0, 1))
    variance = (_second(patches, _LAG) ** 2).mean(axis=(0, 1)) / 36
    if whole and _are_counts(patches, level, variance):
        least = COUNTED
    dark, read, gain, keep = _line(level, variance, least)
    means = patches.reshape(3, _LAG, 3, _LAG, -1).mean(axis=(1, 3))
    correlation = _correlation(means[:, :, keep], np.maximum(read + gain * np.maximum(level[keep] - dark, 0.0), least))
    return Noise(dark, read, gain, correlation, rounding=float(whole and least == ROUNDING and read < DITHERED))


def _patches(pixels: NDArray[Any], ys: NDArray[np.intp], xs: NDArray[np.intp], side: int) -> Array:
    """Squares of pixels with their first rows and columns at ``ys`` and ``xs``, shape (side, side, their number).

    The patches come last so that what is added up over each of them runs along memory.
    """
    within = np.arange(side)[:, None]
    strips = pixels.take((within + ys).ravel(), axis=0).take((within + xs).ravel(), axis=1)
    squares = strips.reshape(side, len(ys), side, len(xs)).transpose(0, 2, 1, 3)
    return squares.astype(np.float64, order="C").reshape(side, side, -1)


def _are_counts(patches: Array, level: Array, variance: Array) -> bool:
    """Whether whole numbers are counts of single electrons, with nothing rounded: from 0 on, as scattered as Poisson's."""
    lit = level > max(SPARSE, 0.1 * float(level.max()))
    if lit.sum() < 8 or patches.min() != 0 or float(level.max()) > FEW:
        return False
    return bool(POISSON[0] < float(np.median(variance[lit] / level[lit])) < POISSON[1])


def _correlation(means: Array, variance: Array) -> float:
    """Variance of a large mean ÷ that of independent pixels, from 3×3 neighboring 4×4 means of each patch, shape (3, 3, n).

    Patches with a steep first difference hold an edge and are left out; for white noise the first differences are
    independent of the second difference, so that this choice does not bias it. The mean of the smallest 80 % of squares
    is compared with its value for Gaussian noise.
    """
    if means.shape[2] < 60:
        return 1.0
    across = means[:, 2].mean(axis=0) - means[:, 0].mean(axis=0)
    down = means[2].mean(axis=0) - means[0].mean(axis=0)
    steep = (across**2 + down**2) / variance
    flat = steep <= np.quantile(steep, 0.7)
    ratio = np.sort(_second(means[:, :, flat], 1)[0, 0] ** 2 / 36 * _LAG**2 / variance[flat])
    f = float(ratio[: int(0.8 * len(ratio))].mean()) / _TRIMMED
    if f <= 1 + 3 * 1.8 * np.sqrt(2.0 / len(ratio)):
        return 1.0
    return float(np.interp(f, _SMALL, _LARGE))


def _line(level: Array, variance: Array, least: float) -> tuple[float, float, float, NDArray[np.bool_]]:
    """Robust line variance = read + gain·(level − dark) through patches, some of which hold edges (too large a variance).

    The dark end is anchored on the darkest patches' own mean level and variance, since gain times a small error of the
    dark level easily exceeds the read variance.

    Returns:
        dark level, read variance, gain, and the patches that follow the line.
    """
    floor = float(np.quantile(level, 0.01))
    span = max(float(level.max()) - floor, 1e-300)
    near = level <= floor + 0.3 * span
    low = float(np.quantile(variance[near], 0.3)) if near.any() else float(variance.min())
    dark = level - floor <= max(0.001 * span, 6 * np.sqrt(max(low, least)) / _SIDE)
    if dark.sum() < 4:
        dark = level <= np.partition(level, min(4, len(level) - 1))[min(4, len(level) - 1)]
    read = float(np.median(variance[dark]))
    for _ in range(4):
        ok = dark & (variance < MOST * max(read, least)) & (variance > max(read, least) / 50)
        if ok.sum() < 3:
            break
        read = float(variance[ok].mean())
    read = max(read, least)
    at = float(level[dark].mean())
    x = level - at
    bright = x > 0.5 * float(x.max())
    gain = max(float(np.quantile((variance[bright] - read) / x[bright], 0.4)), 0.0) if bright.any() else 0.0
    lit = x > 3 * np.sqrt(read) / _SIDE
    keep = np.ones(len(level), dtype=bool)
    for _ in range(6):
        expected = np.maximum(read + gain * np.maximum(x, 0.0), least)
        ratio = variance / expected
        keep = (ratio < MOST) & (ratio > 0.02)
        use = keep & lit
        if use.sum() < 4:
            break
        # The median hardly feels the patches with a bit of edge or curvature in them, which all err upward.
        slope = float(np.median((variance[use] - read * MEDIAN) / x[use])) / MEDIAN
        before, gain = gain, max(slope, 0.0)
        if gain == before:
            break
    return at, read, gain, keep


def dark_unevenness(reduced: Reduced, noise: Noise, contrast: float) -> float:
    """1σ (gray levels) of a slow unevenness of the dark level, from the picture's rim, which lies in the dark; 0 if none.

    A plane is fitted to the rim's blocks, since the model has one; the median of what is left hardly feels light that
    reaches the rim here and there.

    Args:
        reduced: block means.
        noise: of the camera.
        contrast: bright − dark, gray levels.
    """
    rows, columns = reduced.mean.shape
    k = max(2, round(RIM * min(rows, columns)))
    rim = np.isfinite(reduced.mean)
    rim[k:-k, k:-k] = False
    if rim.sum() < 40:
        return 0.0
    y, x = np.nonzero(rim)
    value = reduced.mean[rim]
    terms = np.stack([np.ones(len(x)), x, y]).astype(np.float64)
    use = np.ones(len(x), dtype=bool)
    rest = value
    for _ in range(4):
        plane = np.linalg.lstsq(terms[:, use].T, value[use], rcond=None)[0]
        rest = value - plane @ terms
        scale = 1.4826 * float(np.median(np.abs(rest)))
        use = np.abs(rest) <= 3 * scale
    # What neighbors differ by is noise, however well it was estimated; what is slow they share.
    beside = (reduced.mean[:, 1:] - reduced.mean[:, :-1])[rim[:, 1:] & rim[:, :-1]]
    fast = 1.4826 * float(np.median(np.abs(beside - np.median(beside)))) / float(np.sqrt(2.0))
    own = max(float(np.sqrt(noise.mean_variance(noise.bias, reduced.pixels))), fast)
    if scale < EXCESS * own:
        return 0.0
    most = min(MOST_READ * float(np.sqrt(noise.read_variance)), MOST_LIGHT * contrast)
    found = float(np.sqrt(scale**2 - own**2))
    return found if found <= most else 0.0
