"""What lies in the way of the light: its shadow is found in what a fit leaves over, and taken out of the picture."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from ..model.forward import Points, evaluate
from .find import Look, block_sigma, look
from .reduce import as_floats, reduce_picture
from .solution import Solution

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: A shadow takes at least this share of the local light, by at least this many σ of a block.
TAKES, CLEARLY = 0.35, 3.5
#: Least and most share of the lit blocks that lie in it: more is no shadow but a wrong fit.
LEAST, MOST = 0.01, 0.35
#: A shadow this many times longer than wide is a bar's, and goes on where there is too little light to see it.
SLENDER = 2.5
#: So many of a block's nine (itself and its neighbors) are dark where it is not noise.
TOGETHER = 4


def without_shadow(first: Look, solution: Solution) -> Look | None:
    """The picture with the shadow of a bar, dirt or a specimen marked as missing (NaN); ``None`` when there is none.

    Args:
        first: the picture.
        solution: a fit of it that is about right where nothing is in the way. Edges may be a little off, so that blocks
            near them are not asked.
    """
    reduced, fit, noise = first.reduced, solution.fit, first.noise
    bx, by = reduced.centers()
    gx, gy = np.meshgrid(bx, by)
    model = evaluate(fit.basis, Points.at(gx.ravel(), gy.ravel()), fit.aperture, fit.beam, fit.linear)
    model = model.reshape(gx.shape)
    light = np.maximum(model - float(fit.linear[0]), 0.0)
    ok = np.isfinite(reduced.mean)
    widths = [float(e[5]) for e in (fit.aperture, fit.beam) if e is not None]
    for edge in (fit.aperture, fit.beam):
        if edge is not None:
            ok &= np.abs(distance(gx, gy, edge)) > 3.0 * edge[5] + 0.71 * reduced.size
    loss = np.where(ok, model - reduced.mean, 0.0)
    asked, dark = darkened(ok, light * ok, loss, noise.mean_variance(model, reduced.pixels) * ok, TOGETHER)
    share = float(dark.sum()) / max(int(asked.sum()), 1)
    if not LEAST < share < MOST:
        return None
    margin = 1.5 * reduced.size + 2.0 * min(widths)
    rows, columns = first.pixels.shape
    y, x = np.ogrid[0:rows, 0:columns]
    covered = _bar(gx[dark], gy[dark], margin, x, y)
    if covered is None:
        for _ in range(int(np.ceil(margin / reduced.size))):
            dark = boxed(dark.astype(np.float64)) > 0
        size = reduced.size
        covered = np.zeros((rows, columns), dtype=bool)
        whole = np.repeat(np.repeat(dark, size, axis=0), size, axis=1)
        covered[: whole.shape[0], : whole.shape[1]] = whole
    pixels = as_floats(first.pixels)
    pixels[covered] = np.nan
    clear = reduce_picture(pixels)
    # Rays need the light that would be there.
    rough = look(replace(clear, mean=np.where(np.isfinite(clear.mean), clear.mean, model)), block_sigma(noise, clear))
    return None if rough is None else Look(pixels, clear, noise, rough, first.drawn, covered=True)


def darkened(ok: Mask, light: Array, loss: Array, variance: Array, together: int = 0) -> tuple[Mask, Mask]:
    """Blocks in which a loss of :data:`TAKES` would stand out of the noise, and those of them that have it.

    Args:
        ok: the blocks that may be asked; the others hold 0 in the next three.
        light, loss: what a smooth fit has there, and what is missing of it, gray levels.
        variance: of a block's mean, gray levels².
        together: so many of a single block's nine (itself and its neighbors) must be dark.
    """
    asked = ok & (TAKES * light > CLEARLY * np.sqrt(variance))
    dark = asked & (loss > TAKES * light)
    if together:
        dark &= boxed(dark.astype(np.float64)) >= together
    # Where single blocks are too noisy, nine of them together are asked.
    light, loss, variance = (boxed(v) for v in (light, loss, variance))
    more = ok & ~asked & (TAKES * light > CLEARLY * np.sqrt(variance))
    return asked | more, dark | (more & (loss > TAKES * light))


def boxed(v: Array) -> Array:
    """Sums over 3×3."""
    p = np.pad(v, 1)
    rows = p[:-2] + p[1:-1] + p[2:]
    return np.asarray(rows[:, :-2] + rows[:, 1:-1] + rows[:, 2:])


def _bar(x: Array, y: Array, margin: float, all_x: NDArray[np.intp], all_y: NDArray[np.intp]) -> Mask | None:
    """The strip through the whole picture that holds a slender shadow; ``None`` for one that is not slender."""
    center = np.array([x.mean(), y.mean()])
    d = np.stack([x, y]) - center[:, None]
    _, axes = np.linalg.eigh(d @ d.T)
    across, along = axes[:, 0] @ d, axes[:, 1] @ d
    low, high = np.quantile(across, [0.02, 0.98])
    if np.ptp(along) < SLENDER * (high - low + margin):
        return None
    u = (all_x - center[0]) * axes[0, 0] + (all_y - center[1]) * axes[1, 0]
    return np.asarray((u > low - margin) & (u < high + margin))
