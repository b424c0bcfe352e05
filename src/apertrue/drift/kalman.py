"""The Kalman filter's three formulas and the fixed-interval smoother, for many filters at once.

All arrays may carry leading axes (…): a bank of filters with different noise parameters runs in one call.
Formulas: R. E. Kalman 1960; H. E. Rauch, F. Tung, C. T. Striebel 1965 (smoother); J. Durbin, S. J. Koopman,
*Time Series Analysis by State Space Methods* (from memory). Held against statsmodels in the tests.
"""

from math import log, pi

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_LOG_2PI = log(2 * pi)


def predict(mean: Array, cov: Array, transition: Array, process: Array) -> tuple[Array, Array]:
    """State and covariance one interval later.

    Args:
        mean: (…, n).
        cov: (…, n, n).
        transition: (…, n, n).
        process: (…, n, n), covariance of what is added.
    """
    mean = np.matmul(transition, mean[..., None])[..., 0]
    cov = transition @ cov @ np.swapaxes(transition, -1, -2) + process
    return mean, cov


def update(
    mean: Array, cov: Array, seen: Array, design: Array, noise: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Take in one two-component measurement.

    Args:
        mean: (…, n).
        cov: (…, n, n).
        seen: (2,).
        design: (2, n).
        noise: (…, 2, 2), the measurement's covariance.

    Returns:
        mean, cov: after the measurement.
        innovation: (…, 2), seen − expected.
        spread: (…, 2, 2), covariance of the innovation.
        log_likelihood: (…,), of this measurement given all before, 2π included.
    """
    innovation = seen - mean @ design.T
    cross = cov @ design.T  # (…, n, 2)
    spread = design @ cross + noise
    inverse, determinant = inverse_2x2(spread)
    gain = cross @ inverse
    mean = mean + np.matmul(gain, innovation[..., None])[..., 0]
    # Joseph's form stays positive when a diffuse start meets a sharp picture.
    keep = np.eye(mean.shape[-1]) - gain @ design
    cov = keep @ cov @ np.swapaxes(keep, -1, -2) + gain @ noise @ np.swapaxes(gain, -1, -2)
    d2 = distance2(innovation, inverse)
    return mean, cov, innovation, spread, -0.5 * (d2 + np.log(determinant)) - _LOG_2PI


def inverse_2x2(m: Array) -> tuple[Array, Array]:
    """Inverse and determinant of symmetric positive 2×2 matrices, shape (…, 2, 2)."""
    a, b, d = m[..., 0, 0], m[..., 0, 1], m[..., 1, 1]
    determinant = a * d - b * b
    out = np.empty(m.shape)
    out[..., 0, 0], out[..., 1, 1] = d / determinant, a / determinant
    out[..., 0, 1] = out[..., 1, 0] = -b / determinant
    return out, determinant


def distance2(vector: Array, inverse: Array) -> Array:
    """Squared Mahalanobis distance of (…, 2) vectors under (…, 2, 2) inverse covariances."""
    out: Array = np.einsum("...i,...ij,...j->...", vector, inverse, vector)
    return out


def smooth_back(
    filtered_mean: Array,
    filtered_cov: Array,
    next_mean: Array,
    next_cov: Array,
    transition: Array,
    process: Array,
    shift: Array,
) -> tuple[Array, Array]:
    """One backward step of the Rauch–Tung–Striebel smoother.

    Args:
        filtered_mean: at this time, (n,).
        filtered_cov: its covariance, (n, n).
        next_mean: smoothed at the next time, (n,).
        next_cov: its covariance, (n, n).
        transition: what led from this time to the next, (n, n).
        process: covariance added on the way, (n, n).
        shift: known move on the way, (n,).
    """
    predicted = transition @ filtered_mean + shift
    predicted_cov = transition @ filtered_cov @ transition.T + process
    # A state that can't vary (no settling yet) has nothing to be smoothed: any number on its diagonal will do.
    still = np.diag(np.where(np.diag(predicted_cov) == 0.0, 1.0, 0.0))
    gain = np.linalg.solve(predicted_cov + still, transition @ filtered_cov).T
    mean = filtered_mean + gain @ (next_mean - predicted)
    cov = filtered_cov + gain @ (next_cov - predicted_cov) @ gain.T
    return mean, 0.5 * (cov + cov.T)
