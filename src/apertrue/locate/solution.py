"""A fit with the cells that it was made on: how well it explains them, and where its edges are."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from .cells import Cells
from .refine import Fit
from .support import shows

Array = NDArray[np.float64]

#: What smooth light may differ from its polynomials, relative (1σ), in a final fit.
DISCREPANCY = 1e-4
#: A fit whose mean squared residual is no more than this needs no rival.
GOOD = 1.3
#: Edges that are no blurred steps leave more than this mean squared residual; the halo's finer terms would follow them.
UNLIKE = 2.0
#: An edge wider (1σ) than this share of its radius is no edge.
SOFTEST = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """A fit and the cells it was made on."""

    fit: Fit
    cells: Cells


def robust_sum(fit: Fit, part: NDArray[np.bool_] | None = None) -> float:
    """Sum of squared residuals (of a part of the cells), each counted up to 8²."""
    return float(np.minimum((fit.z if part is None else fit.z[part]) ** 2, 64.0).sum())


def robust_mean(fit: Fit, part: NDArray[np.bool_]) -> float:
    """Mean squared residual of a part of the cells, each counted up to 8²; 0 for no cells."""
    return float(np.minimum(fit.z[part] ** 2, 64.0).mean()) if part.any() else 0.0


def per_cell(solution: Solution) -> float:
    """Mean of the squared residuals, each counted up to 8², over all cells."""
    return robust_sum(solution.fit) / len(solution.cells)


def quality(solution: Solution) -> float:
    """Mean squared residual (each up to 8²), of the cells near the edges or of those far from them, whichever is worse."""
    near = solution.cells.near
    return max(robust_mean(solution.fit, near), robust_mean(solution.fit, ~near))


def unexplained(solution: Solution) -> bool:
    """Whether the residuals exceed the noise by more than chance allows, near the edges or away from them."""
    for part in (solution.cells.near, ~solution.cells.near):
        n = int(part.sum())
        if n > 20 and robust_mean(solution.fit, part) > 1.0 + 1.0 * np.sqrt(2.0 / n):
            return True
    return False


def missed_light(solution: Solution) -> float:
    """Root mean square of what a fit misses of the light near the edges, noise taken off, gray levels."""
    fit, near = solution.fit, solution.cells.near
    residual2 = (fit.z[near] * fit.sigma[near]) ** 2 - fit.sigma[near] ** 2
    return float(np.sqrt(max(np.average(residual2, weights=solution.cells.count[near]), 0.0)))


def shortfall(solution: Solution, contrast: float) -> float:
    """How badly a fit explains the picture: its quality times the relative misfit near the edges.

    The first asks in units of noise, the second in units of light; a false reading of a bright, clean picture is bad in
    both, a true one of a picture with fringes only in the first.
    """
    return quality(solution) * max(missed_light(solution) / contrast, 1e-4)


def lost(solution: Solution, shape: tuple[int, int]) -> bool:
    """Whether no mending will help: an edge shows nowhere, and not for noise.

    Args:
        solution: the fit.
        shape: (rows, columns) of the picture.
    """
    return quality(solution) > UNLIKE and not shows(solution.fit, solution.cells, shape)


def nested(fit: Fit) -> bool:
    """Whether the beam's edge lies inside the aperture's all round."""
    assert fit.aperture is not None
    assert fit.beam is not None
    (ax, ay, radius, *_), (bx, by, inner, *_) = fit.aperture, fit.beam
    e_a, e_b = (float(np.hypot(e[3], e[4])) for e in (fit.aperture, fit.beam))
    return bool(np.hypot(ax - bx, ay - by) + inner * (1 + e_b) < radius * (1 - e_a))


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


def moved_by(old: Array | None, new: Array | None) -> float:
    """How far an edge moved, in its widths (or half pixels, if it is sharper)."""
    if old is None or new is None:
        return 0.0
    moved = np.hypot(new[0] - old[0], new[1] - old[1]) + abs(new[2] - old[2])
    moved += new[2] * np.hypot(new[3] - old[3], new[4] - old[4])
    return float(moved / max(new[5], 0.5))


def same_place(one: Solution, other: Solution) -> bool:
    """Whether two fits have the same edges, each within a tenth of its width (or a twentieth of a unit)."""
    pairs = ((one.fit.aperture, other.fit.aperture), (one.fit.beam, other.fit.beam))
    return all((a is None) == (b is None) and moved_by(a, b) < 0.1 for a, b in pairs)


def too_soft(edge: Array | None) -> bool:
    """Whether an edge is so wide that it is none."""
    return edge is not None and bool(edge[5] > SOFTEST * edge[2])
