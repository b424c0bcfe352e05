"""What is true of a simulated picture: every field of the registry that has a truth, and what may be said of it."""

from dataclasses import dataclass, fields
from math import atan2, degrees, hypot, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..registry import SceneKind
from ..scene import Edge
from .light import Profile, blurred_edge, halo_at, profile_of
from .plane import covers_aperture, gap_of, plane_light, scores
from .recipe import Recipe

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
