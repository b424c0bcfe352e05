"""Tukey's biweight around any fit of points: reweighting until it settles, and the covariance that follows (Huber's).

F. Mosteller and J. W. Tukey, *Data Analysis and Regression*, 1977; P. J. Huber, *Robust Statistics*, 1981, chapter 7 (from
memory).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ._points import inverse

Array = NDArray[np.float64]

#: Reach of the weights in robust σ: 95 % efficient for normal errors.
REACH = 4.685
#: Median of absolute normal residuals in σ.
_MAD = 0.6745


@dataclass(frozen=True, slots=True, eq=False)
class Reweighted:
    """Where the reweighting ended.

    Attributes:
        parameters: shape (k,).
        residuals: in σ (or px, where no σ is known), shape (n,).
        weights: 0 to 1, shape (n,).
        scale: robust 1σ of the residuals.
        rounds: of reweighting; ``converged`` whether it settled.
    """

    parameters: Array
    residuals: Array
    weights: Array
    scale: float
    rounds: int
    converged: bool


def reweight(
    start: Array,
    scale: float,
    floor: float,
    residuals: Callable[[Array], Array],
    refit: Callable[[Array, Array], Array],
    moved: Callable[[Array, Array], float],
    *,
    least: int,
    few: str,
    max_iterations: int,
) -> Reweighted:
    """Fit, weigh by the residuals, fit again.

    Args:
        start: parameters to start from.
        scale: robust 1σ of the residuals to start with.
        floor: least scale.
        residuals: parameters → residuals (n,).
        refit: (weights, parameters) → new parameters.
        moved: (old, new parameters) → their relative distance.
        least: number of points that must keep a weight.
        few: what to say when fewer do.
        max_iterations: rounds at most.

    Raises:
        ValueError: ``few``.
    """
    at, r, converged, rounds = start, residuals(start), False, 0
    weights: Array = np.ones(len(r))
    for rounds in range(1, max_iterations + 1):  # noqa: B007
        t = r / (REACH * scale)
        weights = np.where(np.abs(t) < 1, (1 - t * t) ** 2, 0.0)
        if np.count_nonzero(weights) < least:
            raise ValueError(few)
        new = refit(weights, at)
        shift = moved(at, new)
        at, r = new, residuals(new)
        renewed = max(float(np.median(np.abs(r[weights > 0]))) / _MAD, floor)
        converged = shift < 1e-9 and abs(renewed - scale) < 1e-6 * scale
        scale = renewed
        if converged:
            break
    return Reweighted(at, r, weights, scale, rounds, converged)


def robust_covariance(found: Reweighted, jacobian: Array, least: float) -> tuple[Array | None, float, int]:
    """(covariance, sum of squares of the points within reach, degrees of freedom) of a reweighted fit.

    Args:
        found: the fit.
        jacobian: derivatives of the residuals, shape (n, k).
        least: least variance of a residual: 1 where the σ were given, else 0.
    """
    r, t = found.residuals, found.residuals / (REACH * found.scale)
    inside = np.abs(t) < 1
    j = jacobian[inside]
    dof = int(inside.sum()) - j.shape[1]
    covariance = inverse(j.T @ j)
    slope = float(((1 - t * t) * (1 - 5 * t * t))[inside].mean())
    total = float((r[inside] ** 2).sum())
    if covariance is None or dof <= 0 or slope <= 0.05:
        return None, total, dof
    psi = (r * (1 - t * t) ** 2)[inside]
    variance = float((psi * psi).sum()) / dof / slope**2
    return covariance * max(variance, least), total, dof
