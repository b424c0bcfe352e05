"""Straight lines and every other model that is linear in its coefficients: weighted least squares by singular values.

Source of the formulas: JCGM 100:2008 (GUM), H.3; checked against NIST StRD (Norris, Longley).
"""

from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

#: Condition number of a design beyond which its coefficients can't be told apart.
MOST_CONDITION = 1e13


@dataclass(frozen=True, slots=True, eq=False)
class LinearFit:
    """Coefficients of a linear model with their covariance.

    Attributes:
        coefficients: shape (k,), unit of y per unit of the design's column.
        covariance: shape (k, k). Absolute when σ was given (and not rescaled), else on the residuals' scale;
            ``None`` when nothing tells the scale (as many points as coefficients, no σ).
        residuals: y − model, shape (n,), unit of y.
        chi2: weighted sum of squared residuals (plain sum without σ).
        dof: n − k.
        residual_sd: √(chi2/dof): unit of y without σ, 1 with σ; infinite for dof 0.
        scaled: whether the covariance was put on the residuals' scale.
        condition: condition number of the scaled design: beyond about 1e8 the coefficients mean little.
    """

    coefficients: Array
    covariance: Array | None
    residuals: Array
    chi2: float
    dof: int
    residual_sd: float
    scaled: bool
    condition: float

    @property
    def sigma(self) -> Array | None:
        """1σ of the coefficients, shape (k,)."""
        return None if self.covariance is None else np.sqrt(np.diag(self.covariance))

    def predict(self, design: ArrayLike) -> tuple[Array, Array | None]:
        """The model at new rows, shape (m, k) or (k,), and its 1σ (of the model, not of a new single reading)."""
        rows = np.atleast_2d(np.asarray(design, dtype=np.float64))
        value: Array = rows @ self.coefficients
        if self.covariance is None:
            return value, None
        return value, np.sqrt(np.einsum("ij,jk,ik->i", rows, self.covariance, rows))


def solve_scaled(white: Array, target: Array, most_condition: float) -> tuple[Array, Array, float]:
    """Least squares of a whitened design by singular values, never by normal equations.

    Args:
        white: shape (n, k), n ≥ k, each row divided by its 1σ.
        target: shape (n,), alike.
        most_condition: condition number, columns scaled to length 1, beyond which it is refused.

    Returns:
        coefficients (k,); the matrix M (k, k) with covariance M Mᵀ; the condition number.

    Raises:
        ValueError: a column of zeros, or columns that depend on each other.
    """
    size = np.linalg.norm(white, axis=0)  # columns of one size: what is left of the condition number is real
    if not (size > 0).all():
        raise ValueError("a column of the design is zero: its coefficient cannot be found")
    u, s, vt = np.linalg.svd(white / size, full_matrices=False)
    if s[0] > most_condition * s[-1]:
        raise ValueError("columns of the design depend on each other: the coefficients cannot be told apart")
    inverse = (vt.T / s) / size[:, None]
    found = inverse @ (u.T @ target)
    # One step of iterative refinement: Longley's data loses five digits without it.
    found = found + inverse @ (u.T @ (target - white @ found))
    return found, inverse, float(s[0] / s[-1])


