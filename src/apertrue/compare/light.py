"""Uneven light: a map over the lit area, and whether a tilt explains it. Pure."""

from dataclasses import dataclass
from math import atan2, degrees, exp, hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from ..advise.plain import measured
from ..assessment import Assessment
from ..scene import Scene

Array = NDArray[np.float64]

#: Uneven light is worth a word from here on, %.
WORTH_A_WORD = 10.0
#: Chance below which a tilt counts as real.
RARE = 0.01
#: Share of the unevenness (squared) from which a tilt is said to fit.
FITS_FROM = 0.6


@dataclass(frozen=True, slots=True)
class LightFinding:
    """What uneven light comes from.

    Attributes:
        unevenness_percent: spread of the smoothed light over the lit area, %, with its 1σ.
        slope_percent: the light's linear slope from center to edge, %, with its 1σ.
        brighter_toward_deg: where it is brighter; ``None`` when the slope is not real.
        explained: share of the squared unevenness that the slope explains, 0 to 1.
        tilt_fits: whether a tilt (of the gun) fits: a real slope that explains most of it.
        sentence: in words.
    """

    unevenness_percent: float
    unevenness_sigma: float
    slope_percent: float
    slope_sigma: float
    brighter_toward_deg: float | None
    explained: float
    tilt_fits: bool
    sentence: str


def uneven_light(assessment: Assessment, scene: Scene) -> LightFinding | None:
    """Whether a tilt fits the uneven light; ``None`` when the light was not measured.

    A slope t from center to edge makes a spread of t/2 over an even disc (mean of ξ² over a unit disc is ¼).
    """
    value, sigma = assessment.unevenness_percent, assessment.unevenness_percent_sigma
    profile, covariance = scene.profile, scene.covariance
    if value is None or sigma is None or profile is None or covariance is None or not scene.levels_linear:
        return None
    at = 12 + 1 + len(profile.radial)
    if len(covariance) < at + 2:
        return None
    tilt = 100.0 * np.array([profile.tilt_x, profile.tilt_y])
    c = 1e4 * covariance[at : at + 2, at : at + 2]
    slope = float(hypot(tilt[0], tilt[1]))
    slope_sigma = sqrt(max(float(tilt @ c @ tilt) / slope**2, 0.0)) if slope > 0 else sqrt(float(np.trace(c)) / 2)
    chi2 = float(tilt @ np.linalg.pinv(c) @ tilt)
    real = slope > 1.0 and exp(-0.5 * chi2) < RARE
    explained = min((slope / 2.0) ** 2 / value**2, 1.0) if value > 0 else 0.0
    fits = real and explained >= FITS_FROM and value >= WORTH_A_WORD
    toward = degrees(atan2(-tilt[1], tilt[0])) % 360.0 if real else None
    said = f"Unevenness of the light {measured(value, sigma, '%')}"
    if value < WORTH_A_WORD:
        said += ": nothing to act on."
    elif fits and toward is not None:
        said += (
            f"; it rises toward {toward:.0f}° by {measured(slope, slope_sigma, '%')} from center to edge, which "
            "explains most of it: gun tilt fits. Tilt couples with shift: let trained staff check it, then center."
        )
    elif real and toward is not None:
        said += f"; a slope toward {toward:.0f}° explains {100 * explained:.0f} % of it: not tilt alone."
    else:
        said += "; a tilt does not explain it: look for dirt, fringes, a domed or ringed profile."
    return LightFinding(value, sigma, slope, slope_sigma, toward, explained, fits, said)


@dataclass(frozen=True, slots=True, eq=False)
class LightMap:
    """Mean light in rings and sectors of the beam's disc where the aperture lets it through.

    Attributes:
        light: relative to the mean of all, shape (rings, sectors); NaN where nothing is lit.
        radii: borders of the rings, beam radii, shape (rings + 1,).
        angles_deg: borders of the sectors, degrees counter-clockwise from +x, shape (sectors + 1,).
    """

    light: Array
    radii: Array
    angles_deg: Array


def light_map(pixels: NDArray[np.generic], scene: Scene, rings: int = 3, sectors: int = 12) -> LightMap | None:
    """The light over the beam's disc, background taken off; ``None`` without a beam edge or linear levels.

    Args:
        pixels: the picture, shape (rows, columns).
        scene: what was located in it.
        rings: number of rings of about equal area.
        sectors: number of sectors of equal angle.
    """
    if scene.beam is None or not scene.levels_linear:
        return None
    beam, inner = scene.beam, 1.0 - min(2.5 * scene.beam.width / scene.beam.radius, 0.5)
    top, bottom = _span(beam.y, beam.radius, pixels.shape[0])
    left, right = _span(beam.x, beam.radius, pixels.shape[1])
    if bottom - top < 4 or right - left < 4:
        return None
    y, x = np.mgrid[top:bottom, left:right].astype(float)
    d = np.stack([x.ravel() - beam.x, y.ravel() - beam.y])
    xi, eta = beam.to_round() @ d / beam.radius
    rho = np.hypot(xi, eta)
    lit = rho < inner
    if scene.aperture is not None:
        a = scene.aperture
        u = a.to_round() @ np.stack([x.ravel() - a.x, y.ravel() - a.y])
        lit &= np.hypot(u[0], u[1]) < a.radius - 2.5 * a.width
    radii = inner * np.sqrt(np.linspace(0.0, 1.0, rings + 1))
    angle = np.degrees(np.arctan2(-eta, xi)) % 360.0
    ring = np.clip(np.searchsorted(radii, rho, side="right") - 1, 0, rings - 1)
    sector = np.minimum((angle / (360.0 / sectors)).astype(int), sectors - 1)
    cell = (ring * sectors + sector)[lit]
    values = pixels[top:bottom, left:right].ravel()[lit].astype(float) - (scene.background or 0.0)
    count = np.bincount(cell, minlength=rings * sectors)
    total = np.bincount(cell, weights=values, minlength=rings * sectors)
    if not count.sum() or not total.sum() > 0:
        return None
    mean = total.sum() / count.sum()
    with np.errstate(invalid="ignore", divide="ignore"):
        light = np.where(count > 0, total / count / mean, np.nan)
    return LightMap(light.reshape(rings, sectors), radii, np.linspace(0.0, 360.0, sectors + 1))


def _span(center: float, radius: float, size: int) -> tuple[int, int]:
    return max(int(center - radius), 0), min(int(center + radius) + 2, size)
