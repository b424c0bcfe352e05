"""The shift that gives the most current, from meter readings at several shift readings.

Model of one reading: I = [I₀·T(|M (s − c)|)/T(0) + H]·(1 + g·t), with T the physical transmission curve of
:mod:`apertrue.compare.curves` (a soft-edged disc or a Gaussian beam over a round stop), c the wanted center, M the map
from shift readings to aperture radii (from a calibration, or a free width with some ellipticity), H the light that the
meter counts whatever the shift (halo and bias), g the meter's relative drift over the scan. What the readings
leave open is held by wide priors, which enter the uncertainty. The meter's noise is taken from the residuals when it is
not given.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ._scan_model import FLAT, Curve, CurveFit, Problem, fit_curve
from .agreement import Point2

Array = NDArray[np.float64]

Status = Literal["peak", "plateau", "flat", "not-enclosed", "too-few", "too-doubtful"]

#: A flat top wider than this (half width, aperture radii) is reported as a plateau.
PLATEAU_FROM = 0.08
#: What the beam's own drift and the knobs' backlash add during a scan, 1σ, aperture radii (common practice, no source).
WANDER = 0.004
#: A center is withheld when its 1σ is larger than this, aperture radii.
TOO_DOUBTFUL = 0.15


@dataclass(frozen=True, slots=True)
class ScanReading:
    """One reading of the current.

    Attributes:
        x, y: gun shift readings, console units.
        current_pa: current, pA.
        minutes: when, min from any start; ``None`` = unknown (then the order counts as time).
        sigma_pa: the meter's 1σ, pA; ``None`` = take it from the residuals.
    """

    x: float
    y: float
    current_pa: float
    minutes: float | None = None
    sigma_pa: float | None = None


@dataclass(frozen=True, slots=True)
class ScanResult:
    """What a shift scan says.

    Attributes:
        status: ``peak``; ``plateau`` (flat top: ``center`` is its middle); ``flat`` (no fall seen), ``not-enclosed``
            (the maximum lies outside the readings), ``too-few``, ``too-doubtful``: then ``center`` is ``None``.
        center: shift readings of the most current, console units; for a scan along one axis only that axis is known.
        plateau_half_width: half width of the flat top (until the current falls by 0.5 %), console units; else ``None``.
        curve: the curve that fits best, ``disc`` or ``gaussian``.
        ratio: (beam radius ÷ aperture radius, 1σ); for ``gaussian`` the 1/e² radius. Without calibration or ratio from
            a picture ``None``: two discs overlap alike when they are swapped.
        units_per_radius: (console units that move the beam by one aperture radius, 1σ): geometric mean over
            directions; ``None`` as ``ratio``.
        half_fall: distance at which the beam's current falls to half, console units.
        most_pa: (beam current at the center without halo, 1σ), pA.
        halo_pa: (light counted whatever the shift, 1σ), pA.
        drift_percent: (the meter's drift from first to last reading, 1σ), %.
        noise_pa: the meter's 1σ, pA, and whether it came from the residuals.
        noise_from_residuals: see above.
        chi2, dof: weighted squared residuals and effective degrees of freedom.
        suspects: indices of readings left out because they lie more than 5σ off.
        remedy: what to do when there is no center; else empty.
    """

    status: Status
    center: Point2 | None = None
    plateau_half_width: float | None = None
    curve: str | None = None
    ratio: tuple[float, float] | None = None
    units_per_radius: tuple[float, float] | None = None
    half_fall: float | None = None
    most_pa: tuple[float, float] | None = None
    halo_pa: tuple[float, float] | None = None
    drift_percent: tuple[float, float] | None = None
    noise_pa: float | None = None
    noise_from_residuals: bool = False
    chi2: float | None = None
    dof: float | None = None
    suspects: tuple[int, ...] = ()
    remedy: str = ""


def fit_scan(
    readings: Sequence[ScanReading],
    *,
    matrix: Array | None = None,
    matrix_relative_sigma: float = 0.05,
    ratio: tuple[float, float] | None = None,
    halo: tuple[float, float] | None = None,
) -> ScanResult:
    """Fit the scan and say where the current is largest.

    Args:
        readings: at least 5 along one axis, 7 over both.
        matrix: shift calibration, % of the aperture radius per console unit, shape (2, 2); ``None`` = free width.
        matrix_relative_sigma: its overall relative 1σ.
        ratio: (beam radius ÷ aperture radius, 1σ) from a picture; ``None`` = unknown.
        halo: (halo share of the light inside the aperture, 1σ) from a picture; ``None`` = unknown.

    Raises:
        ValueError: a reading is not finite, or the matrix can't be inverted.
    """
    table = np.array([(r.x, r.y, r.current_pa) for r in readings], dtype=float).reshape(-1, 3)
    if not np.isfinite(table).all():
        raise ValueError("every reading needs a finite shift X, shift Y and current")
    if matrix is not None and not abs(np.linalg.det(matrix)) > 1e-12:
        raise ValueError("the calibration's matrix can't be inverted")
    axes = _axes(table[:, :2])
    least = {0: 99, 1: 5, 2: 7}[axes.shape[1]]
    if len(readings) < least or axes.shape[1] == 0:
        need = "at least 5 readings along one axis, or 7 over both, at different shift readings"
        return ScanResult("too-few", remedy=f"Take more readings: {need}.")
    if table[:, 2].max() <= 0:
        return ScanResult("flat", remedy="No current in any reading: check meter, beam and blanker.")
    problem = Problem.build(readings, table, axes, matrix, matrix_relative_sigma, ratio, halo)
    fits = [fit_curve(problem, curve) for curve in (Curve.DISC, Curve.GAUSSIAN)]
    best, other = sorted(fits, key=lambda f: f.deviance)
    suspects = best.suspects()
    if suspects:
        kept = [r for i, r in enumerate(readings) if i not in suspects]
        again = fit_scan(kept, matrix=matrix, matrix_relative_sigma=matrix_relative_sigma, ratio=ratio, halo=halo)
        where = [i for i in range(len(readings)) if i not in suspects]
        return replace(again, suspects=tuple(sorted((*suspects, *(where[i] for i in again.suspects)))))
    if not best.falls():
        return ScanResult(
            "flat",
            noise_pa=best.noise,
            noise_from_residuals=problem.sigma is None,
            remedy="The current is the same everywhere within the noise: go further out, in small steps, until it "
            "falls by about a third on each side.",
        )
    covariance = best.center_covariance()
    # Where both curves explain the readings, their difference is part of the doubt (Akaike's weight of the other).
    weight = 1.0 / (1.0 + float(np.exp(0.5 * min(other.deviance - best.deviance, 700.0))))
    gap = best.center_along() - other.center_along()
    wander = WANDER * best.units_per_radius()[0]
    covariance = covariance + weight * np.outer(gap, gap) + wander**2 * np.eye(len(gap))
    result = _describe(best, problem)
    outside = _outside(best.center_along(), problem)
    if outside is not None:
        return replace(result, status="not-enclosed", remedy=outside)
    per_radius = best.units_per_radius()
    if float(np.sqrt(np.linalg.eigvalsh(covariance)[-1])) > TOO_DOUBTFUL * per_radius[0]:
        return replace(
            result,
            status="too-doubtful",
            remedy="The center is too doubtful: take more readings where the current falls, on both sides.",
        )
    half = best.reach(FLAT)
    flat = half is not None and half > PLATEAU_FROM * per_radius[0]
    return replace(
        result,
        status="plateau" if flat else "peak",
        center=_center(best.center_along(), covariance, problem),
        plateau_half_width=half if flat else None,
    )


def _axes(shifts: Array) -> Array:
    """Orthonormal directions that the readings span, columns; one when they lie on a line (narrow < 2 % of wide)."""
    if len(shifts) < 2:
        return np.empty((2, 0))
    _, size, vt = np.linalg.svd(shifts - shifts.mean(axis=0))
    if not size[0] > 0:
        return np.empty((2, 0))
    line = len(size) < 2 or size[1] < 0.02 * size[0]
    axes = vt[:1].T if line else np.eye(2)
    # A line along one console axis is that axis, not its mirror image.
    return np.asarray(axes * np.sign(axes[np.argmax(np.abs(axes[:, 0])), 0]) if line else axes, dtype=np.float64)


def _outside(along: Array, problem: Problem) -> str | None:
    """The remedy when the fitted maximum lies beyond the readings along one of their directions."""
    for i, (low, high) in enumerate(problem.range_along()):
        if along[i] < low or along[i] > high:
            axis = problem.axis_name(i)
            side = "lower" if along[i] < low else "higher"
            return (
                f"The maximum lies outside the readings: extend the scan toward {side} {axis}, in small steps, "
                "until the current falls on that side too."
            )
    return None


def _center(along: Array, covariance: Array, problem: Problem) -> Point2:
    """The center as shift readings; across a line along one console axis nothing is known."""
    if problem.axes.shape[1] == 2:
        return Point2.of(along, covariance)
    direction = problem.axes[:, 0]
    sigma = float(np.sqrt(covariance[0, 0]))
    on_line = problem.origin + direction * (along[0] - float(problem.origin @ direction))
    if abs(direction[0]) > 0.999:
        return Point2(float(along[0]), None, sigma, None)
    if abs(direction[1]) > 0.999:
        return Point2(None, float(along[0]), None, sigma)
    # On a slanted line both readings are tied together: fully correlated.
    sx, sy = abs(direction[0]) * sigma, abs(direction[1]) * sigma
    return Point2(float(on_line[0]), float(on_line[1]), sx, sy, float(np.sign(direction[0] * direction[1])) * 0.999)


def _describe(fit: CurveFit, problem: Problem) -> ScanResult:
    return ScanResult(
        "peak",
        curve=str(fit.curve),
        ratio=fit.ratio() if fit.scale_known() else None,
        units_per_radius=fit.units_per_radius() if fit.scale_known() else None,
        half_fall=fit.reach(0.5),
        most_pa=fit.most(),
        halo_pa=fit.halo(),
        drift_percent=fit.drift(),
        noise_pa=fit.noise,
        noise_from_residuals=problem.sigma is None,
        chi2=fit.chi2,
        dof=fit.dof,
    )
