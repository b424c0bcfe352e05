"""Generalized least squares with covariance, prediction and recursive updating: small, dense and careful.

Formulas: JCGM 100:2008 (GUM) H.3 for the covariance of a fitted line and its predictions; A. C. Aitken, *On least
squares and linear combination of observations*, 1936, for weights that are correlated (from memory). Solved by
singular values, see :func:`apertrue.fitting.lines.solve_scaled`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import CalibrationError
from ..fitting.lines import solve_scaled

Array = NDArray[np.float64]

#: Below this ratio of singular values (columns scaled to length 1) a design counts as not solvable.
RANK_LIMIT = 1e-10


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A least-squares solution.

    Attributes:
        parameters: shape (p,).
        covariance: shape (p, p); as the given variances say, or from the residuals where none were given.
        residuals: observed − fitted, shape (n,), in the unit of the observations.
        chi2: weighted sum of squared residuals; the plain sum of squares where no variances were given.
        dof: n − p.
        condition: largest ÷ smallest singular value of the whitened design with columns scaled to length 1.
        scale: residual standard deviation √(chi2/dof) (the Birge ratio where variances were given); ``None`` for dof 0.
    """

    parameters: Array
    covariance: Array
    residuals: Array
    chi2: float
    dof: int
    condition: float
    scale: float | None

    @property
    def sigma(self) -> Array:
        """1σ standard uncertainties of the parameters, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))

    def predict(self, row: Array) -> tuple[Array, Array]:
        """Value and covariance of ``row @ parameters``; ``row`` of shape (p,) or (m, p).

        The observation's own variance is not included (GUM H.3.5).
        """
        row = np.atleast_2d(row)
        return row @ self.parameters, row @ self.covariance @ row.T


def whitener(covariance: Array) -> Array:
    """The matrix W with WᵀW = covariance⁻¹, shape (n, n). ``CalibrationError`` when it is no covariance."""
    try:
        lower = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        raise CalibrationError("the uncertainties are no valid covariance: every 1σ must be above 0") from None
    return np.asarray(np.linalg.inv(lower), dtype=np.float64)


def least_squares(design: Array, observed: Array, covariance: Array | None = None) -> Fit:
    """Solve ``observed ≈ design @ parameters``.

    Args:
        design: shape (n, p).
        observed: shape (n,).
        covariance: of the observations: shape (n,) for variances, (n, n) for a full matrix; ``None`` when unknown:
            then all are taken as equally uncertain and their variance is estimated from the residuals.

    Raises:
        CalibrationError: fewer observations than parameters, or columns that depend on each other.
    """
    n, p = design.shape
    if n < p:
        raise CalibrationError(f"{n} values can't determine {p} unknowns: add points")
    if covariance is None:
        white, target = design, observed
    else:
        w = np.diag(1.0 / np.sqrt(covariance)) if covariance.ndim == 1 else whitener(covariance)
        white, target = w @ design, w @ observed
    try:
        parameters, inverse, condition = solve_scaled(white, target, 1.0 / RANK_LIMIT)
    except ValueError as error:
        raise CalibrationError(f"the points do not determine all unknowns: {error}") from None
    rest = target - white @ parameters
    chi2 = float(rest @ rest)
    dof = n - p
    scale = float(np.sqrt(chi2 / dof)) if dof > 0 else None
    cov = inverse @ inverse.T
    if covariance is None:
        cov = cov * scale**2 if scale is not None else np.full_like(cov, np.nan)
    return Fit(parameters, cov, observed - design @ parameters, chi2, dof, condition, scale)


def update(
    parameters: Array, covariance: Array, row: Array, observed: Array, noise: Array
) -> tuple[Array, Array, float]:
    """One recursive step: new parameters and covariance after observing ``observed ≈ row @ parameters``.

    Repeated over all observations it gives the batch solution with the same prior (R. L. Plackett, *Some theorems in
    least squares*, 1950, from memory). The covariance is updated in Joseph's form, which stays symmetric and positive.

    Args:
        parameters: shape (p,).
        covariance: of the parameters, shape (p, p).
        row: shape (m, p).
        observed: shape (m,).
        noise: covariance of the observation, shape (m, m).

    Returns:
        parameters, covariance, and the squared Mahalanobis length of the innovation (χ² with m degrees of freedom
        while the old solution holds).
    """
    innovation = observed - row @ parameters
    s = row @ covariance @ row.T + noise
    gain = np.linalg.solve(s, row @ covariance).T
    keep = np.eye(len(parameters)) - gain @ row
    new = keep @ covariance @ keep.T + gain @ noise @ gain.T
    distance = float(innovation @ np.linalg.solve(s, innovation))
    return parameters + gain @ innovation, (new + new.T) / 2, distance


def chi2_quantile(probability: float, dof: int) -> float:
    """The χ² quantile (lower tail ``probability``)."""
    from scipy.special import chdtri

    return float(chdtri(dof, 1.0 - probability))


def chi2_tail(value: float, dof: int) -> float:
    """Probability that χ² with ``dof`` degrees of freedom exceeds ``value``."""
    from scipy.special import chdtrc

    return float(chdtrc(dof, value)) if dof > 0 else 1.0
