"""Step 4: coarse to fine. The same fit first on the reduced picture, then on the pixels around both edges."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.forward import Points, evaluate
from ..scene import Noise
from .cells import BINS, Cells, gather, join, sum_far
from .hypotheses import Start
from .reduce import Reduced
from .refine import Fit, basis_for, refine

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """A fit and the cells it was made on."""

    fit: Fit
    cells: Cells


def block_noise(noise: Noise, reduced: Reduced) -> Noise:
    """The noise of block means."""
    n = reduced.pixels / noise.correlation
    return Noise(noise.bias, noise.read_variance / n, noise.gain / n, 1.0)


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
    aperture, beam = _with_width(start.aperture, 0.8), _with_width(start.beam, 0.8)
    unit = Reduced(reduced.mean, 1, 1, reduced.mean.shape)
    per_block = block_noise(noise, reduced)
    solution = None
    for _ in range(2):
        cells = _cells(reduced.mean, unit, aperture, beam, 3.0)
        if cells is None:
            return None
        basis = basis_for(aperture, beam, halo=1 if solution is None else 2, radial=1 if solution is None else 2)
        fit = refine(cells, basis, aperture, beam, per_block, scale=contrast, discrepancy=0.01, iterations=8, tolerance=0.2)
        aperture, beam = fit.aperture, fit.beam
        solution = Solution(fit, cells)
    return solution


def _cells(
    pixels: NDArray[Any],
    reduced: Reduced,
    aperture: Array | None,
    beam: Array | None,
    scale: float,
    bad: NDArray[np.bool_] | None = None,
    bad_blocks: NDArray[np.bool_] | None = None,
) -> Cells | None:
    near = gather(pixels, (aperture, beam), bad)
    if near is None:
        return None
    far = sum_far(reduced, (aperture, beam), scale, bad_blocks)
    return join([near, far])


def to_pixels(edge: Array | None, size: int) -> Array | None:
    """An edge in block units as one in pixels; the width loses what the blocks added."""
    if edge is None:
        return None
    half = (size - 1) / 2
    width = np.sqrt(max(edge[5] ** 2 - (1 / 12 if size > 1 else 0.0), 0.02)) * size
    return np.array([edge[0] * size + half, edge[1] * size + half, edge[2] * size, edge[3], edge[4], width])


def fine(
    pixels: NDArray[Any],
    reduced: Reduced,
    noise: Noise,
    aperture: Array | None,
    beam: Array | None,
    contrast: float,
    *,
    bad: NDArray[np.bool_] | None = None,
    passes: int = 2,
    radial: int = 2,
    halo: int = 2,
) -> Solution | None:
    """Fit the forward model to the pixels around both edges and the blocks elsewhere, in px."""
    solution: Solution | None = None
    edges = [e for e in (aperture, beam) if e is not None]
    scale = max(e[2] for e in edges) / 6
    for k in range(passes):
        cells = _cells(pixels, reduced, aperture, beam, scale, bad)
        if cells is None:
            return None
        basis = basis_for(aperture, beam, radial=radial, halo=halo)
        last = k == passes - 1
        fit = refine(
            cells,
            basis,
            aperture,
            beam,
            noise,
            scale=contrast,
            discrepancy=1e-4 if last else 1e-3,
            iterations=12 if last else 8,
            tolerance=0.02 if last else 0.3,
        )
        aperture, beam = fit.aperture, fit.beam
        solution = Solution(fit, cells)
    return solution


def corrected_width(width: float) -> float:
    """An edge's width without what the bins across the band added (a box of the bin's width has variance w²/12)."""
    bin_width = max(width / BINS, 0.25)
    return float(np.sqrt(max(width**2 - bin_width**2 / 12, 0.01)))


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


def swapped(solution: Solution, noise: Noise, contrast: float) -> Solution | None:
    """The same picture with the edges' roles exchanged, fitted to the same cells."""
    fit = solution.fit
    if fit.aperture is None or fit.beam is None:
        return None
    cells = solution.cells.swapped()
    b = fit.basis
    basis = basis_for(fit.beam, fit.aperture, background=b.background, halo=b.halo, radial=b.radial, tilt=b.tilt, decays=b.decays)
    return Solution(refine(cells, basis, fit.beam, fit.aperture, noise, scale=contrast, discrepancy=1e-4), cells)
