"""One picture's result: every field of the registry, typed. Names, units and meanings: :mod:`apertrue.registry`."""

from dataclasses import dataclass, fields
from math import hypot
from typing import Any

from .registry import SCHEMA_VERSION

#: Radii of the aperture in the picture that differ by more than this share, and by more than so many of their common σ,
#: belong to two views: several times what a breathing lens or a loose fit does, far under any step of magnification.
VIEW_TOLERANCE, VIEW_SIGMAS = 0.05, 4.0


@dataclass(frozen=True, slots=True)
class Assessment:
    """All reported quantities of one picture; ``None`` = not measured, never 0 or NaN.

    Attribute names are the registry's field names; ``<name>_sigma`` is the 1σ standard uncertainty (GUM) and
    ``None`` exactly when its value is. A test holds this class and the registry together.
    """

    # picture
    schema_version: int | None = SCHEMA_VERSION
    file: str | None = None
    page: int | None = None
    frames_given: int | None = None
    frames_used: int | None = None
    taken_at: str | None = None
    taken_at_source: str | None = None
    # verdict
    scene: str | None = None
    scene_confidence: float | None = None
    flags: tuple[str, ...] | None = None
    verdict: str | None = None
    reasons: tuple[str, ...] | None = None
    # picture
    error: str | None = None
    # edges
    aperture_x_px: float | None = None
    aperture_x_px_sigma: float | None = None
    aperture_y_px: float | None = None
    aperture_y_px_sigma: float | None = None
    aperture_radius_px: float | None = None
    aperture_radius_px_sigma: float | None = None
    beam_x_px: float | None = None
    beam_x_px_sigma: float | None = None
    beam_y_px: float | None = None
    beam_y_px_sigma: float | None = None
    beam_radius_px: float | None = None
    beam_radius_px_sigma: float | None = None
    aperture_edge_px: float | None = None
    aperture_edge_px_sigma: float | None = None
    beam_edge_px: float | None = None
    beam_edge_px_sigma: float | None = None
    aperture_source: str | None = None
    aperture_ellipticity: float | None = None
    aperture_ellipticity_sigma: float | None = None
    aperture_axis_deg: float | None = None
    aperture_axis_deg_sigma: float | None = None
    beam_ellipticity: float | None = None
    beam_ellipticity_sigma: float | None = None
    beam_axis_deg: float | None = None
    beam_axis_deg_sigma: float | None = None
    # centering
    offset_x_px: float | None = None
    offset_x_px_sigma: float | None = None
    offset_y_px: float | None = None
    offset_y_px_sigma: float | None = None
    offset_xy_correlation: float | None = None
    offset_x_percent: float | None = None
    offset_x_percent_sigma: float | None = None
    offset_y_percent: float | None = None
    offset_y_percent_sigma: float | None = None
    offset_percent: float | None = None
    offset_percent_sigma: float | None = None
    offset_direction_deg: float | None = None
    offset_direction_deg_sigma: float | None = None
    move_direction_deg: float | None = None
    move_direction_deg_sigma: float | None = None
    offset_um: float | None = None
    offset_um_sigma: float | None = None
    gap_percent: float | None = None
    gap_percent_sigma: float | None = None
    clipped_fraction: float | None = None
    clipped_fraction_sigma: float | None = None
    score: float | None = None
    score_sigma: float | None = None
    working_score: float | None = None
    working_score_sigma: float | None = None
    aperture_jitter_px: float | None = None
    aperture_jitter_px_sigma: float | None = None
    beam_jitter_px: float | None = None
    beam_jitter_px_sigma: float | None = None
    offset_jitter_percent: float | None = None
    offset_jitter_percent_sigma: float | None = None
    # light
    halo_fraction: float | None = None
    halo_fraction_sigma: float | None = None
    unevenness_percent: float | None = None
    unevenness_percent_sigma: float | None = None
    # move
    nudge_x: float | None = None
    nudge_x_sigma: float | None = None
    nudge_y: float | None = None
    nudge_y_sigma: float | None = None
    # state
    gun_shift_x: float | None = None
    gun_shift_y: float | None = None
    gun_focus: float | None = None
    focus_side: str | None = None
    current_pa: float | None = None
    kv: float | None = None
    spot: str | None = None
    aperture_um: float | None = None
    magnification: float | None = None
    camera: str | None = None
    setting: str | None = None
    note: str | None = None
    state_source: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """All fields in the registry's order, ready for JSON (lists for ``flags`` and ``reasons``)."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}


def radius_seen(a: Assessment) -> tuple[float, float] | None:
    """The aperture's radius in the picture and its 1σ, px; ``None`` where it was not measured in it but remembered."""
    if a.aperture_radius_px is None or a.aperture_source == "remembered":
        return None
    return a.aperture_radius_px, a.aperture_radius_px_sigma or 0.0


def other_view(
    before: tuple[float, float] | None,
    now: tuple[float, float] | None,
    before_um: float | None = None,
    now_um: float | None = None,
) -> bool:
    """Whether two radii of the aperture in the picture (px, 1σ) tell two views: another magnification, camera or lens.

    Args:
        before: of the earlier picture; ``None`` = not known, which tells nothing.
        now: of the later one.
        before_um: the aperture's diameter, where stated: another aperture is as much larger in the same view.
        now_um: the later one's.
    """
    if before is None or now is None:
        return False
    scale = now_um / before_um if before_um and now_um else 1.0
    expected = before[0] * scale
    apart = abs(expected - now[0])
    return apart > VIEW_TOLERANCE * max(expected, now[0]) and apart > VIEW_SIGMAS * hypot(before[1] * scale, now[1])


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value
