"""Step 4: coarse to fine. The same fit first on the reduced picture, then on the pixels around both edges."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from ..model.forward import Basis, Points, evaluate
from ..model.glow import Glow
from ..scene import Noise
from .cells import FINE, FOLLOW, ROUGH, Cells, Grain, gather, join, sum_far
from .hypotheses import Start
from .reduce import Reduced
from .refine import Fit, basis_for, beam_is_brighter, carried, promised, refine, robust_cost, spread_in
from .support import shows

Array = NDArray[np.float64]


#: What smooth light may differ from its polynomials, relative (1σ), in the final fit.
DISCREPANCY = 1e-4
#: A fit whose mean squared residual is no more than this needs no rival.
GOOD = 1.3
#: Pixels are gathered anew at most so often.
MOST_PASSES = 6
#: An edge wider (1σ) than this share of its radius is no edge.
SOFTEST = 0.35
#: Edges that are no blurred steps leave more than this mean squared residual; the halo's finer terms would follow them.
UNLIKE = 2.0
#: Places of both edges' ellipticities among the parameters.
ROUNDNESS = (3, 4, 9, 10)
#: Place of the aperture's width, and by how much (χ²) a picture must speak against one to be asked no more.
WIDTH, AGAINST = 5, 6.0
#: A short arc with this ellipticity may belong to another circle.
NOT_ROUND = 0.004
#: A second try is taken only when it leaves no more than this mean squared residual.
WELL = 1.3
#: An edge that moved less than this (in its widths) since its pixels were gathered is settled.
SETTLED = 0.5
#: While edges are only looked for, a fit that moves them by less than this (in their widths) is done.
CLOSE = 0.05
#: The same on the reduced picture, and how far the edges may have moved from where its bands were laid.
ROUGHLY, NEAR_ENOUGH = 0.15, 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """A fit and the cells it was made on."""

    fit: Fit
    cells: Cells


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
    if start.guess or solution is None or not _too_soft(solution.fit.aperture):
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
        cells = _cells(reduced.mean, unit, aperture, beam, 3.0, grain=ROUGH)
        if cells is None:
            return None
        order = 1 if k == 0 else 2
        basis = basis_for(aperture, beam, halo=order, radial=order, meeting=False)
        fit = refine(
            cells, basis, aperture, beam, per_block,
            scale=contrast, discrepancy=0.01, iterations=8, tolerance=0.2, settled=False, close=ROUGHLY, pinned=pinned,
        )  # fmt: skip
        shift = max(_distance(a, b) for a, b in ((aperture, fit.aperture), (beam, fit.beam)))
        aperture, beam = fit.aperture, fit.beam
        solution = Solution(fit, cells)
        if shift < NEAR_ENOUGH:
            break
        aperture, beam = _least_width(aperture, 0.7), _least_width(beam, 0.7)
    return solution


def _least_width(edge: Array | None, width: float) -> Array | None:
    """The edge with at least this width: narrow bands on a coarse grid lose sight of an edge."""
    return None if edge is None else np.array([*edge[:5], max(float(edge[5]), width)])


def _cells(
    pixels: NDArray[Any],
    reduced: Reduced,
    aperture: Array | None,
    beam: Array | None,
    scale: float,
    grain: Grain = FINE,
    blocks: dict[int, Array] | None = None,
) -> Cells | None:
    near = gather(pixels, (aperture, beam), grain, blocks)
    if near is None:
        return None
    far = sum_far(reduced, (aperture, beam), scale)
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
        light = _with_rich_halo(aperture, beam), None
    else:  # first only the place, from part of the pixels
        found = _placed(picture, aperture, beam, pinned)
        if found is None or (not pinned and lost(found, pixels.shape)):
            return found
        rough = found.fit
        aperture, beam = rough.aperture, rough.beam
        basis = _with_rich_halo(aperture, beam)
        light = basis, carried(rough, basis)
    solution = _final(picture, aperture, beam, light, FOLLOW if placed else FINE, pinned)
    if pinned:
        return solution
    if solution is not None and (not beam_is_brighter(solution.fit) or quality(solution) > UNLIKE):
        solution = _with_plain_halo(solution, noise, contrast)
    if solution is None or placed or not _stuck(solution) or lost(solution, pixels.shape):
        return solution
    return _afresh(picture, solution)


def lost(solution: Solution, shape: tuple[int, int]) -> bool:
    """Whether no mending will help: an edge shows nowhere, and not for noise.

    Args:
        solution: the fit.
        shape: (rows, columns) of the picture.
    """
    return quality(solution) > UNLIKE and not shows(solution.fit, solution.cells, shape)


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
        return _cells(self.pixels, self.reduced, aperture, beam, self.scale, grain=grain, blocks=self.blocks)


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
        if _too_soft(aperture) or (_too_soft(beam) and not _spot(aperture, beam)):
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
            basis, linear = _with_rich_halo(aperture, beam), None
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


def nested(fit: Fit) -> bool:
    """Whether the beam's edge lies inside the aperture's all round."""
    assert fit.aperture is not None
    assert fit.beam is not None
    (ax, ay, radius, *_), (bx, by, inner, *_) = fit.aperture, fit.beam
    e_a, e_b = (float(np.hypot(e[3], e[4])) for e in (fit.aperture, fit.beam))
    return bool(np.hypot(ax - bx, ay - by) + inner * (1 + e_b) < radius * (1 - e_a))


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
    cells = _cells(pixels, reduced, wide, beam, max(float(e[2]) for e in (wide, beam)) / 6)
    if cells is None:
        return None
    basis = _with_rich_halo(wide, beam)

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


def per_cell(solution: Solution) -> float:
    """Mean of the squared residuals, each counted up to 8², over all cells."""
    return robust_sum(solution.fit) / len(solution.cells)


def _too_soft(edge: Array | None) -> bool:
    return edge is not None and bool(edge[5] > SOFTEST * edge[2])


def _spot(aperture: Array | None, beam: Array | None) -> bool:
    """Whether the beam is a crossover spot, which may well be as soft as it is wide."""
    return aperture is not None and beam is not None and bool(beam[2] + 2 * beam[5] < 0.3 * aperture[2])


def _with_rich_halo(aperture: Array | None, beam: Array | None) -> Basis:
    """The final fit's basis about the given edges."""
    has_halo = aperture is not None and beam is not None
    return basis_for(aperture, beam, halo=HALO if has_halo else 2, decays=DECAYED if has_halo else 0)


