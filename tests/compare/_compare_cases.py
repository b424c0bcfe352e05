"""Assessments of known truth for comparisons."""

from math import atan2, degrees, hypot
from typing import Any

from apertrue.assessment import Assessment


def seen(
    x: float, y: float, *, sigma: float = 0.1, radius: float = 180.0, ratio: float = 0.9, **more: Any
) -> Assessment:
    """A picture whose beam lies (x, y) % of the aperture radius off, y down."""
    values: dict[str, Any] = {
        "scene": "both-edges",
        "flags": (),
        "offset_x_percent": x,
        "offset_y_percent": y,
        "offset_x_percent_sigma": sigma,
        "offset_y_percent_sigma": sigma,
        "offset_xy_correlation": 0.0,
        "offset_percent": hypot(x, y),
        "offset_percent_sigma": sigma,
        "offset_direction_deg": degrees(atan2(-y, x)) % 360,
        "aperture_x_px": 256.0,
        "aperture_y_px": 256.0,
        "aperture_x_px_sigma": 0.02,
        "aperture_y_px_sigma": 0.02,
        "aperture_radius_px": radius,
        "beam_radius_px": radius * ratio,
        "beam_edge_px": 2.0,
        "aperture_source": "picture",
        "aperture_ellipticity": 0.0,
        "aperture_ellipticity_sigma": 0.001,
        "beam_ellipticity": 0.0,
        "beam_ellipticity_sigma": 0.001,
    }
    values.update(more)
    return Assessment(**values)
