"""Step 4, finely: from about where both edges are to the fit to the pixels around them."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.forward import Basis
from ..scene import Noise
from .basis import ROUNDNESS, basis_for, carried, final_basis
from .cells import FINE, FOLLOW, ROUGH, Cells, Grain
from .gather import cells_about
from .reduce import Reduced
from .refine import beam_is_brighter, refine
from .solution import (
    DISCREPANCY,
    GOOD,
    UNLIKE,
    Solution,
    lost,
    moved_by,
    nested,
    per_cell,
    quality,
    robust_mean,
    too_soft,
    unexplained,
)

Array = NDArray[np.float64]

#: Pixels are gathered anew at most so often.
MOST_PASSES = 6
#: A short arc with this ellipticity may belong to another circle.
NOT_ROUND = 0.004
#: A second try is taken only when it leaves no more than this mean squared residual.
WELL = 1.3
#: An edge that moved less than this (in its widths) since its pixels were gathered is settled.
SETTLED = 0.5
#: While edges are only looked for, a fit that moves them by less than this (in their widths) is done.
CLOSE = 0.05


def fine(
    pixels: NDArray[Any],
    reduced: Reduced,
    noise: Noise,
    aperture: Array | None,
    beam: Array | None,
    contrast: float,
    *,
    placed: bool = False,
    pinned: tuple[int, ...] = (),
) -> Solution | None:
    """Fit the forward model to the pixels around both edges and the blocks elsewhere, in px.

    Pixels are gathered around where the edges are thought to be; when the fit moves an edge by a good part of its width,
    they are gathered anew around the new place.

    ``placed``: the edges are known to lie within a width or so (tracking), so that the place need not be found first.
    ``pinned``: edge parameters that stay as they are.
    """
    scale = max(e[2] for e in (aperture, beam) if e is not None) / 6
    picture = _Picture(pixels, reduced, noise, contrast, scale, {})
    light: tuple[Basis, Array | None]
    if placed:
        light = final_basis(aperture, beam), None
    else:  # first only the place, from part of the pixels
        found = _placed(picture, aperture, beam, pinned)
        if found is None or (not pinned and lost(found, pixels.shape)):
            return found
        rough = found.fit
        aperture, beam = rough.aperture, rough.beam
        basis = final_basis(aperture, beam)
        light = basis, carried(rough.linear, rough.basis, basis)
    solution = _final(picture, aperture, beam, light, FOLLOW if placed else FINE, pinned)
    if pinned:
        return solution
    if solution is not None and (not beam_is_brighter(solution.fit) or quality(solution) > UNLIKE):
        solution = _with_plain_halo(solution, noise, contrast)
    if solution is None or placed or not _stuck(solution) or lost(solution, pixels.shape):
        return solution
    return _afresh(picture, solution)


@dataclass(frozen=True, slots=True, eq=False)
class _Picture:
    """What each pass of a fit to pixels needs; ``blocks`` keeps block means from pass to pass."""

    pixels: NDArray[Any]
    reduced: Reduced
    noise: Noise
    contrast: float
    scale: float
    blocks: dict[int, Array]

    def cells(self, aperture: Array | None, beam: Array | None, grain: Grain = FINE) -> Cells | None:
        """The bands around both edges, and the blocks elsewhere."""
        return cells_about(self.pixels, self.reduced, aperture, beam, self.scale, grain=grain, blocks=self.blocks)


def _placed(
    picture: _Picture, aperture: Array | None, beam: Array | None, pinned: tuple[int, ...] = ()
) -> Solution | None:
    """A fit to part of the pixels that tells where the edges are; ``None`` when it runs away.

    ``pinned``: edge parameters that stay as they are.
    """
    linear = None
    basis: Basis | None = None
    found = None
    for _ in range(MOST_PASSES):
        cells = picture.cells(aperture, beam, ROUGH)
        if cells is None:
            return None
        if basis is None or linear is None or _moved(basis, aperture, beam) > 0.05:
            basis, linear = basis_for(aperture, beam), None
        fit = refine(
            cells, basis, aperture, beam, picture.noise,
            linear=linear, scale=picture.contrast, discrepancy=1e-3, iterations=8, tolerance=0.3, settled=False,
            close=CLOSE, pinned=pinned,
        )  # fmt: skip
        shift = max(_shift(a, b) for a, b in ((aperture, fit.aperture), (beam, fit.beam)))
        aperture, beam, linear = fit.aperture, fit.beam, fit.linear
        if too_soft(aperture) or (too_soft(beam) and not _spot(aperture, beam)):
            return None  # no edge any more, and bands as wide as the picture
        found = Solution(fit, cells)
        if shift < SETTLED:
            break
        if shift > 20 * SETTLED and robust_mean(fit, cells.near) > 40:
            return None  # running away from a picture that it does not resemble
    return found


def _final(
    picture: _Picture,
    aperture: Array | None,
    beam: Array | None,
    light: tuple[Basis, Array | None] | None = None,
    grain: Grain = FINE,
    pinned: tuple[int, ...] = (),
) -> Solution | None:
    """The fit to all pixels of both bands, gathered once more when it moves an edge.

    ``light``: its basis and start; ``None`` takes a basis about the edges as they lie in each pass.
    """
    basis, linear = light or (None, None)
    solution = None
    for _ in range(2):
        cells = picture.cells(aperture, beam, grain)
        if cells is None:
            return None
        if light is None or basis is None:
            basis, linear = final_basis(aperture, beam), None
        fit = refine(
            cells, basis, aperture, beam, picture.noise,
            linear=linear, scale=picture.contrast, discrepancy=DISCREPANCY, iterations=15, pinned=pinned,
        )  # fmt: skip
        shift = max(_shift(a, b) for a, b in ((aperture, fit.aperture), (beam, fit.beam)))
        aperture, beam, linear = fit.aperture, fit.beam, fit.linear
        solution = Solution(fit, cells)
        if shift < SETTLED:
            break
    return solution


def _with_plain_halo(solution: Solution, noise: Noise, contrast: float) -> Solution:
    """The same cells fitted with the quadratic halo: finer terms that took over the beam's light explain something else."""
    fit = solution.fit
    basis = basis_for(fit.aperture, fit.beam)
    plain = refine(
        solution.cells, basis, fit.aperture, fit.beam, noise, scale=contrast, discrepancy=DISCREPANCY, iterations=15
    )
    return Solution(plain, solution.cells)


