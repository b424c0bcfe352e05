"""What is true of a simulated picture: every field of the registry that has a truth, and what may be said of it.

Currents are plain sums over fine cells in the aperture plane, independent of :mod:`apertrue.model.transmission`.
"""

from dataclasses import dataclass, fields
from math import atan2, degrees, hypot, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ..registry import SceneKind
from ..scene import Edge
from .light import Profile, blurred_edge, halo_at, profile_of
from .recipe import Recipe, stretch

Array = NDArray[np.float64]

#: Beam radius ÷ aperture radius under which the picture is a crossover.
CROSSOVER_RATIO = 0.15
#: Gap (% of the aperture radius) within which `both-edges` and `clipped` both count as right.
BORDER_PERCENT = 5.0


@dataclass(frozen=True, slots=True)
class Truth:
    """Truth of one picture, under the registry's field names; ``None`` where the picture has no such truth.

    Attributes:
        kind: what the picture shows, judged by its light alone.
        allowed_kinds: every answer that counts as right (borders between kinds; evidence that the picture lacks).
        must_be_null: fields that must not be reported (nothing in the picture can tell them).
        must_flags, may_flags: flags that have to be raised, and further ones that may be.
        sign_known: whether the picture tells which edge is whose.
    """

    kind: SceneKind
    allowed_kinds: tuple[SceneKind, ...]
    must_be_null: tuple[str, ...] = ()
    must_flags: tuple[str, ...] = ()
    may_flags: tuple[str, ...] = ()
    sign_known: bool = True
    aperture_x_px: float | None = None
    aperture_y_px: float | None = None
    aperture_radius_px: float | None = None
    aperture_edge_px: float | None = None
    aperture_ellipticity: float | None = None
    aperture_axis_deg: float | None = None
    beam_x_px: float | None = None
    beam_y_px: float | None = None
    beam_radius_px: float | None = None
    beam_edge_px: float | None = None
    beam_ellipticity: float | None = None
    beam_axis_deg: float | None = None
    offset_x_px: float | None = None
    offset_y_px: float | None = None
    offset_x_percent: float | None = None
    offset_y_percent: float | None = None
    offset_percent: float | None = None
    offset_direction_deg: float | None = None
    move_direction_deg: float | None = None
    gap_percent: float | None = None
    clipped_fraction: float | None = None
    score: float | None = None
    working_score: float | None = None
    halo_fraction: float | None = None
    unevenness_percent: float | None = None

    def values(self) -> dict[str, float]:
        """The measured fields that have a truth, by registry name."""
        pairs = ((f.name, getattr(self, f.name)) for f in fields(self)[6:])
        return {name: value for name, value in pairs if value is not None}

    def to_dict(self) -> dict[str, Any]:
        """Everything, ready for JSON."""
        out: dict[str, Any] = {"scene": str(self.kind), "allowed_kinds": [str(k) for k in self.allowed_kinds]}
        out |= {name: list(getattr(self, name)) for name in ("must_be_null", "must_flags", "may_flags")}
        out["sign_known"] = self.sign_known
        out |= {f.name: getattr(self, f.name) for f in fields(self)[6:]}
        return out


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


def kind_of(recipe: Recipe) -> SceneKind:
    """What the picture's light shows, taking the halo into account but not the noise."""
    if recipe.peak_electrons <= 0:
        return SceneKind.DARK
    if recipe.beam_ratio < CROSSOVER_RATIO:
        return SceneKind.CROSSOVER
    if not recipe.aperture_in:
        return SceneKind.ONE_EDGE
    matrix, offset = recipe.beam_plane, recipe.offset
    if float(np.hypot(*offset)) >= 1 + recipe.beam_ratio:
        return SceneKind.DARK if recipe.halo_level <= 0 else SceneKind.ONE_EDGE
    if covers_aperture(matrix, offset):
        return SceneKind.OVERFILLED
    if gap_of(matrix, offset) < 0:
        return SceneKind.CLIPPED
    return SceneKind.BOTH_EDGES if recipe.halo_level > 0 else SceneKind.ONE_EDGE