def fit_linear(design: ArrayLike, y: ArrayLike, sigma: ArrayLike | None = None, *, rescale: bool = False) -> LinearFit:
    """Weighted linear least squares y ≈ design @ coefficients.

    Args:
        design: shape (n, k), n ≥ k.
        y: shape (n,).
        sigma: 1σ of each y, one number or shape (n,); ``None`` = equal and unknown.
        rescale: put the covariance on the residuals' scale although σ was given, where the residuals are the larger
            (reduced χ² over 1); a smaller χ² never shrinks it.

    Raises:
        ValueError: wrong shapes, values that are not finite, or columns that depend on each other.
    """
    a, b = np.asarray(design, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if a.ndim != 2 or b.shape != (a.shape[0],):
        raise ValueError(f"design must be (n, k) and y (n,), got {a.shape} and {b.shape}")
    n, k = a.shape
    if n < k:
        raise ValueError(f"{k} coefficients need at least {k} points, got {n}")
    if not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise ValueError("design and y must be finite; drop the missing points first")
    if sigma is None:
        root = np.ones(n)
    else:
        s = np.broadcast_to(np.asarray(sigma, dtype=np.float64), (n,))
        if not (np.isfinite(s).all() and (s > 0).all()):
            raise ValueError("every sigma must be positive and finite")
        root = 1.0 / s
    aw, bw = a * root[:, None], b * root
    coefficients, root_covariance, condition = solve_scaled(aw, bw, MOST_CONDITION)
    residuals = b - a @ coefficients
    chi2 = float(((residuals * root) ** 2).sum())
    dof = n - k
    residual_sd = sqrt(chi2 / dof) if dof > 0 else inf
    covariance: Array | None = root_covariance @ root_covariance.T
    scaled = False
    if covariance is not None and sigma is None:
        covariance, scaled = (covariance * residual_sd**2, True) if dof > 0 else (None, False)
    elif covariance is not None and rescale and dof > 0 and residual_sd > 1:
        covariance, scaled = covariance * residual_sd**2, True
    return LinearFit(coefficients, covariance, residuals, chi2, dof, residual_sd, scaled, condition)


def fit_line(x: ArrayLike, y: ArrayLike, sigma: ArrayLike | None = None, *, origin: float = 0.0) -> LinearFit:
    """A straight line y ≈ c₀ + c₁ (x − origin); arguments as in :func:`fit_linear`."""
    d = np.asarray(x, dtype=np.float64) - origin
    return fit_linear(np.stack([np.ones_like(d), d], axis=1), y, sigma)


@dataclass(frozen=True, slots=True, eq=False)
class LineFit2:
    """A straight line through points that are uncertain both ways: y = intercept + slope·x.

    Attributes:
        intercept, slope: in the units of y and y/x.
        covariance: of (intercept, slope), shape (2, 2), absolute (from the given σ).
        chi2: weighted sum of squared distances.
        dof: n − 2.
        converged: whether the iteration settled.
    """

    intercept: float
    slope: float
    covariance: Array
    chi2: float
    dof: int
    converged: bool


def fit_line_both(
    x: ArrayLike, y: ArrayLike, sigma_x: ArrayLike, sigma_y: ArrayLike, correlation: ArrayLike = 0.0
) -> LineFit2:
    """A straight line through points uncertain in x and y (errors in variables), with unified standard errors.

    Source: York, Evensen, López Martínez and De Basabe Delgado, "Unified equations for the slope, intercept, and
    standard errors of the best straight line", Am. J. Phys. 72:367–375, 2004 (from memory; its test
    data are in the tests).

    Args:
        x: shape (n,), n ≥ 2.
        y: shape (n,).
        sigma_x: 1σ of x, one number or shape (n,), positive.
        sigma_y: the same of y.
        correlation: of each point's two errors, one number or shape (n,).

    Raises:
        ValueError: wrong shapes, values that are not finite, fewer than two points, all x equal.
    """
    px, py = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    n = len(px)
    sx, sy, r = (np.broadcast_to(np.asarray(v, dtype=np.float64), (n,)) for v in (sigma_x, sigma_y, correlation))
    if px.shape != py.shape or px.ndim != 1 or n < 2:
        raise ValueError("x and y must be 1-D, equally long, with at least two points")
    if not all(np.isfinite(v).all() for v in (px, py, sx, sy, r)) or (sx <= 0).any() or (sy <= 0).any():
        raise ValueError("points must be finite and every sigma positive")
    if np.ptp(px) == 0:
        raise ValueError("all x are equal: no line y(x) goes through the points")
    wx, wy = 1 / sx**2, 1 / sy**2
    alpha = np.sqrt(wx * wy)
    slope, converged = float(np.polyfit(px, py, 1)[0]), False
    for _ in range(200):
        w = wx * wy / (wx + slope * slope * wy - 2 * slope * r * alpha)
        mx, my = float(w @ px / w.sum()), float(w @ py / w.sum())
        u, v = px - mx, py - my
        beta = w * (u / wy + slope * v / wx - (slope * u + v) * r / alpha)
        new = float((w * beta) @ v / ((w * beta) @ u))
        done = abs(new - slope) <= 1e-14 * max(abs(new), 1e-300)
        slope = new
        if done:
            converged = True
            break
    w = wx * wy / (wx + slope * slope * wy - 2 * slope * r * alpha)
    mx, my = float(w @ px / w.sum()), float(w @ py / w.sum())
    u, v = px - mx, py - my
    beta = w * (u / wy + slope * v / wx - (slope * u + v) * r / alpha)
    adjusted = mx + beta
    ma = float(w @ adjusted / w.sum())
    var_slope = float(1 / (w @ (adjusted - ma) ** 2))
    intercept = my - slope * mx
    var_intercept = 1 / float(w.sum()) + ma * ma * var_slope
    covariance = np.array([[var_intercept, -ma * var_slope], [-ma * var_slope, var_slope]])
    chi2 = float(w @ (py - intercept - slope * px) ** 2)
    return LineFit2(intercept, slope, covariance, chi2, n - 2, converged)