def _stuck(solution: Solution) -> bool:
    """Whether a fit may have ended in a side valley: more unexplained than chance allows, or an edge that is not round.

    Edges that show all round (one inside the other) are as elliptical as they were found when the picture is explained; when
    they are round, little that is left may be what no edge explains, but not much: a thin edge may have stayed too wide.
    """
    aperture, beam = solution.fit.aperture, solution.fit.beam
    out_of_round = [float(np.hypot(e[3], e[4])) for e in (aperture, beam) if e is not None]
    if aperture is not None and beam is not None and nested(solution.fit):
        return quality(solution) > GOOD or (max(out_of_round) >= NOT_ROUND and unexplained(solution))
    return max(out_of_round) >= NOT_ROUND or unexplained(solution)


def _afresh(picture: _Picture, solution: Solution) -> Solution:
    """The fit once more from round and sharper edges; the better of both."""
    aperture, beam = solution.fit.aperture, solution.fit.beam
    if aperture is None or beam is None:
        return solution
    aperture = np.array([*aperture[:3], 0.0, 0.0, max(0.6 * aperture[5], 0.5)])
    beam = np.array([*beam[:3], 0.0, 0.0, beam[5]])
    if quality(solution) > UNLIKE:
        # Far off: a short arc hardly tells its circle from many ellipses, so the circles are looked for first.
        rough = _placed(picture, aperture, beam, ROUNDNESS)
        if rough is not None:
            aperture, beam = rough.fit.aperture, rough.fit.beam
    other = _final(picture, aperture, beam)
    if other is None or not beam_is_brighter(other.fit):
        return solution
    return other if per_cell(other) < min(0.98 * per_cell(solution), WELL) else solution


def _spot(aperture: Array | None, beam: Array | None) -> bool:
    """Whether the beam is a crossover spot, which may well be as soft as it is wide."""
    return aperture is not None and beam is not None and bool(beam[2] + 2 * beam[5] < 0.3 * aperture[2])


def _shift(old: Array | None, new: Array | None) -> float:
    """How far an edge moved, and whether its width changed so much that its band does not fit any more."""
    if old is None or new is None:
        return 0.0
    # A band that was laid out for a much wider or narrower edge wastes pixels or misses some.
    ratio = old[5] / new[5]
    return moved_by(old, new) + (1.0 if ratio > 1.6 or ratio < 0.7 else 0.0)


def _moved(basis: Basis, aperture: Array | None, beam: Array | None) -> float:
    """How far the edges lie from the basis' frozen coordinates, in their radii."""
    out = 0.0
    for edge, frozen in ((aperture, basis.aperture), (beam, basis.beam)):
        if edge is not None:
            moved = np.hypot(edge[0] - frozen[0], edge[1] - frozen[1]) + abs(edge[2] - frozen[2])
            out = max(out, float(moved / edge[2]))
    return out
