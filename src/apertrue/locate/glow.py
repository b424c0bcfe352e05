"""Glow around a bright disc: what of a picture's dim light is its bright light, spread far by the camera or the screen."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from ..model.glow import Glow
from ..scene import Noise
from .basis import carried
from .reduce import Reduced
from .refine import Fit, refine, spread_in
from .solution import DISCREPANCY, UNLIKE, Solution, quality, robust_sum

Array = NDArray[np.float64]

#: Ranges of the kernels: from the widest edge's width or so many blocks to this share of the picture's short side, and how many.
SHORTEST, LONGEST, RANGES = 1.0, 0.25, 4
#: Most that glow is of the light where it is brightest, and by how much of its most it may seem to be less than nothing.
MOST, NEGATIVE = 0.3, 0.1
#: Cells farther out than so many widths of the outermost edge hold nothing but background and glow.
OUTSIDE = 3.0
#: Fewer of them tell nothing.
LEAST = 30
#: A picture is asked for glow when the residuals' spread there exceeds this, or when the fit is a bad one.
UNEXPLAINED = 1.25
#: Glow is taken when it lowers that spread to this share, or to about chance, and the whole sum of squares a little; or that
#: sum much.
LOWERS, CHANCE, LESS, MUCH_LESS = 0.6, 1.1, 0.95, 0.6


def glow_of(reduced: Reduced, width: float) -> Glow | None:
    """What glow would add to a picture, for several ranges; ``None`` for a picture without light.

    What is spread less than an edge is wide (``width``, px) is a matter of that edge.

    A range ρ has the kernel ρ/(2π(r² + ρ²)^{3/2}), whose transfer function is exp(−2πρf) (Poisson's kernel of the half-space:
    Stein and Weiss 1971, Introduction to Fourier Analysis on Euclidean Spaces, from memory): many sorts of scatter
    fall off about so, and a sum of a few ranges follows others.
    """
    image = reduced.mean
    dark = float(np.nanquantile(image, 0.02))
    light = np.where(np.isfinite(image), np.maximum(image - dark, 0.0), 0.0)
    if not float(light.max(initial=0.0)) > 0 or min(image.shape) < 16:
        return None
    rows, columns = image.shape
    shape = (2 * rows, 2 * columns)  # nothing comes round from the other side
    spectrum = np.fft.rfft2(light, shape)
    f = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :])
    shortest = max(SHORTEST, width / reduced.size)
    ranges = np.geomspace(shortest, max(LONGEST * min(rows, columns), 2 * shortest), RANGES)
    spread = np.array([np.fft.irfft2(spectrum * np.exp(-2 * np.pi * r * f), shape)[:rows, :columns] for r in ranges])
    return Glow(spread / spread.max(axis=(1, 2), keepdims=True), reduced.size)


def widest(fit: Fit) -> float:
    """The width of a fit's wider edge, px."""
    return max(float(edge[5]) for edge in (fit.aperture, fit.beam) if edge is not None)


def with_glow(
    solution: Solution, reduced: Reduced, noise: Noise, contrast: float, pinned: tuple[int, ...] = ()
) -> Solution:
    """The solution with glow, when that is what lies beyond its outermost edge; else itself.

    ``pinned``: edge parameters that stay as they are.
    """
    fit, cells = solution.fit, solution.cells
    outer = fit.aperture if fit.aperture is not None else fit.beam
    assert outer is not None
    outside = distance(cells.at.x, cells.at.y, outer) < -OUTSIDE * outer[5]
    if outside.sum() < LEAST:
        return solution
    before = spread_in(fit.z[outside])
    if before < UNEXPLAINED and quality(solution) < UNLIKE:
        return solution
    glow = glow_of(reduced, widest(fit))
    if glow is None:
        return solution
    basis = replace(fit.basis, glow=glow)
    trial = refine(
        cells, basis, fit.aperture, fit.beam, noise,
        linear=carried(fit.linear, fit.basis, basis), scale=contrast, discrepancy=DISCREPANCY, iterations=15, pinned=pinned,
    )  # fmt: skip
    less = robust_sum(trial) / max(robust_sum(fit), 1e-300)
    calmer = spread_in(trial.z[outside]) < max(LOWERS * before, CHANCE)
    if less > (LESS if calmer else MUCH_LESS):
        return solution
    return Solution(trial, cells) if is_glow(trial, contrast) else solution


def is_glow(fit: Fit, contrast: float, share: float = MOST) -> bool:
    """Whether what a fit has for glow can be that: no more than this ``share`` of the light, and nowhere less than nothing."""
    glow = fit.basis.glow
    if glow is None:
        return True
    nb = fit.basis.counts[0]
    light = np.tensordot(fit.linear[nb - len(glow) : nb], glow.terms, 1)
    most = float(light.max())
    return most < share * contrast and float(light.min()) > -NEGATIVE * most
