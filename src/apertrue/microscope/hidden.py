"""What a virtual microscope hides: its truth, drawn once by seed. Orders of magnitude: common practice, no source.

Positions and offsets in % of the aperture radius (x right, y down in the picture), readings in console units, focus
in its own units with the customary sides (positive and negative), times in minutes.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Pair = tuple[float, float]
Matrix = tuple[Pair, Pair]


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the crossover.

    Attributes:
        matrix: % of the aperture radius per console unit at ``focus``.
        center: readings that center the beam at ``focus`` at the start.
        focus: reference focus (its beam radius is 0.9 of the aperture's).
        current_pa: all the beam's current, pA.
        rim: change of the light from center to rim as ρ² (brighter rim > 0, brighter core < 0).
        gain_slope: relative change of the matrix per relative change of |focus|.
        turn_deg: rotation of the matrix per unit of focus, deg.
        sweep: beam displacement per unit of focus, % (the beam is not on the lens axis).
    """

    matrix: Matrix
    center: Pair
    focus: float
    current_pa: float
    rim: float
    gain_slope: float
    turn_deg: float
    sweep: Pair


@dataclass(frozen=True, slots=True)
class Hidden:
    """The truth of one microscope.

    Attributes:
        positive, negative: the two sides.
        crossover: focus reading of the crossover at the start; ``crossover_wander``: its wander per √h.
        waist: beam radius ÷ aperture radius at crossover.
        backlash: of the two shift axes, console units; ``focus_backlash``: lens hysteresis, focus units.
        tilt: gun tilt that would be right, tilt units (the knobs start at 0); ``tilt_couples``: % per tilt unit (2×2);
            ``tilt_loss``: current falls as exp(−½ (loss·|error|)²); ``tilt_slope``: slope of the light per tilt unit.
        trend: % per h; ``wander``: random walk, % per √h; ``settling``: amplitude (%), ``settling_min`` its time
            constant.
        shadow: movement of the aperture's shadow with the beam, share.
        aperture_px, center_px: aperture radius and position in a 512 px picture, px.
        view_tilt_deg, view_axis_deg: tilt of the screen.
        aperture_edge_px, beam_edge_px: blurred edge widths (1σ) in a 512 px picture.
        halo, halo_slope, halo_direction_deg: halo ÷ beam level at the reference, and its unevenness.
        ellipticity, ellipticity_axis_deg: the beam's.
        electrons: per pixel at the core in a well exposed picture; ``gain`` gray levels per electron; ``bias``,
            ``read_noise``: gray levels.
        meter_relative, meter_pa: noise of the current meter, 1σ.
        hang_probability: of the automatic routine.
        aperture_um, kv: labels.
    """

    positive: Side
    negative: Side
    crossover: float
    crossover_wander: float
    waist: float
    backlash: Pair
    focus_backlash: float
    tilt: Pair
    tilt_couples: Matrix
    tilt_loss: float
    tilt_slope: float
    trend: Pair
    wander: float
    settling: Pair
    settling_min: float
    shadow: float
    aperture_px: float
    center_px: Pair
    view_tilt_deg: float
    view_axis_deg: float
    aperture_edge_px: float
    beam_edge_px: float
    halo: float
    halo_slope: float
    halo_direction_deg: float
    ellipticity: float
    ellipticity_axis_deg: float
    electrons: float
    gain: float
    bias: float
    read_noise: float
    meter_relative: float
    meter_pa: float
    hang_probability: float
    aperture_um: float
    kv: float

    def side(self, name: str) -> Side:
        """The side called ``positive`` or ``negative``."""
        return self.positive if name == "positive" else self.negative


