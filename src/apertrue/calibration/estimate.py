"""From snapshots at known readings to the matrix that says how the two shift axes move the beam.

Model of one point (readings s, offset o, time t, approach h): o = c + A (s + ½ b∘h) + v t, with c the offset at zero
readings, A the 2×2 matrix [% of the aperture radius per console unit], b the backlash of each axis [console units]
and v the drift. Offsets carry the pictures' covariance; readings are known to the console's step q, that is with
variance q²/12 (GUM
F.2.2.1). Both sides being uncertain, the solution is that of errors in variables: Gauss–Newton on parameters and true
readings, the latter eliminated (H. I. Britt & R. H. Luecke, Technometrics 15:233–247, 1973, from memory).

Drift and backlash enter with a prior (normal, mean 0) so that too few points make the result doubtful, not wrong.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import CalibrationError
from .leastsquares import Fit, chi2_tail, least_squares
from .points import Point, with_approach

Array = NDArray[np.float64]

#: 1σ of what the gun may drift, % of the aperture radius per hour (a center holds 2–3 h: common practice, no source).
DRIFT_PRIOR = 3.0
#: Random wander of the gun between points, % of the aperture radius per √h (1σ; common practice, no source).
WANDER = 1.0
#: Minutes between points whose times are not known.
MINUTES_APART = 1.0
#: 1σ of the backlash before it was seen, in console steps.
BACKLASH_PRIOR_STEPS = 1.0
#: Spread of the readings along their wide direction ÷ that along their narrow one, from which points count as
#: collinear.
COLLINEAR = 50.0


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """What the points say.

    Attributes:
        matrix: A, shape (2, 2), % of the aperture radius per console unit; rows are offset x and y (y down), columns
            the axes X and Y.
        covariance: of A's entries in the order (xX, xY, yX, yY), shape (4, 4).
        intercept: c, the offset at zero readings and the first point's time, %, shape (2,).
        joint: covariance of (c, A), shape (6, 6).
        drift: (x, y) in % per hour, or ``None`` when not fitted; ``drift_sigma`` its 1σ.
        drift_separable: whether the points told drift and shift apart (else ``drift`` is mostly its prior).
        backlash: (X, Y) in console units, or ``None`` when no axis was approached from both sides; with 1σ.
        chi2, dof: weighted sum of squared residuals and degrees of freedom.
        enlarged: factor by which σ was enlarged because the residuals exceed the pictures' σ (1 = not).
        residuals: observed − fitted offsets, shape (n, 2), %.
        spread_condition: spread of the readings along their wide ÷ narrow direction (1 is best).
        gains: singular values of A, large and small, % per console unit.
        sigma_known: whether the pictures' σ were given.
        points: the points, with approach directions.
        step: the console's step, console units.
    """

    matrix: Array
    covariance: Array
    intercept: Array
    joint: Array
    drift: tuple[float, float] | None
    drift_sigma: tuple[float, float] | None
    drift_separable: bool
    backlash: tuple[float, float] | None
    backlash_sigma: tuple[float, float] | None
    chi2: float
    dof: int
    enlarged: float
    residuals: Array
    spread_condition: float
    gains: tuple[float, float]
    sigma_known: bool
    points: tuple[Point, ...]
    step: float

    @property
    def p_value(self) -> float | None:
        """Probability of a larger χ² if the model and the σ hold; ``None`` where there is no degree of freedom."""
        return chi2_tail(self.chi2, self.dof) if self.dof > 0 and self.sigma_known else None


def estimate(
    points: Sequence[Point],
    *,
    step: float = 0.0,
    drift: bool = True,
    backlash: bool = True,
    drift_prior: float = DRIFT_PRIOR,
    wander: float = WANDER,
    iterations: int = 60,
) -> Estimate:
    """Estimate the matrix from three or more points.

    Args:
        points: in the order taken (the approach directions follow from it where they are not given).
        step: smallest step of the readings, console units; 0 = readings exact.
        drift: fit a linear drift along, where all points have times.
        backlash: fit the backlash along, where an axis was approached from both sides and ``step`` is above 0.
        drift_prior: 1σ of the drift before it was seen, % per hour.
        wander: random walk of the gun between points, % per √h (1σ); it often exceeds the pictures' own doubt.
        iterations: at most so many Gauss–Newton steps.

    Raises:
        CalibrationError: fewer than three points, the same point twice instead of three different ones, points on a
            line, values that are no numbers, or nothing moved.
    """
    points = with_approach(points)
    readings, offsets = _checked(points, step)
    known = all(p.x_sigma is not None and p.y_sigma is not None for p in points)
    origin = readings.mean(axis=0)
    times = None
    if drift and known and all(p.minutes is not None for p in points):
        t = np.array([p.minutes for p in points], dtype=float)
        times = (t - t[0]) / 60.0 if np.ptp(t) > 0 else None
    signs = np.array([p.approach or (0, 0) for p in points], dtype=float)
    both = [bool((signs[:, k] > 0).any() and (signs[:, k] < 0).any()) for k in (0, 1)]
    play = backlash and known and step > 0 and any(both)
    noise = picture_noise(points, wander) if known else None
    problem = _Problem(readings - origin, offsets, noise, step, times, signs if play else None, drift_prior)
    fit = problem.solve(iterations) if known else least_squares(*problem.plain())
    k = 6
    theta, cov = fit.parameters, fit.covariance
    enlarged = 1.0
    if known and fit.dof > 0 and fit.scale and fit.scale > 1 and chi2_tail(fit.chi2, fit.dof) < 0.05:
        enlarged = fit.scale
        cov = cov * enlarged**2
    matrix = theta[2:6].reshape(2, 2)
    # Move the intercept from the mean reading to reading zero.
    shift = np.eye(len(theta))
    shift[:2, 2:6] = -np.kron(np.eye(2), origin)
    theta0, cov0 = shift @ theta, shift @ cov @ shift.T
    drift_value = drift_sigma = None
    separable = False
    if times is not None:
        drift_value = (float(theta[k]), float(theta[k + 1]))
        sd = np.sqrt(np.diag(cov))[k : k + 2] / enlarged
        drift_sigma = (float(sd[0] * enlarged), float(sd[1] * enlarged))
        separable = bool(sd.max() < 0.7 * drift_prior)
        k += 2
    play_value = play_sigma = None
    if play:
        sd = np.sqrt(np.diag(cov))[k : k + 2]
        play_value, play_sigma = (float(theta[k]), float(theta[k + 1])), (float(sd[0]), float(sd[1]))
    gains = np.linalg.svd(matrix, compute_uv=False)
    result = Estimate(
        matrix,
        cov[2:6, 2:6],
        theta0[:2],
        cov0[:6, :6],
        drift_value,
        drift_sigma,
        separable,
        play_value,
        play_sigma,
        fit.chi2,
        fit.dof,
        enlarged,
        offsets - problem.fitted(theta),
        spread_condition(readings),
        (float(gains[0]), float(gains[1])),
        known,
        points,
        step,
    )
    _check_moved(result)
    return result


class _Problem:
    """The Gauss–Newton iteration of :func:`estimate` in centered readings."""

    def __init__(
        self,
        readings: Array,
        offsets: Array,
        noise: Array | None,
        step: float,
        times: Array | None,
        signs: Array | None,
        drift_prior: float,
    ) -> None:
        self.x, self.y, self.times, self.signs = readings, offsets, times, signs
        self.n = len(readings)
        self.u = step**2 / 12.0
        self.noise = noise
        self.priors: list[tuple[int, float]] = []
        self.p = 6
        if times is not None:
            self.priors += [(self.p, drift_prior), (self.p + 1, drift_prior)]
            self.p += 2
        if signs is not None:
            self.priors += [(self.p, BACKLASH_PRIOR_STEPS * step), (self.p + 1, BACKLASH_PRIOR_STEPS * step)]
            self.p += 2

    def _function(self, theta: Array, at: Array) -> tuple[Array, Array]:
        """Fitted offsets (n, 2) and their Jacobian (2n, p) at readings ``at``."""
        a = theta[2:6].reshape(2, 2)
        moved = at
        jacobian = np.zeros((self.n, 2, self.p))
        if self.signs is not None:
            b = theta[self.p - 2 :]
            moved = at + 0.5 * b * self.signs
            jacobian[:, :, self.p - 2 :] = 0.5 * a[None, :, :] * self.signs[:, None, :]
        value = theta[:2] + moved @ a.T
        jacobian[:, 0, 0] = jacobian[:, 1, 1] = 1.0
        jacobian[:, 0, 2:4] = jacobian[:, 1, 4:6] = moved
        if self.times is not None:
            value = value + self.times[:, None] * theta[6:8]
            jacobian[:, 0, 6] = jacobian[:, 1, 7] = self.times
        return value, jacobian.reshape(2 * self.n, self.p)

    def fitted(self, theta: Array) -> Array:
        """Fitted offsets at the readings as given, shape (n, 2)."""
        return self._function(theta, self.x)[0]

    def plain(self) -> tuple[Array, Array]:
        """Design and observations of the linear problem without σ, drift and backlash."""
        theta = np.zeros(self.p)
        return self._function(theta, self.x)[1], self.y.ravel()

    def solve(self, iterations: int) -> Fit:
        """Iterate to the errors-in-variables solution; the fit's χ² counts priors as observations."""
        design, target = self.plain()
        start = least_squares(design[:, :6], target).parameters
        theta = np.concatenate([start, np.zeros(self.p - 6)])
        at = self.x.copy()
        n2 = 2 * self.n
        assert self.noise is not None
        fit: Fit | None = None
        for _ in range(iterations):
            a = theta[2:6].reshape(2, 2)
            value, jacobian = self._function(theta, at)
            rest = self.y - value - (self.x - at) @ a.T
            cov = np.zeros((n2 + len(self.priors),) * 2)
            own = self.noise + np.kron(np.eye(self.n), self.u * a @ a.T)
            cov[:n2, :n2] = own
            rows = np.zeros((len(self.priors), self.p))
            pull = np.zeros(len(self.priors))
            for j, (index, sigma) in enumerate(self.priors):
                rows[j, index], pull[j] = 1.0, -theta[index]
                cov[n2 + j, n2 + j] = sigma**2
            fit = least_squares(np.vstack([jacobian, rows]), np.concatenate([rest.ravel(), pull]), cov)
            change = fit.parameters
            theta = theta + change
            a_new = theta[2:6].reshape(2, 2)
            if self.u > 0:
                pulls = np.linalg.solve(own, fit.residuals[:n2]).reshape(self.n, 2)
                at = self.x + self.u * pulls @ a_new
            if np.all(np.abs(change) <= 1e-11 * (1.0 + np.abs(theta))):
                break
        assert fit is not None
        return Fit(theta, fit.covariance, fit.residuals, fit.chi2, fit.dof, fit.condition, fit.scale)


