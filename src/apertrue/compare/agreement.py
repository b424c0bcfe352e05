"""Do two centers agree? A χ² test of their difference, and the edge-based center in shift readings. Pure."""

from dataclasses import dataclass
from math import erfc, exp, sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Two centers disagree when a difference this large would be rarer than this by chance.
RARE = 0.01


@dataclass(frozen=True, slots=True)
class Point2:
    """A measured point: (x, y), 1σ of each, and the correlation of their errors; a component may be unknown.

    Units are the caller's. ``x`` and ``x_sigma`` are ``None`` together, as are ``y`` and ``y_sigma``.
    """

    x: float | None
    y: float | None
    x_sigma: float | None
    y_sigma: float | None
    correlation: float = 0.0

    def covariance(self) -> Array:
        """Shape (2, 2); an unknown component has an infinite variance."""
        sx = np.inf if self.x_sigma is None else self.x_sigma
        sy = np.inf if self.y_sigma is None else self.y_sigma
        cross = 0.0 if np.isinf(sx) or np.isinf(sy) else self.correlation * sx * sy
        return np.array([[sx * sx, cross], [cross, sy * sy]])

    @classmethod
    def of(cls, mean: Array, covariance: Array) -> "Point2":
        """From a mean, shape (2,), and a covariance, shape (2, 2)."""
        sx, sy = sqrt(float(covariance[0, 0])), sqrt(float(covariance[1, 1]))
        rho = float(covariance[0, 1]) / (sx * sy) if sx > 0 and sy > 0 else 0.0
        return cls(float(mean[0]), float(mean[1]), sx, sy, max(-1.0, min(1.0, rho)))


@dataclass(frozen=True, slots=True)
class Agreement:
    """Whether two points agree.

    Attributes:
        difference: first − second; components unknown in either are ``None``.
        chi2, dof: squared difference in units of its covariance, and the number of components compared (1 or 2).
        p: probability of a larger χ² by chance.
        agrees: ``p`` ≥ :data:`RARE`.
    """

    difference: Point2
    chi2: float
    dof: int
    p: float

    @property
    def agrees(self) -> bool:
        """Whether the difference is no larger than chance makes it."""
        return self.p >= RARE


def agreement(first: Point2, second: Point2) -> Agreement | None:
    """Test whether two independent measurements of a point agree; ``None`` when they share no known component."""
    total = first.covariance() + second.covariance()
    values = [
        (a - b) if a is not None and b is not None else None for a, b in ((first.x, second.x), (first.y, second.y))
    ]
    known = [i for i, v in enumerate(values) if v is not None]
    if not known:
        return None
    d = np.array([values[i] for i in known], dtype=float)
    c = total[np.ix_(known, known)]
    chi2 = float(d @ np.linalg.solve(c, d)) if np.linalg.det(c) > 0 else (0.0 if not d.any() else float("inf"))
    sigmas = [sqrt(float(total[i, i])) if i in known else None for i in (0, 1)]
    both = len(known) == 2 and sigmas[0] and sigmas[1]
    rho = float(total[0, 1]) / (sigmas[0] * sigmas[1]) if both and sigmas[0] and sigmas[1] else 0.0
    return Agreement(
        Point2(values[0], values[1], sigmas[0], sigmas[1], rho), chi2, len(known), chi2_tail(chi2, len(known))
    )


def chi2_tail(chi2: float, dof: int) -> float:
    """Probability of a larger χ² with one or two degrees of freedom, in closed form."""
    if dof == 1:
        return erfc(sqrt(max(chi2, 0.0) / 2.0))
    if dof == 2:
        return exp(-max(chi2, 0.0) / 2.0)
    raise ValueError("one or two degrees of freedom")


def edge_center(readings: tuple[float, float], offset: Point2, matrix: Array, matrix_covariance: Array) -> Point2:
    """The shift readings at which the edges would be concentric, from one picture and a shift calibration.

    Args:
        readings: gun shift (X, Y) when the picture was taken, console units.
        offset: its offset in % of the aperture radius, y down.
        matrix: % of the aperture radius per console unit, shape (2, 2).
        matrix_covariance: of its entries in the order (xX, xY, yX, yY), shape (4, 4).

    s = readings − A⁻¹ o; to first order Cov(s) = A⁻¹ (Cov(o) + J Cov(A) Jᵀ) A⁻ᵀ with J = [m₁ m₂ 0 0; 0 0 m₁ m₂] and
    m = A⁻¹ o. Raises ``ValueError`` when the offset or the matrix can't be used.
    """
    if offset.x is None or offset.y is None:
        raise ValueError("both components of the offset must be known")
    if abs(np.linalg.det(matrix)) < 1e-12:
        raise ValueError("the calibration's matrix can't be inverted")
    inverse = np.linalg.inv(matrix)
    move = inverse @ np.array([offset.x, offset.y])
    j = np.zeros((2, 4))
    j[0, :2] = move
    j[1, 2:] = move
    covariance = inverse @ (offset.covariance() + j @ matrix_covariance @ j.T) @ inverse.T
    return Point2.of(np.asarray(readings) - move, covariance)
