"""Edges that nearly touch: how far the picture lets the aperture's radius go.

Where both edges lie within a few widths of each other, the halo between them, both widths and both radii trade with one
another. The likelihood then is no paraboloid: it may have several shallow minima, and the curvature at one of them says
little of the doubt. So each radius is moved away on both sides, everything else is fitted anew, and the doubt is
taken from how much the cost really rises (profile likelihood: Venzon & Moolgavkar 1988, Appl. Stat. 37:87, from memory).
"""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..scene import Noise
from .refine import refine
from .solution import DISCREPANCY, Solution, robust_sum

Array = NDArray[np.float64]

#: How far a radius is moved: this many of its 1σ, but at least this share of both widths together; then again farther.
SIGMAS, SHARE = 3.0, 0.35
FARTHER = (1.0, 2.5)
#: A cost lower by more than this is a better place.
BETTER = 4.0
#: Places of both radii among the parameters.
RADII = (2, 8)


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """A fit in its deepest known place, and what the covariance of its parameters lacks, shape (n, n)."""

    solution: Solution
    lacking: Array


def settle(pair: Solution, noise: Noise, contrast: float) -> Settled:
    """Look on both sides of a fit of two nearly touching edges.

    Args:
        pair: the fit.
        noise: of the camera.
        contrast: bright − dark, gray levels; scales the priors.
    """
    for _ in range(3):
        deeper, lacking = _around(pair, noise, contrast)
        if deeper is None:
            break
        pair = deeper
    return Settled(pair, lacking)


def _around(pair: Solution, noise: Noise, contrast: float) -> tuple[Solution | None, Array]:
    """A deeper place near a fit, or what its covariance lacks."""
    fit = pair.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    inverse = np.linalg.inv(fit.normal)
    cost = robust_sum(fit)
    lacking = np.zeros_like(fit.normal)
    for radius, sign in itertools.product(RADII, (-1.0, 1.0)):
        sigma = float(np.sqrt(max(inverse[radius, radius], 0.0)))
        worst = np.zeros_like(lacking)
        linear = fit.linear
        for farther in FARTHER:
            far = farther * max(SIGMAS * sigma, SHARE * float(np.hypot(fit.aperture[5], fit.beam[5])))
            edges = np.concatenate([fit.aperture, fit.beam])
            edges[radius] += sign * far
            moved = refine(
                pair.cells, fit.basis, edges[:6], edges[6:], noise, linear=linear, scale=contrast,
                discrepancy=DISCREPANCY, iterations=10, tolerance=0.1, pinned=(radius,),
            )  # fmt: skip
            rise = robust_sum(moved) - cost
            if rise < -BETTER:
                free = refine(
                    pair.cells, fit.basis, moved.aperture, moved.beam, noise, linear=moved.linear, scale=contrast,
                    discrepancy=DISCREPANCY, iterations=15,
                )  # fmt: skip
                if robust_sum(free) < cost - BETTER:
                    return Solution(free, pair.cells), lacking
            step = moved.parameters - fit.parameters
            lack = 1.0 / max(rise, 0.5) - (sigma / far) ** 2
            if lack * far**2 > worst[radius, radius]:
                worst = lack * np.outer(step, step)
        if worst[radius, radius] > lacking[radius, radius]:
            lacking = worst
    return None, lacking