def picture_noise(points: Sequence[Point], wander: float) -> Array:
    """Covariance of the offsets, shape (2n, 2n), %²: each picture's own, and the gun's random walk from the first on.

    Points without times are taken as :data:`MINUTES_APART`. All points need their σ.
    """
    n = len(points)
    out = np.zeros((2 * n, 2 * n))
    for i, p in enumerate(points):
        own = p.covariance
        assert own is not None
        out[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = own
    given = [p.minutes for p in points]
    t = np.array([m if m is not None else np.nan for m in given], dtype=float)
    if np.isnan(t).any():
        t = np.arange(n) * MINUTES_APART
    t = np.maximum(t - t[0], 0.0) / 60.0
    walk = wander**2 * np.minimum(t[:, None], t[None, :])
    return np.asarray(out + np.kron(walk, np.eye(2)))


def spread_condition(readings: Array) -> float:
    """Spread of readings (n, 2) along their wide ÷ narrow direction; ``inf`` on a line."""
    s = np.linalg.svd(readings - readings.mean(axis=0), compute_uv=False)
    return float(s[0] / s[1]) if s[1] > 1e-12 * max(float(s[0]), 1e-300) else float("inf")


def _checked(points: Sequence[Point], step: float) -> tuple[Array, Array]:
    if not np.isfinite(step) or step < 0:
        raise CalibrationError(f"the console's step must be 0 or above, got {step:g}")
    if len(points) < 3:
        raise CalibrationError(
            f"{len(points)} point(s) are too few: at least three snapshots at different readings of both axes are "
            f"needed"
        )
    readings = np.array([p.readings for p in points])
    offsets = np.array([p.offset for p in points])
    for p, s, o in zip(points, readings, offsets, strict=True):
        if not (np.isfinite(s).all() and np.isfinite(o).all()):
            raise CalibrationError(f"{p.label or 'a point'}: readings and offsets must be numbers")
        for sigma in (p.x_sigma, p.y_sigma):
            if sigma is not None and not (np.isfinite(sigma) and sigma > 0):
                raise CalibrationError(f"{p.label or 'a point'}: a 1σ must be above 0, got {sigma:g}")
        if not abs(p.correlation) < 1:
            raise CalibrationError(f"{p.label or 'a point'}: the correlation must lie between −1 and 1")
    different = np.unique(np.round(readings, 12), axis=0)
    if len(different) < 3:
        raise CalibrationError(
            f"only {len(different)} different pair(s) of readings among {len(points)} points: the same point twice "
            f"teaches "
            "no direction. Move each axis at least once"
        )
    condition = spread_condition(readings)
    narrow = float(np.linalg.svd(readings - readings.mean(axis=0), compute_uv=False)[1])
    if condition > COLLINEAR or (step > 0 and narrow < 0.75 * step):
        raise CalibrationError(
            "the points lie on a line (collinear): the effect of the two axes can't be told apart. "
            "Add a point that moves the other axis"
        )
    return readings, offsets


def view_moved(points: Sequence[Point]) -> bool:
    """Whether the aperture's edge itself moved in the pictures, by more than 5σ and a camera's wander of 1 px."""
    seen = np.array([p.aperture_px for p in points if p.aperture_px is not None])
    if len(seen) < 2:
        return False
    moved = np.hypot(*(seen[1:, :2] - seen[0, :2]).T)
    return bool((moved > np.maximum(5.0 * np.hypot(seen[1:, 2], seen[0, 2]), 1.0)).any())


def _check_moved(result: Estimate) -> None:
    """Refuse when the beam did not follow the readings at all."""
    offsets = np.array([p.offset for p in result.points])
    distance = np.linalg.norm(offsets - offsets.mean(axis=0), axis=1).max()
    if result.sigma_known:
        doubt = max(max(p.x_sigma or 0.0, p.y_sigma or 0.0) for p in result.points)
    else:
        doubt = 0.0
    if distance <= 3.0 * doubt or distance == 0.0:
        if view_moved(result.points):
            raise CalibrationError(
                "both edges moved together while the offset stayed: this was not gun shift but a deflector below the "
                "aperture, or the view itself. Go back to the old readings, then turn gun shift"
            )
        raise CalibrationError(
            "nothing moved although the readings changed: frozen picture, blanked beam, wrong knob, or steps too small "
            "for the pictures' doubt. Take a fresh picture and make larger steps"
        )
    if result.gains[1] < 1e-6 * result.gains[0]:
        raise CalibrationError("both axes move the beam along the same line: check that two different axes were turned")