_NEVER = ("offset_percent", "gap_percent", "clipped_fraction", "score", "working_score")
_NULL_FOR = {
    SceneKind.ONE_EDGE: _NEVER,
    SceneKind.OVERFILLED: _NEVER,
    SceneKind.DARK: _NEVER,
    SceneKind.OTHER_VIEW: _NEVER,
    SceneKind.BEAM_ONLY: (),
    SceneKind.CROSSOVER: (),
    SceneKind.BOTH_EDGES: (),
    SceneKind.CLIPPED: (),
}


def null_fields(kind: SceneKind) -> tuple[str, ...]:
    """Fields that must be ``None`` for a scene kind."""
    return _NULL_FOR[kind]


def allowed_kinds(recipe: Recipe, kind: SceneKind, halo_z: float) -> tuple[SceneKind, ...]:
    """Every answer that counts as right.

    Args:
        recipe: the picture.
        kind: what its light shows.
        halo_z: how many σ the halo's step stands out, summed over the aperture's free edge.
    """
    out = [kind]
    if kind in (SceneKind.BOTH_EDGES, SceneKind.CLIPPED):
        gap = 100 * gap_of(recipe.beam_plane, recipe.offset)
        if abs(gap) <= BORDER_PERCENT:
            out += [SceneKind.CLIPPED, SceneKind.BOTH_EDGES]
        if halo_z < 30:
            out += [SceneKind.ONE_EDGE, SceneKind.BEAM_ONLY]
        if kind is SceneKind.CLIPPED and _nearly_covers(recipe):
            out += [SceneKind.OVERFILLED, SceneKind.ONE_EDGE]
    if kind is SceneKind.OVERFILLED:
        out.append(SceneKind.ONE_EDGE)
        if not covers_aperture(recipe.beam_plane * 0.95, recipe.offset):
            out.append(SceneKind.CLIPPED)
    if kind is SceneKind.ONE_EDGE:
        out.append(SceneKind.BEAM_ONLY)
    if 0.12 < recipe.beam_ratio < 0.18 and kind is not SceneKind.DARK:
        out += [SceneKind.CROSSOVER, SceneKind.BOTH_EDGES]
    return tuple(dict.fromkeys(out))


def _nearly_covers(recipe: Recipe) -> bool:
    return covers_aperture(recipe.beam_plane * 1.05, recipe.offset)


def halo_z(recipe: Recipe) -> float:
    """How many σ the halo's step stands out, summed over the part of the aperture's edge that the beam leaves free."""
    t = np.arange(720) * (2 * np.pi / 720)
    p = np.stack([np.cos(t), np.sin(t)], axis=1)
    w = (p - recipe.offset) @ np.linalg.inv(recipe.beam_plane).T
    free = np.hypot(w[:, 0], w[:, 1]) > 1.0
    if not free.any() or recipe.peak_electrons <= 0:
        return 0.0
    halo = recipe.peak_electrons * float(np.mean(halo_at(recipe, p[free, 0], p[free, 1])))
    background = recipe.peak_electrons * max(recipe.background_level, 0.0) + recipe.background_electrons
    read = recipe.read_noise / recipe.gain
    width = hypot(recipe.aperture_edge_px, recipe.total_blur_px)
    pixels = 2 * np.pi * recipe.aperture_radius_px * float(free.mean()) * max(2 * width, 1.0)
    variance = halo / 2 + background + read * read + 1e-12
    if recipe.bits != 32:
        variance += 1 / (12 * recipe.gain**2)
    return float(halo * sqrt(pixels / variance) / 2)


