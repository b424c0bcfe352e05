"""The virtual microscope's optics as pure functions of its hidden truth: radius, matrix, offset, current, picture."""

from dataclasses import dataclass
from math import atan2, degrees, exp, hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from ..model.transmission import PlaneBeam, passed_fraction
from ..simulate import Recipe
from .hidden import Hidden, Side

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Setting:
    """What the column does at one moment, after backlash, drift and wander.

    Attributes:
        side: ``positive`` or ``negative``.
        ratio: beam radius ÷ aperture radius.
        offset: beam center − aperture center in the aperture plane, % (x right, y down).
        tilt_error: gun tilt minus the right one, tilt units.
        defocus: focus minus crossover, focus units.
        view: displacement of the whole view, px of a 512 px picture.
    """

    side: str
    ratio: float
    offset: tuple[float, float]
    tilt_error: tuple[float, float]
    defocus: float
    view: tuple[float, float] = (0.0, 0.0)


def side_of(defocus: float) -> str:
    """The side of the crossover."""
    return "positive" if defocus >= 0 else "negative"


def beam_ratio(hidden: Hidden, defocus: float) -> float:
    """Beam radius ÷ aperture radius: ∝ |focus − crossover|, never below the waist."""
    side = hidden.side(side_of(defocus))
    return hypot(hidden.waist, 0.9 * defocus / abs(side.focus))


def matrix_at(side: Side, defocus: float) -> Array:
    """% of the aperture radius per console unit at a defocus, shape (2, 2)."""
    relative = abs(defocus) / abs(side.focus) - 1.0
    scale = max(0.2, 1.0 + side.gain_slope * relative)
    t = np.radians(side.turn_deg * (abs(defocus) - abs(side.focus)))
    turn = np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]])  # counter-clockwise on the screen
    return np.asarray(scale * turn @ np.array(side.matrix))


def offset_at(hidden: Hidden, shift: Array, defocus: float, tilt_error: Array, drift: Array) -> Array:
    """Beam center − aperture center, %, shape (2,).

    Args:
        hidden: the truth.
        shift: where the deflectors stand after backlash, console units.
        defocus: focus minus crossover.
        tilt_error: gun tilt minus the right one, tilt units; at the start's tilt (knobs 0) it adds nothing, so that
            ``Side.center`` centers the beam then.
        drift: since the start, %.
    """
    side = hidden.side(side_of(defocus))
    couples = np.array(hidden.tilt_couples) @ (tilt_error + np.array(hidden.tilt))
    sweep = np.array(side.sweep) * (defocus - side.focus)
    return np.asarray(matrix_at(side, defocus) @ (shift - np.array(side.center)) + sweep + couples + drift)


def efficiency(hidden: Hidden, tilt_error: tuple[float, float]) -> float:
    """Share of the current that a wrong gun tilt leaves."""
    return exp(-0.5 * (hidden.tilt_loss * hypot(*tilt_error)) ** 2)


def plane_beam(hidden: Hidden, setting: Setting, ratio: float | None = None) -> PlaneBeam:
    """The beam in the aperture plane, with its profile and edge (the light turns by 180° with the side)."""
    side = hidden.side(setting.side)
    sign = 1.0 if setting.side == "positive" else -1.0
    tilt = (sign * hidden.tilt_slope * setting.tilt_error[0], sign * hidden.tilt_slope * setting.tilt_error[1])
    x, y = setting.offset[0] / 100.0, setting.offset[1] / 100.0
    # Rounded, so that a wandering crossover does not ask for a new integral at every look.
    softness = round(_beam_edge(hidden, setting.ratio) / (hidden.aperture_px * setting.ratio), 3)
    return PlaneBeam.round(x, y, ratio or setting.ratio, (side.rim,), tilt, softness)


def _beam_edge(hidden: Hidden, ratio: float) -> float:
    """Width (1σ) of the beam's own edge, px of a 512 px picture: it grows as the beam spreads."""
    return hidden.beam_edge_px * sqrt(max(ratio / 0.9, 0.3))


def beam_current(hidden: Hidden, setting: Setting) -> float:
    """The beam's current through the aperture, pA."""
    side = hidden.side(setting.side)
    return side.current_pa * efficiency(hidden, setting.tilt_error) * passed_fraction(plane_beam(hidden, setting))


def halo_current(hidden: Hidden, setting: Setting) -> float:
    """The halo's current through the aperture, pA: what a meter counts and the score does not."""
    side = hidden.side(setting.side)
    # Halo ÷ beam level times the ratio of areas; the level falls as the beam spreads, the halo's own does not.
    return side.current_pa * efficiency(hidden, setting.tilt_error) * hidden.halo / (0.9**2 * (1.0 + side.rim / 2.0))


def recipe_of(hidden: Hidden, setting: Setting, size: int, exposure: float) -> Recipe:
    """The picture of a setting.

    Args:
        hidden: the truth.
        setting: the moment.
        size: rows and columns, px.
        exposure: exposure ÷ that of a well exposed picture at the reference focus.
    """
    side = hidden.side(setting.side)
    k = size / 512.0
    dense = (0.9 / setting.ratio) ** 2
    sign = 1.0 if setting.side == "positive" else -1.0
    slope = (sign * hidden.tilt_slope * setting.tilt_error[0], sign * hidden.tilt_slope * setting.tilt_error[1])
    return Recipe(
        rows=size,
        columns=size,
        aperture_x_px=hidden.center_px[0] * k + (k - 1) / 2 + setting.view[0] * k,
        aperture_y_px=hidden.center_px[1] * k + (k - 1) / 2 + setting.view[1] * k,
        aperture_radius_px=hidden.aperture_px * k,
        aperture_edge_px=hidden.aperture_edge_px * max(k, 0.5),
        beam_edge_px=_beam_edge(hidden, setting.ratio) * max(k, 0.5),
        beam_ratio=setting.ratio,
        offset_x_percent=setting.offset[0],
        offset_y_percent=setting.offset[1],
        astigmatism=hidden.ellipticity,
        astigmatism_axis_deg=hidden.ellipticity_axis_deg,
        view_tilt_deg=hidden.view_tilt_deg,
        view_axis_deg=hidden.view_axis_deg,
        dome=-side.rim,
        light_tilt=hypot(*slope),
        light_tilt_direction_deg=degrees(atan2(-slope[1], slope[0])) % 360.0,
        halo_level=hidden.halo / dense,
        halo_slope=hidden.halo_slope,
        halo_direction_deg=hidden.halo_direction_deg,
        peak_electrons=hidden.electrons * dense * efficiency(hidden, setting.tilt_error) * exposure,
        gain=hidden.gain,
        bias=hidden.bias,
        read_noise=hidden.read_noise,
    )


def clipped_fraction(hidden: Hidden, setting: Setting) -> float:
    """Share of the beam's current that the aperture stops."""
    return 1.0 - passed_fraction(plane_beam(hidden, setting))
