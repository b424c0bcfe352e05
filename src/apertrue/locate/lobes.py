"""An edge that is round but for lobes: a worn aperture, a beam with threefold astigmatism.

No ellipse follows such an edge, and the stretches that lie beside it seem to speak against it. How far each stretch lies
off its ellipse is measured, harmonics of three to six a turn are fitted to that, and the cells are moved by them: what is
left is an ellipse again. These harmonics move neither center nor radius of an edge that shows all round.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from ..model.forward import Points
from ..scene import Noise
from .refine import refine
from .solution import DISCREPANCY, UNLIKE, Solution, nested, per_cell, quality
from .support import SECTORS, round_angle, sector_of, step_heights

Array = NDArray[np.float64]

#: Periods a turn of the lobes.
PERIODS = (3, 4, 5, 6)
#: The most that an edge is off its ellipse (root mean square ÷ radius), and 1σ of what each harmonic may be.
MOST, LIKELY = 0.015, 0.01
#: Rounds of measuring and fitting, and the share of the misfit that must go for the lobes to be believed.
ROUNDS, GONE = 4, 0.3
#: Sectors whose step is less than this share of the largest tell nothing.
TELLS = 0.02
#: Sectors that must tell of an edge.
LEAST = 16


def without_lobes(solution: Solution, noise: Noise, contrast: float) -> Solution:
    """A badly explained fit of two edges, one inside the other, with their lobes taken out, or itself.

    Args:
        solution: the fit.
        noise: of the camera.
        contrast: bright − dark, gray levels.
    """
    if quality(solution) < UNLIKE or not nested(solution.fit):
        return solution  # the lobes of an arc trade with its place
    best, amplitudes = solution, [np.zeros(2 * len(PERIODS)), np.zeros(2 * len(PERIODS))]
    for k in range(ROUNDS):
        for which in (0, 1):
            amplitudes[which] = amplitudes[which] + _off(best, which, amplitudes[which])
        cells = solution.cells
        at = _moved(cells.at, best, amplitudes)
        # A harmonic of amplitude a is off by a/√2 (root mean square).
        of_aperture, of_beam = (float(np.sqrt(np.sum(a**2) / 2)) for a in amplitudes)
        cells = replace(cells, at=at, lobes=(of_aperture, of_beam))
        fit = best.fit
        trial = refine(
            cells, fit.basis, fit.aperture, fit.beam, noise, linear=fit.linear, scale=contrast,
            discrepancy=DISCREPANCY, iterations=8, settled=k == ROUNDS - 1,
        )  # fmt: skip
        best = Solution(trial, cells)
    radii = (float(edge[2]) for edge, _, _ in _edges_and_places(best, best.cells.at))
    if any(lobe > MOST * radius for lobe, radius in zip(best.cells.lobes, radii, strict=True)):
        return solution
    return best if per_cell(best) < (1.0 - GONE) * per_cell(solution) else solution


def _off(solution: Solution, which: int, before: Array) -> Array:
    """Harmonics (px, cosine and sine of each period) of how far outward an edge's stretches lie of where the cells have it."""
    fit, cells = solution.fit, solution.cells
    edge, x, y = _edges_and_places(solution, cells.at)[which]
    own = cells.owner == which
    if not own.any():
        return np.zeros_like(before)
    u, sector = distance(x[own], y[own], edge), sector_of(round_angle(x[own], y[own], edge))
    rest, count = (fit.z * fit.sigma)[own], cells.count[own]
    pixels = np.bincount(sector, weights=count, minlength=SECTORS)
    height = step_heights(fit, "aperture" if which == 0 else "beam")
    # Moved outward by d, a step of height h adds h·d to the light summed across the band.
    span = float(np.ptp(u))
    tells = (pixels > 0) & (height > TELLS * float(np.max(height)))
    if tells.sum() < LEAST:
        return np.zeros_like(before)
    summed = np.bincount(sector, weights=count * rest, minlength=SECTORS)[tells] / pixels[tells]
    off = np.clip(summed * span / height[tells], -span / 2, span / 2)
    theta: Array = np.asarray((np.flatnonzero(tells) + 0.5) * (2 * np.pi / SECTORS), dtype=np.float64)
    # A shift, a radius and an ellipse are the fit's own; here they only may not pass for lobes.
    plain = np.concatenate([np.ones((1, len(theta))), _harmonics((1, 2), theta)])
    rows = np.concatenate([plain, _harmonics(PERIODS, theta)])
    prior = np.full(len(rows), 1e-6)
    prior[len(plain) :] = (max(float(edge[5]), 0.5) / (LIKELY * float(edge[2]))) ** 2
    right = rows @ off
    right[len(plain) :] -= prior[len(plain) :] * before
    found = np.linalg.solve(rows @ rows.T + np.diag(prior), right)
    return np.asarray(found[len(plain) :])


def _harmonics(periods: tuple[int, ...], angle: Array) -> Array:
    """Cosine and sine of each number of periods a turn, shape (2 · periods, n)."""
    return np.array([f(k * angle) for k in periods for f in (np.cos, np.sin)])


def _edges_and_places(solution: Solution, at: Points) -> tuple[tuple[Array, Array, Array], ...]:
    """Both edges, each with the places that its distance is taken at."""
    aperture, beam = solution.fit.aperture, solution.fit.beam
    assert aperture is not None
    assert beam is not None
    return (aperture, at.aperture_x, at.aperture_y), (beam, at.beam_x, at.beam_y)


def _moved(at: Points, solution: Solution, amplitudes: list[Array]) -> Points:
    """The cells' places with each edge's lobes taken out: moved inward where the edge bulges."""
    out = []
    for (edge, x, y), amplitude in zip(_edges_and_places(solution, at), amplitudes, strict=True):
        by = amplitude @ _harmonics(PERIODS, round_angle(x, y, edge))
        away = np.maximum(np.hypot(x - edge[0], y - edge[1]), 0.5 * float(edge[2]))
        out += [x - by * (x - edge[0]) / away, y - by * (y - edge[1]) / away]
    return Points(at.x, at.y, *out)
