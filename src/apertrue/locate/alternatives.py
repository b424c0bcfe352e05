"""The same picture explained otherwise: with more light, one edge alone, the edges' roles exchanged, another width."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.glow import Glow
from ..scene import Noise
from .basis import DECAYED, HALO, WIDTH, basis_for, carried, final_basis
from .gather import cells_about
from .reduce import Reduced
from .refine import Fit, beam_is_brighter, promised, refine, robust_cost, spread_in
from .solution import DISCREPANCY, UNLIKE, Solution, nested, quality, robust_sum, unexplained

Array = NDArray[np.float64]

#: A mean squared residual that no smooth light can mend.
BEYOND = 40.0
#: Radial powers of the beam's light that are tried when two leave something unexplained.
RICHER = 4
#: … and the polynomial for what even that leaves unexplained.
FINEST_HALO = 4
#: By how much (χ²) a picture must speak against an edge's width to be asked no more.
AGAINST = 6.0


def enriched(solution: Solution, noise: Noise, contrast: float) -> Solution:
    """The solution with as many terms of halo and profile as the residuals ask for.

    The finest halo is for an aperture whose edge the beam shows, too: it could follow a faint edge by itself.

    A richer light is kept when it lowers the cost by more than two for each added coefficient (Akaike's
    criterion: Akaike 1974, IEEE Trans. Autom. Control 19:716, from memory).
    """
    solution = _with_more_light(solution, noise, contrast, HALO)
    if solution.fit.aperture is None or solution.fit.beam is None or nested(solution.fit):
        return solution
    return _with_more_light(solution, noise, contrast, FINEST_HALO)


def _with_more_light(solution: Solution, noise: Noise, contrast: float, halo: int) -> Solution:
    """The solution with this halo and a richer profile when the residuals ask for it, or itself."""
    fit = solution.fit
    misfit = quality(solution)
    if not unexplained(solution) or misfit > BEYOND:
        return solution
    basis = basis_for(
        fit.aperture,
        fit.beam,
        background=fit.basis.background,
        halo=halo if misfit <= UNLIKE else fit.basis.halo,
        radial=RICHER,
        decays=DECAYED,
        glow=fit.basis.glow,
    )
    added = basis.n_linear - fit.basis.n_linear
    linear = carried(fit.linear, fit.basis, basis)
    if promised(fit, solution.cells, basis, linear, contrast) < 2 * added:
        return solution
    trial = refine(
        solution.cells, basis, fit.aperture, fit.beam, noise,
        linear=linear, scale=contrast, discrepancy=DISCREPANCY, iterations=6, tolerance=0.05,
    )  # fmt: skip
    better = robust_sum(trial) < robust_sum(fit) - 2 * added and beam_is_brighter(trial)
    return Solution(trial, solution.cells) if better else solution


def by_light(plain: Solution, rich: Solution) -> Array:
    """What both edges' covariance lacks when even a richer light leaves something unexplained, shape of the normal matrix.

    A still richer one would move the edges once more, by about as much as the last one did (a bright rim of the beam is
    told from its edge by the light alone).
    """
    out = np.zeros_like(rich.fit.normal)
    if rich is not plain and unexplained(rich):
        n = rich.fit.n_edges
        out[range(n), range(n)] = (rich.fit.parameters[:n] - plain.fit.parameters[:n]) ** 2
    return out


def lone(pair: Solution, noise: Noise, contrast: float, glow: Glow | None = None) -> list[Solution]:
    """The pair's cells fitted with one edge only: each of the two in turn as the start, with the beam's light inside it
    or with the halo's, which has as many terms as in the pair: what the light can explain needs no second edge.
    """
    fit = pair.fit
    out = []
    for cells, edge in ((pair.cells, fit.beam), (pair.cells.swapped(), fit.aperture)):
        if edge is None:
            continue
        for aperture, beam in ((None, edge), (edge, None)):
            of = cells if beam is not None else cells.swapped()
            basis = basis_for(aperture, beam, halo=HALO, radial=fit.basis.radial, glow=glow)
            alone = refine(of, basis, aperture, beam, noise, scale=contrast, discrepancy=DISCREPANCY)
            out.append(Solution(alone, of))
    return out


def swapped(solution: Solution, noise: Noise, contrast: float, enough: float = np.inf) -> Solution | None:
    """The same picture with the edges' roles exchanged, fitted to the same cells.

    Args:
        solution: the fit.
        noise: of the camera.
        contrast: bright − dark, gray levels.
        enough: a fit that after a few steps is still worse by this much (χ²) is not carried further.
    """
    fit = solution.fit
    if fit.aperture is None or fit.beam is None:
        return None
    cells = solution.cells.swapped()
    b = fit.basis
    basis = basis_for(
        fit.beam, fit.aperture, background=b.background, halo=b.halo, radial=b.radial, tilt=b.tilt, decays=b.decays,
        glow=b.glow,
    )  # fmt: skip
    other = refine(cells, basis, fit.beam, fit.aperture, noise, scale=contrast, discrepancy=DISCREPANCY, iterations=3)
    spread = max(1.0, spread_in(fit.z))
    if not other.converged and robust_cost(other, spread) - robust_cost(fit, spread) < enough:
        other = refine(
            cells, basis, other.aperture, other.beam, noise,
            linear=other.linear, scale=contrast, discrepancy=DISCREPANCY, iterations=9,
        )  # fmt: skip
    return Solution(other, cells)


def as_wide(pair: Solution, pixels: NDArray[Any], reduced: Reduced, noise: Noise, contrast: float) -> Solution | None:
    """The pair with the aperture's edge as wide as the beam's; ``None`` when the picture speaks against that.

    Args:
        pair: a fit of both edges.
        pixels, reduced, noise: the picture.
        contrast: bright − dark, gray levels.
    """
    aperture, beam = pair.fit.aperture, pair.fit.beam
    assert aperture is not None
    assert beam is not None
    wide = np.array([*aperture[:5], beam[5]])
    cells = cells_about(pixels, reduced, wide, beam, max(float(e[2]) for e in (wide, beam)) / 6)
    if cells is None:
        return None
    basis = final_basis(wide, beam)

    def fitted(aperture: Array | None, beam: Array | None, linear: Array | None, iterations: int, *pinned: int) -> Fit:
        return refine(
            cells, basis, aperture, beam, noise,
            linear=linear, scale=contrast, discrepancy=DISCREPANCY, iterations=iterations, pinned=pinned,
        )  # fmt: skip

    held = fitted(wide, beam, None, 15, WIDTH)
    free = fitted(held.aperture, held.beam, held.linear, 15)
    if robust_sum(held) > robust_sum(free) + AGAINST or not beam_is_brighter(held):
        return None
    # The same place, with the width as unknown as it is.
    return Solution(fitted(held.aperture, held.beam, held.linear, 0), cells)