def _distance(old: Array | None, new: Array | None) -> float:
    """How far an edge moved, in its widths (or half pixels, if it is sharper)."""
    if old is None or new is None:
        return 0.0
    moved = np.hypot(new[0] - old[0], new[1] - old[1]) + abs(new[2] - old[2])
    moved += new[2] * np.hypot(new[3] - old[3], new[4] - old[4])
    return float(moved / max(new[5], 0.5))


def _shift(old: Array | None, new: Array | None) -> float:
    """How far an edge moved, and whether its width changed so much that its band does not fit any more."""
    if old is None or new is None:
        return 0.0
    # A band that was laid out for a much wider or narrower edge wastes pixels or misses some.
    ratio = old[5] / new[5]
    return _distance(old, new) + (1.0 if ratio > 1.6 or ratio < 0.7 else 0.0)


def same_place(one: Solution, other: Solution) -> bool:
    """Whether two fits have the same edges, each within a tenth of its width (or a twentieth of a unit)."""
    pairs = ((one.fit.aperture, other.fit.aperture), (one.fit.beam, other.fit.beam))
    return all((a is None) == (b is None) and _distance(a, b) < 0.1 for a, b in pairs)


def _moved(basis: Basis, aperture: Array | None, beam: Array | None) -> float:
    """How far the edges lie from the basis' frozen coordinates, in their radii."""
    out = 0.0
    for edge, frozen in ((aperture, basis.aperture), (beam, basis.beam)):
        if edge is not None:
            moved = np.hypot(edge[0] - frozen[0], edge[1] - frozen[1]) + abs(edge[2] - frozen[2])
            out = max(out, float(moved / edge[2]))
    return out


#: A mean squared residual that no smooth light can mend.
BEYOND = 40.0
#: Radial powers of the beam's light that are tried when two leave something unexplained.
RICHER = 4
#: The halo's polynomial and its decays in the final fit: a halo that the model can't follow moves the aperture's edge by
#: many σ long before the residuals tell.
HALO, DECAYED = 3, 2
#: … and the polynomial for what even that leaves unexplained.
FINEST_HALO = 4


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
    linear = carried(fit, basis)
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


def robust_sum(fit: Fit, part: NDArray[np.bool_] | None = None) -> float:
    """Sum of squared residuals (of a part of the cells), each counted up to 8²."""
    return float(np.minimum((fit.z if part is None else fit.z[part]) ** 2, 64.0).sum())


def robust_mean(fit: Fit, part: NDArray[np.bool_]) -> float:
    """Mean squared residual of a part of the cells, each counted up to 8²; 0 for no cells."""
    return float(np.minimum(fit.z[part] ** 2, 64.0).mean()) if part.any() else 0.0


def quality(solution: Solution) -> float:
    """Mean squared residual (each up to 8²), of the cells near the edges or of those far from them, whichever is worse."""
    near = solution.cells.near
    return max(robust_mean(solution.fit, near), robust_mean(solution.fit, ~near))


def shortfall(solution: Solution, contrast: float) -> float:
    """How badly a fit explains the picture: its quality times the relative misfit near the edges.

    The first asks in units of noise, the second in units of light; a false reading of a bright, clean picture is bad in
    both, a true one of a picture with fringes only in the first.
    """
    return quality(solution) * max(missed_light(solution) / contrast, 1e-4)


def missed_light(solution: Solution) -> float:
    """Root mean square of what a fit misses of the light near the edges, noise taken off, gray levels."""
    fit, near = solution.fit, solution.cells.near
    residual2 = (fit.z[near] * fit.sigma[near]) ** 2 - fit.sigma[near] ** 2
    return float(np.sqrt(max(np.average(residual2, weights=solution.cells.count[near]), 0.0)))


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


def unexplained(solution: Solution) -> bool:
    """Whether the residuals exceed the noise by more than chance allows, near the edges or away from them."""
    for part in (solution.cells.near, ~solution.cells.near):
        n = int(part.sum())
        if n > 20 and robust_mean(solution.fit, part) > 1.0 + 1.0 * np.sqrt(2.0 / n):
            return True
    return False


def true_width(solution: Solution, which: int) -> float:
    """An edge's width (px) without what summing over cells added: the cells' own variance, where the edge's slope is.

    Args:
        solution: the fit.
        which: 0 for the aperture's edge, 1 for the beam's.
    """
    edge = solution.fit.aperture if which == 0 else solution.fit.beam
    assert edge is not None
    cells, width = solution.cells, float(edge[5])
    own = cells.owner == which
    if not own.any():
        return width
    at = cells.at
    x, y = (at.aperture_x, at.aperture_y) if which == 0 else (at.beam_x, at.beam_y)
    u = distance(x[own], y[own], edge) / width
    weight = cells.count[own] * u * u * np.exp(-u * u)  # information on the width: (∂Φ/∂width)²
    added = float(np.average(cells.blur[own], weights=weight)) if weight.sum() > 0 else 0.0
    return float(np.sqrt(max(width**2 - added, 0.01)))


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