def random_hidden(rng: np.random.Generator) -> Hidden:
    """Draw a microscope. Unlike from one another, like instruments: see the attributes for what varies."""
    mirror = bool(rng.random() < 0.5)
    angle = float(rng.uniform(0.0, 360.0))
    skew = float(rng.uniform(-15.0, 15.0))
    gain = float(np.exp(rng.uniform(np.log(1.5), np.log(6.0))))
    ratio = float(rng.uniform(0.8, 1.25))
    center = rng.uniform(-20.0, 20.0, 2)
    positive = _side(rng, _matrix(angle, skew, gain, ratio, mirror), center, 1.0)
    other = _matrix(
        angle + 180.0 + float(rng.normal(0.0, 12.0)),
        skew + float(rng.normal(0.0, 3.0)),
        gain * float(rng.uniform(0.7, 1.4)),
        ratio * float(rng.uniform(0.95, 1.05)),
        mirror,
    )
    # Changing sides need not disturb the shift: the two centers differ by little.
    negative = _side(rng, other, center + rng.normal(0.0, 3.0 / gain, 2), -1.0)
    aperture = float(rng.uniform(130.0, 190.0))
    tilt = rng.normal(0.0, 0.35, 2)
    couples = rng.normal(0.0, 4.0, (2, 2))
    settling = rng.normal(0.0, 4.0, 2)
    return Hidden(
        positive=positive,
        negative=negative,
        crossover=float(rng.normal(0.0, 0.8)),
        crossover_wander=float(rng.uniform(0.02, 0.2)),
        waist=float(rng.uniform(0.03, 0.07)),
        backlash=_pair(rng.uniform(0.0, 0.5, 2) / gain),
        focus_backlash=float(rng.uniform(0.0, 0.15)),
        tilt=_pair(tilt),
        tilt_couples=(_pair(couples[0]), _pair(couples[1])),
        tilt_loss=float(rng.uniform(0.2, 0.6)),
        tilt_slope=float(rng.uniform(0.02, 0.12)),
        trend=_pair(rng.normal(0.0, 1.3, 2)),
        wander=float(rng.uniform(0.3, 1.2)),
        settling=_pair(settling),
        settling_min=float(rng.uniform(15.0, 45.0)),
        shadow=float(rng.uniform(-0.03, 0.03)),
        aperture_px=aperture,
        center_px=_pair(255.5 + rng.uniform(-1.0, 1.0, 2) * min(30.0, 245.0 - aperture)),
        view_tilt_deg=float(rng.uniform(0.0, 12.0)),
        view_axis_deg=float(rng.uniform(0.0, 180.0)),
        aperture_edge_px=float(rng.uniform(0.9, 1.8)),
        beam_edge_px=float(rng.uniform(1.4, 3.0)),
        halo=float(np.exp(rng.uniform(np.log(0.008), np.log(0.06)))),
        halo_slope=float(rng.uniform(0.0, 0.3)),
        halo_direction_deg=float(rng.uniform(0.0, 360.0)),
        ellipticity=float(rng.uniform(0.0, 0.015)),
        ellipticity_axis_deg=float(rng.uniform(0.0, 180.0)),
        electrons=float(np.exp(rng.uniform(np.log(1000.0), np.log(6000.0)))),
        gain=float(rng.uniform(2.0, 6.0)),
        bias=float(rng.uniform(50.0, 300.0)),
        read_noise=float(rng.uniform(3.0, 12.0)),
        meter_relative=float(rng.uniform(0.003, 0.012)),
        meter_pa=float(rng.uniform(0.05, 0.4)),
        hang_probability=0.05,
        aperture_um=float(rng.choice([50.0, 70.0, 100.0])),
        kv=float(rng.choice([80.0, 200.0, 300.0])),
    )


def _pair(values: Array) -> Pair:
    return float(values[0]), float(values[1])


def _matrix(angle_deg: float, skew_deg: float, gain: float, ratio: float, mirror: bool) -> Matrix:
    """Axis X points ``angle`` counter-clockwise from right on the screen, axis Y a skewed right angle on (or back)."""
    t = np.radians(angle_deg)
    u = t + np.radians((90.0 + skew_deg) * (-1 if mirror else 1))
    gx, gy = gain * np.sqrt(ratio), gain / np.sqrt(ratio)
    return (
        (float(gx * np.cos(t)), float(gy * np.cos(u))),
        (float(-gx * np.sin(t)), float(-gy * np.sin(u))),
    )


def _side(rng: np.random.Generator, matrix: Matrix, center: Array, sign: float) -> Side:
    focus = float(sign * rng.uniform(10.0, 20.0))
    # Through the aperture at |focus| = 40 about 22 pA on the positive side and 1.5 nA on the negative one.
    spread = (40.0 / abs(focus) * 0.9) ** 2
    through = (22.0 if sign > 0 else 1500.0) * float(np.exp(rng.normal(0.0, 0.15)))
    return Side(
        matrix,
        _pair(center),
        focus,
        through * spread,
        float(sign * rng.uniform(0.02, 0.25)),
        float(rng.uniform(0.0, 0.3)),
        float(rng.uniform(-0.6, 0.6)),
        _pair(rng.normal(0.0, 0.25, 2)),
    )