def truth_of(recipe: Recipe, profile: Profile | None = None, *, currents: bool = True) -> Truth:
    """The truth of a recipe's picture, without the flags (they need the picture, see :mod:`.flags`).

    Args:
        recipe: the picture.
        profile: the beam's light in place of the recipe's own.
        currents: whether to integrate clipped share and scores (the slow part).
    """
    light = profile or profile_of(recipe)
    kind = kind_of(recipe)
    z = halo_z(recipe)
    allowed = allowed_kinds(recipe, kind, z)
    must_be_null = null_fields(kind) if len(allowed) == 1 or kind in _ONLY_NULL else ()
    if kind is SceneKind.CLIPPED and z < 3:
        # Without a halo the lens is the same with both discs swapped.
        must_be_null = (*must_be_null, *_SIGNED)
    if recipe.distorted:
        must_be_null = (*must_be_null, "score", "clipped_fraction", "unevenness_percent")
    aperture = blurred_edge(recipe.aperture, recipe.total_blur_px)
    beam = blurred_edge(recipe.beam, recipe.total_blur_px)
    values: dict[str, Any] = {}
    if recipe.aperture_in and kind is not SceneKind.DARK:
        values |= _edge_fields("aperture", aperture)
    if kind in (SceneKind.BOTH_EDGES, SceneKind.CLIPPED, SceneKind.CROSSOVER, SceneKind.ONE_EDGE, SceneKind.OVERFILLED):
        values |= _edge_fields("beam", beam)
        if recipe.aperture_in:
            values |= _offset_fields(recipe, aperture, beam)
            if currents:
                clipped, score = scores(recipe, light)
                values["clipped_fraction"], values["score"] = clipped, score
                values["working_score"] = scores(recipe, light, recipe.working_ratio or 1.0)[1]
            values |= _light_fields(recipe, light)
    sign = kind in (SceneKind.BOTH_EDGES, SceneKind.CROSSOVER) or (kind is SceneKind.CLIPPED and z > 3)
    return Truth(kind, allowed, tuple(dict.fromkeys(must_be_null)), sign_known=sign, **values)


_SIGNED = (
    "offset_x_px",
    "offset_y_px",
    "offset_x_percent",
    "offset_y_percent",
    "offset_direction_deg",
    "move_direction_deg",
)
_ONLY_NULL = (SceneKind.DARK, SceneKind.ONE_EDGE, SceneKind.OVERFILLED, SceneKind.OTHER_VIEW)


def _edge_fields(name: str, edge: Edge) -> dict[str, float | None]:
    e = edge.ellipticity
    return {
        f"{name}_x_px": edge.x,
        f"{name}_y_px": edge.y,
        f"{name}_radius_px": edge.radius,
        f"{name}_edge_px": edge.width,
        f"{name}_ellipticity": e,
        f"{name}_axis_deg": edge.axis_deg if e > 1e-9 else None,
    }


def _offset_fields(recipe: Recipe, aperture: Edge, beam: Edge) -> dict[str, float | None]:
    x, y = (float(v) for v in recipe.offset * 100)
    length = hypot(x, y)
    direction = degrees(atan2(-y, x)) % 360 if length > 0 else None
    # The gap lies between the edges as the picture shows them.
    to_plane = aperture.to_round() / aperture.radius
    matrix = to_plane @ np.linalg.inv(beam.to_round()) * beam.radius
    offset = to_plane @ np.array([beam.x - aperture.x, beam.y - aperture.y])
    return {
        "offset_x_px": beam.x - aperture.x,
        "offset_y_px": beam.y - aperture.y,
        "offset_x_percent": x,
        "offset_y_percent": y,
        "offset_percent": length,
        "offset_direction_deg": direction,
        "move_direction_deg": None if direction is None else (direction + 180) % 360,
        "gap_percent": 100 * gap_of(matrix, offset),
    }


def _light_fields(recipe: Recipe, light: Profile) -> dict[str, float | None]:
    """Halo share over the aperture, and 100 × standard deviation ÷ mean of the noiseless light over the lit area."""
    beam, halo, lit, _ = plane_light(recipe, light)
    total = float(np.sum(beam + halo))
    out: dict[str, float | None] = {"halo_fraction": float(np.sum(halo)) / total if total > 0 else None}
    if np.count_nonzero(lit) > 50:
        seen = (beam + halo)[lit]
        out["unevenness_percent"] = 100 * float(seen.std() / seen.mean())
    return out
