"""What happens in the aperture plane: currents, the gap, the light, as plain sums over fine cells.

Independent of :mod:`apertrue.model.transmission`, whose formulas it is held against.
"""

from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .light import Profile, halo_at
from .recipe import Recipe, stretch

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Current:
    """A beam's current in polar cells in the aperture plane, relative to the beam's center.

    Attributes:
        x, y: the cells' radial ends on each ray, aperture radii, y down, shape (n_radii + 1, n_angles).
        weight: share of the current in each cell, sums to 1, shape (n_radii, n_angles).
    """

    x: Array
    y: Array
    weight: Array

    def passed(self, x: float, y: float) -> float:
        """Share of the current inside the unit aperture, whose edge is sharp, with the beam's center at (x, y).

        A cell that the aperture's edge cuts counts by the share of its ray that lies inside, between its ends linearly.
        """
        g = 1.0 - np.hypot(self.x + x, self.y + y)
        inside = np.maximum(g, 0.0)
        g = np.abs(g)
        span = g[1:] + g[:-1]
        share = np.divide(inside[1:] + inside[:-1], span, out=np.ones_like(span), where=span > 0)
        return float(np.sum(self.weight * share))


def current_of(matrix: Array, softness: float, profile: Profile, n: int = 400) -> Current:
    """The unclipped beam as a sum over polar cells: plain midpoints, denser across its edge.

    Args:
        matrix: from the beam's round unit coordinates to aperture-plane offsets.
        softness: 1σ of its edge ÷ its radius; the edge is a blurred step in the round coordinates.
        profile: its light.
        n: cells from the center to the edge; 1.5 n over the circle.
    """
    s = max(softness, 1e-5)
    inner = max(1.0 - 7.0 * s, 0.0)
    ends = np.concatenate([np.linspace(0, inner, n + 1)[:-1], np.linspace(inner, 1.0, n // 5 + 1)[:-1]])
    ends = np.concatenate([ends, np.linspace(1.0, 1.0 + 6.0 * s, n // 5 + 1)])
    ends = np.unique(ends)
    n_angles = (3 * n) // 2
    t = (np.arange(n_angles) + 0.5) * (2 * np.pi / n_angles)
    co, si = np.cos(t), np.sin(t)
    rho = 0.5 * (ends[1:] + ends[:-1])
    light = profile(rho[:, None] * co, rho[:, None] * si) * ndtr((1 - rho) / s)[:, None]
    weight = light * np.diff(ends**2)[:, None]
    total = float(weight.sum())
    m = np.asarray(matrix)
    x, y = (m[k, 0] * co + m[k, 1] * si for k in (0, 1))
    return Current(ends[:, None] * x, ends[:, None] * y, weight / total if total > 0 else weight)


def best_passed(fine: Current, middle: Current, coarse: Current, start: tuple[float, float]) -> float:
    """The most of the current that can pass over all shifts: a coarse map, then a shrinking pattern search.

    The optimum is flat, so that its place from a middling grid is good enough; its value comes from the fine grid.

    Args:
        fine: the beam on a fine grid.
        middle: the same on a middling one.
        coarse: the same on a coarse one.
        start: a shift that is tried as well.
    """
    at = np.linspace(-1.0, 1.0, 11)
    tries = [(0.0, 0.0), start] + [(float(x), float(y)) for x in at for y in at]
    values = [coarse.passed(*t) for t in tries]
    x, y = tries[int(np.argmax(values))]
    if values[0] >= max(values) - 1e-6:
        x = y = 0.0
    for grid, size, smallest in ((coarse, 0.1, 0.02), (middle, 0.02, 2e-3)):
        best = grid.passed(x, y)
        while size >= smallest:
            moves = [(x + size, y), (x - size, y), (x, y + size), (x, y - size)]
            values = [grid.passed(*m) for m in moves]
            k = int(np.argmax(values))
            if values[k] > best + 1e-9:
                best, (x, y) = values[k], moves[k]
            else:
                size /= 2
    return max(fine.passed(x, y), fine.passed(0.0, 0.0), fine.passed(*start))


def scores(recipe: Recipe, profile: Profile, ratio: float | None = None) -> tuple[float, float]:
    """(clipped fraction, score) with the beam spread to ``ratio`` (as it is when ``None``) at the recipe's offset.

    The edge's width grows with the beam. A beam that fits into the aperture with all its light scores 100.
    """
    r = recipe.beam_ratio if ratio is None else ratio
    matrix = r * stretch(recipe.astigmatism, recipe.astigmatism_axis_deg)
    softness = recipe.beam_edge_px / (recipe.aperture_radius_px * recipe.beam_ratio)
    fine = current_of(matrix, softness, profile)
    x, y = (float(v) for v in recipe.offset)
    now = fine.passed(x, y)
    if now >= 1 - 1e-9:
        return 0.0, 100.0
    middle, coarse = (current_of(matrix, softness, profile, n) for n in (120, 40))
    best = best_passed(fine, middle, coarse, (x, y))
    return 1 - now, 100.0 * min(now / best, 1.0) if best > 0 else 0.0


def gap_of(matrix: Array, offset: Array, n: int = 3600) -> float:
    """Gap between the beam's outline and the unit aperture where it is tightest, aperture radii; negative = overlap.

    Numeric: the outline's farthest point from the aperture's center, over ``n`` angles, a parabola through the best.
    For circles it is 1 − (offset + ratio).
    """
    t = np.arange(n) * (2 * np.pi / n)
    p = np.stack([np.cos(t), np.sin(t)], axis=1) @ np.asarray(matrix).T + offset
    r = np.hypot(p[:, 0], p[:, 1])
    k = int(np.argmax(r))
    a, b, c = r[k - 1], r[k], r[(k + 1) % n]
    bend = a - 2 * b + c
    return float(1.0 - (b - (a - c) ** 2 / (8 * bend) if bend < 0 else b))


def covers_aperture(matrix: Array, offset: Array, n: int = 720) -> bool:
    """Whether the beam's disc holds the whole unit aperture."""
    t = np.arange(n) * (2 * np.pi / n)
    p = np.stack([np.cos(t), np.sin(t)], axis=1) - offset
    w = p @ np.linalg.inv(matrix).T
    return bool(np.max(np.hypot(w[:, 0], w[:, 1])) <= 1.0)


def plane_light(recipe: Recipe, profile: Profile, n: int = 500) -> tuple[Array, Array, Array, Array]:
    """(beam light, halo, inside-the-lit-area mask, r) on a grid over the unit aperture; ÷ beam level, shape (m,)."""
    at = (np.arange(n) + 0.5) * (2 / n) - 1
    x, y = (v.ravel() for v in np.meshgrid(at, at))
    r = np.hypot(x, y)
    keep = r <= 1
    x, y, r = x[keep], y[keep], r[keep]
    inverse = np.linalg.inv(recipe.beam_plane)
    dx, dy = x - recipe.offset[0], y - recipe.offset[1]
    xi, eta = inverse[0, 0] * dx + inverse[0, 1] * dy, inverse[1, 0] * dx + inverse[1, 1] * dy
    rho = np.hypot(xi, eta)
    softness = recipe.beam_edge_px / (recipe.aperture_radius_px * recipe.beam_ratio)
    beam = profile(xi, eta) * ndtr((1 - rho) / softness)
    margin_a = 3.0 * hypot(recipe.aperture_edge_px, recipe.total_blur_px) / recipe.aperture_radius_px
    margin_b = 3.0 * hypot(recipe.beam_edge_px, recipe.total_blur_px) / (recipe.aperture_radius_px * recipe.beam_ratio)
    lit = (rho < 1 - margin_b) & (r < 1 - margin_a)
    return beam, halo_at(recipe, x, y), lit, r
