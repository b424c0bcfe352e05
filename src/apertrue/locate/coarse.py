"""Step 4, coarsely: the fit to the block means, which tells about where both edges are."""

import numpy as np
from numpy.typing import NDArray

from ..model.forward import Points, evaluate
from ..scene import Noise
from .basis import WIDTH, basis_for
from .cells import ROUGH
from .gather import cells_about
from .hypotheses import Start
from .reduce import Reduced
from .refine import Fit, refine
from .shapes import out_of_blocks
from .solution import Solution, moved_by, too_soft

Array = NDArray[np.float64]

#: The same on the reduced picture, and how far the edges may have moved from where its bands were laid.
ROUGHLY, NEAR_ENOUGH = 0.15, 1.0


def block_noise(noise: Noise, reduced: Reduced) -> Noise:
    """The noise of block means."""
    n = reduced.pixels / noise.correlation
    return Noise(noise.bias, float(noise.mean_variance(noise.bias, reduced.pixels)), noise.gain / n)


def _with_width(edge: Array | None, width: float) -> Array | None:
    return None if edge is None else np.array([*edge[:5], width])


def coarse(reduced: Reduced, noise: Noise, start: Start, contrast: float) -> Solution | None:
    """Fit the forward model to the block means, in block units.

    Args:
        reduced: the block means.
        noise: of single pixels.
        start: start values, block units.
        contrast: bright − dark, gray levels; scales the priors.
    """
    solution = _coarse(reduced, noise, start, contrast)
    if start.guess or solution is None or not too_soft(solution.fit.aperture):
        return solution
    # A halo that fades steeply was taken for the edge: the one that was seen is held as sharp as it was.
    return _coarse(reduced, noise, start, contrast, (WIDTH,))


def _coarse(
    reduced: Reduced, noise: Noise, start: Start, contrast: float, pinned: tuple[int, ...] = ()
) -> Solution | None:
    """As :func:`coarse`; ``pinned``: edge parameters that stay as they are."""
    aperture, beam = _with_width(start.aperture, 1.2), _with_width(start.beam, 1.2)
    unit = Reduced(reduced.mean, 1, 1, reduced.mean.shape)
    per_block = block_noise(noise, reduced)
    solution = None
    for k in range(4):
        cells = cells_about(reduced.mean, unit, aperture, beam, 3.0, grain=ROUGH)
        if cells is None:
            return None
        order = 1 if k == 0 else 2
        basis = basis_for(aperture, beam, halo=order, radial=order, meeting=False)
        fit = refine(
            cells, basis, aperture, beam, per_block,
            scale=contrast, discrepancy=0.01, iterations=8, tolerance=0.2, settled=False, close=ROUGHLY, pinned=pinned,
        )  # fmt: skip
        shift = max(moved_by(a, b) for a, b in ((aperture, fit.aperture), (beam, fit.beam)))
        aperture, beam = fit.aperture, fit.beam
        solution = Solution(fit, cells)
        if shift < NEAR_ENOUGH:
            break
        aperture, beam = _least_width(aperture, 0.7), _least_width(beam, 0.7)
    return solution


def _least_width(edge: Array | None, width: float) -> Array | None:
    """The edge with at least this width: narrow bands on a coarse grid lose sight of an edge."""
    return None if edge is None else np.array([*edge[:5], max(float(edge[5]), width)])


def to_pixels(edge: Array | None, size: int) -> Array | None:
    """An edge in block units as one in pixels; the width loses what the blocks added."""
    if edge is None:
        return None
    width = np.sqrt(max(edge[5] ** 2 - (1 / 12 if size > 1 else 0.0), 0.02)) * size
    return np.array([*out_of_blocks(edge, size), width])


def misfit(fit: Fit, reduced: Reduced, noise: Noise, contrast: float) -> float:
    """How badly a coarse fit explains the whole reduced picture: a robust mean of squared residuals.

    Residuals count in units of noise and 1 % of the light together, so that a smooth light that the polynomials miss
    a little weighs less than a missed edge.
    """
    step = 2 if min(reduced.mean.shape) >= 96 else 1
    image = reduced.mean[::step, ::step]
    h, w = image.shape
    gx, gy = np.meshgrid(np.arange(w) * float(step), np.arange(h) * float(step))
    at = Points.at(gx.ravel(), gy.ravel())
    model = evaluate(fit.basis, at, fit.aperture, fit.beam, fit.linear)
    value = image.ravel()
    light = np.maximum(model - noise.bias, 0.0)
    sigma = np.sqrt(block_noise(noise, reduced).variance(model) + (0.01 * light) ** 2 + (0.001 * contrast) ** 2)
    z2 = ((value - model) / sigma) ** 2
    z2 = z2[np.isfinite(z2)]
    return float(np.mean(np.minimum(z2, 25.0)))
