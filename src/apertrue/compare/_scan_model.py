"""The machine behind the shift scan: parameters, priors, least squares, what the fit says. Private to the room."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from .curves import disc_passed, gaussian_passed

Array = NDArray[np.float64]

#: Noise is never taken to be smaller than this share of the largest current: meters and curves are not better.
LEAST_NOISE = 2e-4
#: Share of the largest current taken as noise when too few readings are left to tell.
USUAL_NOISE = 0.01
#: Fall of −2 log likelihood against a constant current from which the current is said to fall.
FALL_FROM = 25.0
#: 1σ of the relative drift of meter and emission over a scan (common practice, no source).
DRIFT = 0.03
#: Current ÷ its maximum down to which the top counts as flat.
FLAT = 0.995


class Reading(Protocol):
    """What a reading must carry; see :class:`apertrue.compare.scan.ScanReading`."""

    @property
    def minutes(self) -> float | None: ...

    @property
    def sigma_pa(self) -> float | None: ...


class Curve(StrEnum):
    """The transmission curves that are tried."""

    DISC = "disc"
    GAUSSIAN = "gaussian"


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """The readings, made ready.

    Attributes:
        along: positions along the axes, console units, shape (n, k); ``axes``: those directions, columns, shape (2, k).
        origin: middle of the readings, console units, shape (2,).
        scale: half their widest extent, console units.
        current: pA, shape (n,); ``top`` the largest.
        time: −½ … ½ over the scan, shape (n,).
        sigma: the meter's 1σ, pA, shape (n,), or ``None``.
        matrix: aperture radii per console unit, shape (2, 2), or ``None``.
        matrix_sigma: its relative 1σ.
        ratio, halo: (value, 1σ) from a picture, or ``None``.
    """

    along: Array
    axes: Array
    origin: Array
    scale: float
    current: Array
    top: float
    time: Array
    sigma: Array | None
    matrix: Array | None
    matrix_sigma: float
    ratio: tuple[float, float] | None
    halo: tuple[float, float] | None

    @classmethod
    def build(
        cls,
        readings: Sequence[Reading],
        table: Array,
        axes: Array,
        matrix: Array | None,
        matrix_sigma: float,
        ratio: tuple[float, float] | None,
        halo: tuple[float, float] | None,
    ) -> "Problem":
        """From readings and their (x, y, current) table, shape (n, 3)."""
        along = table[:, :2] @ axes
        n = len(table)
        minutes = [r.minutes for r in readings]
        time = np.array([m if m is not None else np.nan for m in minutes], dtype=float)
        if not np.isfinite(time).all() or not np.ptp(time) > 0:
            time = np.arange(n, dtype=float)
        time = (time - time.min()) / np.ptp(time) - 0.5
        sigmas = [r.sigma_pa for r in readings]
        known = all(s is not None and s > 0 for s in sigmas)
        sigma = np.array(sigmas, dtype=float) if known else None
        origin = 0.5 * (table[:, :2].min(axis=0) + table[:, :2].max(axis=0))
        scale = float(0.5 * np.ptp(along, axis=0).max())
        plane = None if matrix is None else np.asarray(matrix, dtype=float) / 100.0
        top = float(table[:, 2].max())
        return cls(along, axes, origin, scale, table[:, 2], top, time, sigma, plane, matrix_sigma, ratio, halo)

    def range_along(self) -> list[tuple[float, float]]:
        """(lowest, highest) position along each axis, console units."""
        return [(float(c.min()), float(c.max())) for c in self.along.T]

    def axis_name(self, i: int) -> str:
        """What to call the axis in words."""
        direction = np.abs(self.axes[:, i])
        return "gun shift X" if direction[0] > 0.999 else "gun shift Y" if direction[1] > 0.999 else "along the line"


@dataclass(frozen=True, slots=True)
class _Layout:
    """Names of the fit's parameters with their priors (mean, 1σ)."""

    names: tuple[str, ...]
    mean: tuple[float, ...]
    sigma: tuple[float, ...]

    def at(self, name: str) -> int:
        return self.names.index(name)


def _layout(problem: Problem, curve: Curve) -> _Layout:
    rows: list[tuple[str, float, float]] = [(f"center{i}", 0.0, 10.0) for i in range(problem.axes.shape[1])]
    free = problem.matrix is None
    rows.append(("width", 0.0, 1.5 if free else max(problem.matrix_sigma, 1e-3)))
    if free and problem.axes.shape[1] == 2:
        rows += [("e1", 0.0, 0.12), ("e2", 0.0, 0.12)]
    if curve is Curve.DISC:
        r, s = problem.ratio or (0.95, 0.5)
        rows += [("ratio", float(np.log(r)), max(s / r, 1e-3)), ("soft", float(np.log(0.03)), 1.0)]
    else:
        rows.append(("ratio", float(np.log(0.9)), 0.6))
    h, s = problem.halo or (0.02, 0.05)
    rows += [("most", 0.0, 10.0), ("halo", h, max(s, 1e-3)), ("drift", 0.0, DRIFT)]
    names, mean, sigma = zip(*rows, strict=True)
    return _Layout(names, mean, sigma)


