"""Learning while centering: each nudge with its snapshot sharpens the calibration (recursive least squares).

State θ = (c, A): the offset at the first point's readings and the 2×2 matrix, as in :mod:`.estimate`. A new point is
the observation o = c + A (s − s₀); between points with times c wanders as a random walk. Without wander the result
equals the batch solution with the same prior (tested).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import CalibrationError
from .estimate import BACKLASH_PRIOR_STEPS, MINUTES_APART, WANDER
from .leastsquares import chi2_tail, update
from .model import Calibration
from .points import Point
from .quality import relative_doubts
from .state_key import StateKey

Array = NDArray[np.float64]

#: 1σ of a matrix entry before anything is known, % per console unit: as good as nothing.
_OPEN = 1e3
#: 1σ of the offset before the first picture, %.
_OPEN_OFFSET = 1e3


@dataclass(frozen=True, slots=True, eq=False)
class Learner:
    """What is known of offset and matrix after some points.

    Attributes:
        theta: (cx, cy, xX, xY, yX, yY), shape (6,).
        covariance: shape (6, 6).
        origin: readings at which c holds; ``None`` before the first point.
        minutes: time of the last point; ``None`` if unknown.
        points: all points so far.
        surprise: p-value of the last point against what was known (small = it contradicts); ``None`` before the second.
        wander: of the gun, % per √h (1σ).
        step: the console's step, console units.
    """

    theta: Array
    covariance: Array
    origin: tuple[float, float] | None = None
    minutes: float | None = None
    points: tuple[Point, ...] = ()
    surprise: float | None = None
    wander: float = WANDER
    step: float = 0.0

    @property
    def matrix(self) -> Array:
        """A, shape (2, 2), % per console unit."""
        return self.theta[2:].reshape(2, 2)

    @property
    def matrix_covariance(self) -> Array:
        """Its covariance, shape (4, 4)."""
        return self.covariance[2:, 2:]

    def column(self, axis: int) -> tuple[Array, float]:
        """Effect of one axis (% per unit, shape (2,)) and its relative 1σ (``inf`` when nothing is known)."""
        value = self.matrix[:, axis]
        size = float(np.hypot(*value))
        index = [2 + axis, 4 + axis]
        sigma = float(np.sqrt(np.diag(self.covariance)[index].max()))
        return value, sigma / size if size > 0 else float("inf")

    def offset_at(self, readings: Array) -> tuple[Array, Array]:
        """Offset at readings as known now (%, shape (2,)) and its covariance. Needs a point first."""
        if self.origin is None:
            raise CalibrationError("no picture yet: the offset is not known")
        row = _row(np.asarray(readings, dtype=float) - self.origin)
        return row @ self.theta, row @ self.covariance @ row.T

    def observe(self, point: Point) -> "Learner":
        """What is known after one more point.

        Raises:
            CalibrationError: the point has no σ.
        """
        noise = point.covariance
        if noise is None:
            raise CalibrationError(f"{point.label or 'a point'}: its 1σ is not known")
        origin = self.origin if self.origin is not None else (point.shift_x, point.shift_y)
        covariance = self.covariance
        if self.points and self.wander > 0:
            known = self.minutes is not None and point.minutes is not None
            apart = max((point.minutes or 0.0) - (self.minutes or 0.0), 0.0) if known else MINUTES_APART
            covariance = covariance.copy()
            covariance[0, 0] += self.wander**2 * apart / 60.0
            covariance[1, 1] += self.wander**2 * apart / 60.0
        change = point.readings - origin
        if self.step > 0 and self.points:
            noise = noise + self._reading_noise(point)
        theta, cov, distance = update(self.theta, covariance, _row(change), point.offset, noise)
        return replace(
            self,
            theta=theta,
            covariance=cov,
            origin=origin,
            minutes=point.minutes if point.minutes is not None else self.minutes,
            points=(*self.points, point),
            surprise=chi2_tail(distance, 2) if self.points else None,
        )

    def _reading_noise(self, point: Point) -> Array:
        """What rounding and unseen backlash of the readings do to the offset, shape (2, 2), %².

        A reading is known to step/√12; an axis that was turned the other way round (or for the first time) may lack
        up to a step more. Their effect needs the matrix; where that is still open, the displacement just seen stands
        for it.
        """
        changes = np.array([b.readings - a.readings for a, b in pairwise((*self.points, point))])
        last = changes[-1]
        seen = point.offset - self.points[-1].offset
        out = np.zeros((2, 2))
        for axis in (0, 1):
            column, doubt = self.column(axis)
            if doubt > 0.5:
                if not last[axis]:
                    continue
                column = seen / float(np.abs(last).sum())
            turned = changes[:, axis][changes[:, axis] != 0]
            reversed_ = bool(last[axis]) and (len(turned) < 2 or turned[-1] * turned[-2] < 0)
            variance = self.step**2 / 12.0 + (BACKLASH_PRIOR_STEPS * self.step) ** 2 * reversed_
            out += variance * np.outer(column, column)
        return out

    def calibration(self, base: Calibration | None = None, state: StateKey | None = None) -> Calibration:
        """The calibration as learned, in ``base``'s state (or ``state``).

        Raises:
            CalibrationError: not enough is known yet.
        """
        length, direction = relative_doubts(self.matrix, self.matrix_covariance)
        if max(length, direction) > 0.5:
            raise CalibrationError("not enough is known of both axes yet: move the other axis as well")
        a = self.matrix
        matrix = ((float(a[0, 0]), float(a[0, 1])), (float(a[1, 0]), float(a[1, 1])))
        covariance = tuple(tuple(float(v) for v in row) for row in self.matrix_covariance)
        n = len(self.points)
        if base is None:
            return Calibration(
                matrix, covariance, state or StateKey(), n_points=n, step=self.step, note="learned from nudges"
            )
        return replace(base, matrix=matrix, covariance=covariance, n_points=base.n_points + n)


def _row(change: Array) -> Array:
    return np.hstack([np.eye(2), np.kron(np.eye(2), change)])


def learner(
    calibration: Calibration | None = None, *, step: float = 0.0, wander: float = WANDER, points: Sequence[Point] = ()
) -> Learner:
    """A learner that starts from a calibration (or from nothing) and has seen ``points``."""
    theta = np.zeros(6)
    covariance = np.diag([_OPEN_OFFSET**2] * 2 + [_OPEN**2] * 4)
    if calibration is not None:
        theta[2:] = calibration.a.ravel()
        covariance[2:, 2:] = calibration.cov
    out = Learner(theta, covariance, wander=wander, step=step)
    for point in points:
        out = out.observe(point)
    return out
