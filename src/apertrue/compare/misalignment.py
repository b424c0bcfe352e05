"""Other misalignments seen in the same pictures: ellipticity told apart, the aperture off the axis, uneven light. Pure.

Ellipticity is a vector of double angle, (e·cos 2φ, e·sin 2φ) with φ counter-clockwise on the screen: small ones add, an
axis turned by 90° is the vector's negative. What the view (or anything after the aperture) adds is in both edges; what
is in the beam's edge alone comes from before the aperture.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, cos, degrees, exp, hypot, radians, sin, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..advise.plain import measured
from ..assessment import Assessment
from .agreement import Point2, agreement

Array = NDArray[np.float64]

#: Ellipticities and slopes are called real when chance would make them as large in fewer than 1 of 100 pictures …
RARE = 0.01
#: … and when they are at least this large: smaller ones harm nothing.
LEAST_ELLIPTICITY = 0.01
#: An aperture whose disc moves less than this (% of its radius per unit of strength over the range) is on the axis.
LEAST_SWING = 1.0

EllipseKind = Literal["round", "view", "beam", "both", "unknown"]


@dataclass(frozen=True, slots=True)
class EllipticityVector:
    """(e·cos 2φ, e·sin 2φ) with 1σ of each component; φ counter-clockwise on the screen."""

    e1: float
    e2: float
    sigma: float

    @property
    def size(self) -> float:
        """(major − minor)/(major + minor)."""
        return hypot(self.e1, self.e2)

    @property
    def axis_deg(self) -> float:
        """Direction of the major axis, 0 to 180."""
        return degrees(0.5 * atan2(self.e2, self.e1)) % 180.0

    @property
    def real(self) -> bool:
        """Whether it is larger than chance makes it, and large enough to matter."""
        if self.size < LEAST_ELLIPTICITY:
            return False
        return self.sigma <= 0 or exp(-0.5 * (self.size / self.sigma) ** 2) < RARE

    def minus(self, other: "EllipticityVector") -> "EllipticityVector":
        """What this one has beyond the other (small ellipticities add)."""
        return EllipticityVector(self.e1 - other.e1, self.e2 - other.e2, hypot(self.sigma, other.sigma))

    @classmethod
    def of(cls, size: float | None, sigma: float | None, axis_deg: float | None) -> "EllipticityVector | None":
        """From the reported size, its 1σ and the axis; without an axis it is round within its doubt."""
        if size is None or sigma is None:
            return None
        if axis_deg is None:
            return cls(0.0, 0.0, max(sigma, 0.5 * size))
        angle = radians(2.0 * axis_deg)
        return cls(size * cos(angle), size * sin(angle), sigma)


@dataclass(frozen=True, slots=True)
class EllipticityFinding:
    """What the ellipticities of one picture say.

    Attributes:
        kind: ``round``, ``view`` (the same in both edges: the view, or what follows the aperture), ``beam`` (in the
            beam alone: gun, dispersion or condenser astigmatism), ``both`` (some of each) or ``unknown``.
        aperture, beam: as measured; ``None`` where not.
        own: the beam's own, the aperture's taken off.
        sentence: in words.
    """

    kind: EllipseKind
    aperture: EllipticityVector | None
    beam: EllipticityVector | None
    own: EllipticityVector | None
    sentence: str


def ellipticity_of(a: Assessment) -> EllipticityFinding:
    """Tell apart what the ellipticities of one picture come from."""
    aperture = EllipticityVector.of(a.aperture_ellipticity, a.aperture_ellipticity_sigma, a.aperture_axis_deg)
    beam = EllipticityVector.of(a.beam_ellipticity, a.beam_ellipticity_sigma, a.beam_axis_deg)
    if aperture is None or beam is None:
        return EllipticityFinding("unknown", aperture, beam, None, "Ellipticity: both edges are needed to tell.")
    own = beam.minus(aperture)
    if own.real:
        kind: EllipseKind = "both" if aperture.real else "beam"
        said = (
            f"The beam itself is elliptical, {_said(own)}: gun, dispersion or condenser astigmatism. "
            "One picture on each side of crossover tells them apart: astigmatism turns by 90°, dispersion does not."
        )
        if kind == "both":
            said += f" The view adds its own, {_said(aperture)}."
    elif aperture.real:
        kind = "view"
        said = (
            f"Both edges are elliptical alike, {_said(aperture)}: the view (a tilted screen) or something after the "
            "aperture, nothing to correct in the beam."
        )
    else:
        kind, said = "round", "Both discs are round within the doubt."
    return EllipticityFinding(kind, aperture, beam, own, said)


@dataclass(frozen=True, slots=True)
class CrossoverFinding:
    """How the beam's own ellipticity behaves through crossover: ``turns``, ``stays``, ``mixed`` or ``unknown``."""

    kind: Literal["turns", "stays", "mixed", "unknown"]
    turning: EllipticityVector | None
    staying: EllipticityVector | None
    sentence: str


