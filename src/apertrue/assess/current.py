"""Clipped share, score, working score and halo share from the beam's visible profile, with their uncertainties."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..model.transmission import PlaneBeam, best_passed_fraction, lens_area, passed_gradient, radial_light
from ..scene import BeamProfile
from .geometry import Measured, gradient, plane_offset, to_round

Array = NDArray[np.float64]

#: Doubt that stays when the fit's own is smaller: the profile's continuation and the quadrature.
LEAST_SIGMA = 1e-4
#: Relative 1σ of a loss that is continued from the visible profile, and of one at another spread (from the scatter on
#: profiles of an independent renderer, benchmarks/honesty.py).
CONTINUED, SPREAD = 0.03, 0.05
#: Share of the difference between the profile's loss and an even disc's that stays in doubt: near the rim, which decides
#: the loss at small offsets, the profile is known least.
RIM = 0.3


def plane_rows(p: Array) -> Array:
    """The beam's place, matrix and softness in the aperture plane: x, y, a, b, c, d, softness.

    Args:
        p: aperture's and beam's six parameters, shape (…, ≥ 12).

    Returns:
        shape (…, 7), see :class:`apertrue.model.transmission.PlaneBeam`.
    """
    # The inverse of a symmetric matrix of determinant 1 makes round again what the opposite ellipticity stretches.
    stretch = to_round(p[..., 3], p[..., 4]) @ to_round(-p[..., 9], -p[..., 10])
    matrix = (stretch * (p[..., 8] / p[..., 2])[..., None, None]).reshape(*p.shape[:-1], 4)
    return np.concatenate([plane_offset(p), matrix, (p[..., 11] / p[..., 8])[..., None]], axis=-1)


def plane_beam(p: Array, radial: tuple[float, ...], tilt_x: float, tilt_y: float) -> PlaneBeam:
    """The beam in the aperture plane.

    Args:
        p: aperture's and beam's six parameters, shape (≥ 12,).
        radial, tilt_x, tilt_y: the beam's light as in :class:`apertrue.scene.BeamProfile`.
    """
    x, y, a, b, c, d, softness = (float(v) for v in plane_rows(p))
    return PlaneBeam(x, y, a, b, c, d, radial, tilt_x, tilt_y, softness)


@dataclass(frozen=True, slots=True)
class Currents:
    """Shares of current, each with 1σ; ``None`` when the profile does not bear it."""

    clipped: Measured | None
    score: Measured | None
    working_score: Measured | None


def currents(p: Array, profile: BeamProfile, covariance: Array, working_ratio: float) -> Currents:
    """Clipped share, score and working score.

    Args:
        p: aperture's and beam's six parameters, shape (12,).
        profile: the beam's light.
        covariance: of ``p``, then level, radial …, tilt_x, tilt_y (and more, unused).
        working_ratio: beam radius ÷ aperture radius in the working illumination.
    """
    n_radial = len(profile.radial)
    theta = np.concatenate([p[:12], profile.radial, [profile.tilt_x, profile.tilt_y]])
    rows = np.concatenate([np.arange(12), 13 + np.arange(n_radial + 2)])
    c = covariance[np.ix_(rows, rows)]

    now = plane_beam(theta, tuple(profile.radial), profile.tilt_x, profile.tilt_y)
    # A profile that the fit continues into darkness, or that its own doubt could turn dark, is no profile.
    if _darkest(now) <= 0.02 or not np.isfinite(theta).all():
        return Currents(None, None, None)
    work = now.spread_to(working_ratio)
    _, best_x, best_y = best_passed_fraction(now)
    _, work_x, work_y = best_passed_fraction(work)
    planes = _planes_by_edges(p, working_ratio)
    passed, by_passed = _passed(now, planes[0])
    most, by_most = _passed(now.moved_to(best_x, best_y), planes[0], fixed=True)
    w_passed, w_by_passed = _passed(work, planes[1])
    w_most, w_by_most = _passed(work.moved_to(work_x, work_y), planes[1], fixed=True)
    at = np.array([1 - passed, 100 * min(passed / most, 1.0), 100 * min(w_passed / w_most, 1.0)])
    jacobian = np.stack([
        -by_passed,
        100 * (by_passed / most - passed * by_most / most**2),
        100 * (w_by_passed / w_most - w_passed * w_by_most / w_most**2),
    ])  # fmt: skip
    sigma = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", jacobian, c, jacobian), 0.0))
    # The profile is continued into what is hidden and spread to what is not shown: a share of each loss stays in doubt.
    least = np.array([
        np.hypot(LEAST_SIGMA, CONTINUED * at[0]),
        np.hypot(100 * LEAST_SIGMA, CONTINUED * (100 - at[1])),
        np.hypot(100 * LEAST_SIGMA, SPREAD * (100 - at[2])) + RIM * abs(100 - at[2] - _flat_loss(now, working_ratio)),
    ])  # fmt: skip
    sigma = np.hypot(sigma, least)
    return Currents(
        (float(max(at[0], 0.0)), float(sigma[0])), (float(at[1]), float(sigma[1])), (float(at[2]), float(sigma[2]))
    )


#: Places of x, y, a, b, c, d and the softness in :func:`plane_rows`.
_PLACE, _SOFTNESS = slice(0, 6), 6


def _planes_by_edges(p: Array, working_ratio: float) -> tuple[Array, Array]:
    """Derivatives of the beam's place, matrix and softness in the plane by both edges' parameters, shape (7, 12): as it
    stands, and spread to the working illumination.
    """

    def spread(q: Array) -> Array:
        rows = plane_rows(q)
        rows[:, 2:6] *= (
            working_ratio * (q[:, 2] / q[:, 8])[:, None]
        )  # S of determinant 1: the ratio is that of the radii
        return rows

    # The aperture's own softness does not act on the current: any step does.
    steps = np.array([*3 * [1e-4 * p[2]], 1e-4, 1e-4, 1.0, *3 * [1e-4 * p[8]], 1e-4, 1e-4, 1e-3 * p[11]])
    return gradient(plane_rows, p[:12], steps), gradient(spread, p[:12], steps)


def _passed(beam: PlaneBeam, plane: Array, *, fixed: bool = False) -> tuple[float, Array]:
    """Passed share and its derivatives by the edges' parameters, radial coefficients and tilt.

    ``fixed``: the beam stays where it is (at the best shift), whatever the edges do.
    """
    if beam.farthest < 1.0:
        return 1.0, np.zeros(12 + len(beam.radial) + 2)  # it all passes, and will when anything changes a little
    by = passed_gradient(beam)
    h = 0.05 * beam.softness
    softer = passed_gradient(replace(beam, softness=beam.softness + h)).passed
    place = by.place.copy()
    if fixed:
        place[:2] = 0.0
    by_edges = place @ plane[_PLACE] + (softer - by.passed) / h * plane[_SOFTNESS]
    return by.passed, np.concatenate([by_edges, by.radial, by.tilt])


def _flat_loss(beam: PlaneBeam, working_ratio: float) -> float:
    """Loss (0–100) of an even, sharp disc at the same offset in the working illumination."""
    d = float(np.hypot(beam.x, beam.y))
    most = np.pi * min(working_ratio, 1.0) ** 2
    return float(100 * (1 - lens_area(d, working_ratio, 1.0) / most))


def _darkest(beam: PlaneBeam) -> float:
    """The least light of the continued profile over its disc, relative to its level."""
    rho = np.linspace(0, 1, 21)
    return float((radial_light(rho * rho, beam.radial) - rho * np.hypot(beam.tilt_x, beam.tilt_y)).min())