def _distance(problem: Problem, layout: _Layout, p: Array) -> Array:
    """Distance of the beam from the best place, aperture radii, shape (n,)."""
    k = problem.axes.shape[1]
    middle = problem.origin @ problem.axes
    away = problem.along - (middle + p[:k] * problem.scale)
    width = np.exp(p[layout.at("width")])
    if problem.matrix is not None:
        plane = (away @ problem.axes.T) @ problem.matrix.T * width
        return np.asarray(np.hypot(plane[:, 0], plane[:, 1]), dtype=np.float64)
    away = away * (width / problem.scale)
    if k == 1:
        return np.asarray(np.abs(away[:, 0]), dtype=np.float64)
    e1, e2 = np.clip(p[layout.at("e1")], -0.6, 0.6), np.clip(p[layout.at("e2")], -0.6, 0.6)
    n = 1.0 / np.sqrt(1 - e1 * e1 - e2 * e2)
    x, y = away[:, 0], away[:, 1]
    return np.asarray(n * np.hypot((1 - e1) * x - e2 * y, (1 + e1) * y - e2 * x), dtype=np.float64)


def _passed(curve: Curve, layout: _Layout, p: Array, distance: Array) -> Array:
    """Current ÷ that at the center, at distances in aperture radii."""
    ratio = float(np.exp(np.clip(p[layout.at("ratio")], -3.0, 1.6)))
    d = np.append(distance, 0.0)
    if curve is Curve.DISC:
        passed = disc_passed(d, ratio, float(np.exp(np.clip(p[layout.at("soft")], -9.0, -0.7))))
    else:
        passed = gaussian_passed(d, ratio)
    return np.asarray(passed[:-1] / passed[-1], dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class CurveFit:
    """One curve fitted: parameters, their covariance, and what they mean."""

    problem: Problem
    curve: Curve
    layout: _Layout
    p: Array
    covariance: Array
    noise: float
    chi2: float
    dof: float
    deviance: float
    constant_deviance: float
    residuals: Array

    def _log(self, name: str, unit: float = 1.0) -> tuple[float, float]:
        i = self.layout.at(name)
        value = float(np.exp(self.p[i])) * unit
        return value, value * float(np.sqrt(self.covariance[i, i]))

    def falls(self) -> bool:
        """Whether the current falls anywhere, beyond noise and drift."""
        return self.constant_deviance - self.deviance > FALL_FROM

    def center_along(self) -> Array:
        """Center along the axes, console units, shape (k,)."""
        k = self.problem.axes.shape[1]
        return np.asarray(self.problem.origin @ self.problem.axes + self.p[:k] * self.problem.scale)

    def center_covariance(self) -> Array:
        """Its covariance, shape (k, k)."""
        k = self.problem.axes.shape[1]
        return np.asarray(self.covariance[:k, :k] * self.problem.scale**2)

    def ratio(self) -> tuple[float, float]:
        """(beam radius, or 1/e² radius, ÷ aperture radius, 1σ)."""
        return self._log("ratio")

    def most(self) -> tuple[float, float]:
        """(beam current at the center, 1σ), pA."""
        return self._log("most", self.problem.top)

    def halo(self) -> tuple[float, float]:
        """(light counted whatever the shift, 1σ), pA."""
        i = self.layout.at("halo")
        return float(self.p[i]) * self.problem.top, float(np.sqrt(self.covariance[i, i])) * self.problem.top

    def drift(self) -> tuple[float, float]:
        """(relative drift over the scan, 1σ), %."""
        i = self.layout.at("drift")
        return 100 * float(self.p[i]), 100 * float(np.sqrt(self.covariance[i, i]))

    def units_per_radius(self) -> tuple[float, float]:
        """(console units per aperture radius, 1σ), geometric mean over directions."""
        i = self.layout.at("width")
        width, relative = float(np.exp(self.p[i])), float(np.sqrt(self.covariance[i, i]))
        problem = self.problem
        if problem.matrix is None:
            units = problem.scale / width
        elif problem.axes.shape[1] == 1:
            units = 1.0 / (width * float(np.linalg.norm(problem.matrix @ problem.axes[:, 0])))
        else:
            units = 1.0 / (width * float(np.sqrt(abs(np.linalg.det(problem.matrix)))))
        return units, units * relative

    def scale_known(self) -> bool:
        """Whether beam and aperture can be told apart: their overlap stays the same when both discs are swapped."""
        return self.problem.matrix is not None or self.problem.ratio is not None

    def reach(self, level: float) -> float | None:
        """Distance at which the beam's current falls to ``level`` of its maximum, console units."""
        grid = np.linspace(0.0, 6.0, 1201)
        below = np.flatnonzero(_passed(self.curve, self.layout, self.p, grid) < level)
        if not len(below):
            return None
        return float(grid[max(below[0] - 1, 0)]) * self.units_per_radius()[0]

    def suspects(self) -> tuple[int, ...]:
        """The one reading that lies furthest off, when that is more than 6 robust σ (and 5 of the meter's) off."""
        n = len(self.residuals)
        if n < 8:
            return ()
        robust = 1.4826 * float(np.median(np.abs(self.residuals))) * np.sqrt(n / max(self.dof, 1.0))
        limit = max(6.0 * robust, 0.02 * self.problem.top)
        if self.problem.sigma is not None:
            limit = max(limit, 5.0 * float(self.problem.sigma.max()))
        worst = int(np.argmax(np.abs(self.residuals)))
        return (worst,) if abs(self.residuals[worst]) > limit else ()


def fit_curve(problem: Problem, curve: Curve) -> CurveFit:
    """Fit one curve by least squares with priors, the noise from the residuals where it is not given."""
    from scipy.optimize import least_squares

    layout = _layout(problem, curve)
    mean, sigma = np.array(layout.mean), np.array(layout.sigma)
    n, top = len(problem.current), problem.top

    def predicted(p: Array) -> Array:
        beam = np.exp(p[layout.at("most")]) * _passed(curve, layout, p, _distance(problem, layout, p))
        return np.asarray(top * (beam + p[layout.at("halo")]) * (1.0 + p[layout.at("drift")] * problem.time))

    def solve(start: Array, noise: Array, most: int) -> tuple[Array, Array, float]:
        def weighted(p: Array) -> Array:
            return np.concatenate([(problem.current - predicted(p)) / noise, (p - mean) / sigma])

        found = least_squares(weighted, start, x_scale=np.minimum(sigma, 0.3), max_nfev=most)
        return np.asarray(found.x), np.asarray(found.jac), 2.0 * float(found.cost)

    noise = problem.sigma if problem.sigma is not None else np.full(n, USUAL_NOISE * top)
    tries = [solve(start, noise, 12) for start in _starts(problem, layout, mean)]
    p = min(tries, key=lambda t: t[2])[0]
    residuals = covariance = np.empty(0, dtype=np.float64)
    dof = 0.0
    for _ in range(1 if problem.sigma is not None else 4):
        p, jacobian, _ = solve(p, noise, 200)
        information = jacobian.T @ jacobian
        covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
        used = float(np.trace(covariance @ (jacobian[:n].T @ jacobian[:n])))
        dof = max(n - used, 0.0)
        residuals = np.asarray(problem.current - predicted(p), dtype=np.float64)
        if problem.sigma is None and dof >= 2:
            s = max(float(np.sqrt((residuals**2).sum() / dof)), LEAST_NOISE * top)
            settled = abs(s - float(noise[0])) < 0.02 * s
            noise = np.full(n, s)
            if settled:
                break
    chi2 = float(((residuals / noise) ** 2).sum())
    prior = float((((p - mean) / sigma) ** 2).sum())
    if problem.sigma is not None:
        covariance = np.asarray(covariance * max(1.0, chi2 / dof if dof > 1 else 1.0), dtype=np.float64)
    else:
        # Few degrees of freedom: the noise itself is in doubt (variance of Student's t).
        covariance = np.asarray(covariance * (dof / (dof - 2) if dof > 3 else 3.0), dtype=np.float64)
    deviance = chi2 + prior + 2 * float(np.log(noise).sum())
    constant = _constant_deviance(problem, noise)
    return CurveFit(
        problem, curve, layout, p, covariance, float(np.median(noise)), chi2, dof, deviance, constant, residuals
    )


def _constant_deviance(problem: Problem, noise: Array) -> float:
    """−2 log likelihood of a current that only drifts."""
    design = np.stack([np.ones_like(problem.time), problem.time], axis=1) / noise[:, None]
    rest = problem.current / noise - design @ np.linalg.lstsq(design, problem.current / noise, rcond=None)[0]
    return float(rest @ rest) + 2 * float(np.log(noise).sum())


def _starts(problem: Problem, layout: _Layout, mean: Array) -> list[Array]:
    """Where to begin: the brightest reading and the current's centroid, narrow and wide curves."""
    middle = problem.origin @ problem.axes
    brightest = (problem.along[int(np.argmax(problem.current))] - middle) / problem.scale
    weight = np.maximum(problem.current, 0.0) ** 2
    centroid = ((weight @ problem.along) / weight.sum() - middle) / problem.scale
    widths = (-0.6, 0.3, 1.0) if problem.matrix is None else (0.0,)
    out = []
    for center in (brightest, centroid):
        for width in widths:
            p = mean.copy()
            p[: len(center)] = center
            p[layout.at("width")] = width
            out.append(p)
    return out