def through_crossover(positive: Assessment, negative: Assessment) -> CrossoverFinding:
    """From one picture on each side of crossover: astigmatism turns by 90° there, a stretched beam stays.

    The turning part is half the difference of the beam's own ellipticity vectors, the staying part half their sum; both
    pictures must show the same view (rotation between the sides would mix them).
    """
    a, b = ellipticity_of(positive).own, ellipticity_of(negative).own
    if a is None or b is None:
        return CrossoverFinding("unknown", None, None, "Both pictures must show both edges.")
    sigma = 0.5 * hypot(a.sigma, b.sigma)
    turning = EllipticityVector(0.5 * (a.e1 - b.e1), 0.5 * (a.e2 - b.e2), sigma)
    staying = EllipticityVector(0.5 * (a.e1 + b.e1), 0.5 * (a.e2 + b.e2), sigma)
    if turning.real and staying.real:
        return CrossoverFinding(
            "mixed",
            turning,
            staying,
            f"Part of the beam's ellipticity turns by 90° through crossover ({_said(turning)}: condenser astigmatism), "
            f"part stays ({_said(staying)}: dispersion or gun).",
        )
    if turning.real:
        return CrossoverFinding(
            "turns",
            turning,
            staying,
            f"The beam's ellipse turns by 90° through crossover, {_said(turning)}: condenser astigmatism. "
            "Correct it before centering.",
        )
    if staying.real:
        return CrossoverFinding(
            "stays",
            turning,
            staying,
            f"The beam's ellipse stays through crossover, {_said(staying)}: dispersion or gun, not astigmatism.",
        )
    return CrossoverFinding("unknown", turning, staying, "The beam is round within the doubt on both sides.")


@dataclass(frozen=True, slots=True)
class AxisFinding:
    """Whether the aperture's disc stays concentric while a condenser lens changes.

    Attributes:
        slope: movement of the disc's center per unit of the lens' strength, in % of its radius, y down.
        swing_percent: movement over the whole range of strengths, % of the radius, with its 1σ.
        direction_deg: direction of the movement toward higher strength; ``None`` when not real.
        direction_sigma_deg: its 1σ.
        off_axis: ``True`` off, ``False`` on within the doubt.
        scatter_percent: 1σ of a picture's position about the line, % of the radius, as found.
        sentence: in words.
    """

    slope: Point2
    swing_percent: float
    swing_sigma: float
    direction_deg: float | None
    direction_sigma_deg: float | None
    off_axis: bool
    scatter_percent: float
    sentence: str


def aperture_axis(strengths: Sequence[float], pictures: Sequence[Assessment]) -> AxisFinding:
    """Is the aperture on the optical axis? From pictures at different strengths of a condenser lens.

    The disc's size may change with the lens; an aperture on the axis stays concentric all the same. Positions are taken
    in units of the pictures' mean aperture radius. Weighted straight-line fit; residuals larger than the pictures' σ
    enlarge the doubt.

    Args:
        strengths: the lens' readings, any unit, one a picture.
        pictures: their assessments, of the same view (magnification, camera).

    Raises:
        ValueError: fewer than three pictures with an aperture edge, or strengths that are all the same.
    """
    rows = [
        (s, a.aperture_x_px, a.aperture_y_px, a.aperture_x_px_sigma, a.aperture_y_px_sigma, a.aperture_radius_px)
        for s, a in zip(strengths, pictures, strict=True)
        if a.aperture_source == "picture" and None not in (a.aperture_x_px, a.aperture_y_px, a.aperture_radius_px)
    ]
    if len(rows) < 3:
        raise ValueError("at least three pictures that show the aperture's edge are needed")
    table = np.array(rows, dtype=float)
    if not np.ptp(table[:, 0]) > 0:
        raise ValueError("the lens' strength must differ between the pictures")
    radius = float(table[:, 5].mean())
    middle = float(table[:, 0].mean())
    design = np.stack([np.ones(len(table)), table[:, 0] - middle], axis=1)
    slopes, variances, chi2 = [], [], 0.0
    for column in (1, 2):
        position, sigma = 100 * table[:, column] / radius, 100 * np.maximum(table[:, column + 2], 1e-9) / radius
        weighted = design / sigma[:, None]
        covariance = np.linalg.inv(weighted.T @ weighted)
        found = covariance @ (weighted.T @ (position / sigma))
        chi2 += float((((position - design @ found) / sigma) ** 2).sum())
        slopes.append(float(found[1]))
        variances.append(float(covariance[1, 1]))
    dof = 2 * len(table) - 4
    enlarged = max(1.0, chi2 / dof)
    slope = Point2(slopes[0], slopes[1], sqrt(variances[0] * enlarged), sqrt(variances[1] * enlarged))
    span = float(np.ptp(table[:, 0]))
    length = hypot(slopes[0], slopes[1])
    sigma_length = sqrt(
        (slopes[0] ** 2 * variances[0] + slopes[1] ** 2 * variances[1]) / length**2 if length > 0 else variances[0]
    ) * sqrt(enlarged)
    test = agreement(slope, Point2(0.0, 0.0, 0.0, 0.0))
    swing, swing_sigma = length * span, sigma_length * span
    off = test is not None and test.p < RARE and swing > LEAST_SWING
    direction = degrees(atan2(-slopes[1], slopes[0])) % 360.0 if off else None
    direction_sigma = degrees(sigma_length / length) if off else None
    scatter = float(100 * np.median(table[:, 3:5]) / radius * sqrt(enlarged))
    size = measured(swing, swing_sigma, "%")
    if off and direction is not None:
        said = (
            f"The aperture's disc moves by {size} of its radius toward {measured(direction, direction_sigma, '°')} "
            "over the lens' range: "
            "the aperture is off the optical axis. Center it first, the way the maker describes."
        )
    else:
        said = f"The aperture's disc stays concentric: {size} of its radius over the lens' range."
    return AxisFinding(slope, swing, swing_sigma, direction, direction_sigma, off, scatter, said)


def _said(e: EllipticityVector) -> str:
    return f"ellipticity {measured(e.size, e.sigma)} along {e.axis_deg:.0f}°"
