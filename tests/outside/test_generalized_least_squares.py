"""Correlated observations: the calibration's least squares against an independent library."""

import numpy as np
from statsmodels.api import GLS

from apertrue.calibration.leastsquares import least_squares

SOURCE = {
    "author": "A. C. Aitken; S. Seabold, J. Perktold",
    "title": "On least squares and linear combination of observations; statsmodels GLS",
    "year": "1936; 2010",
    "place": "Proc. R. Soc. Edinburgh 55:42–48; statsmodels",
    "how": "confirmed",
}


def test_correlated(check):
    rng = np.random.default_rng(5)
    design = np.column_stack([np.ones(12), rng.normal(size=(12, 2))])
    root = rng.normal(size=(12, 12)) / 3
    covariance = root @ root.T + 0.2 * np.eye(12)
    y = design @ [1.0, -2.0, 0.5] + np.linalg.cholesky(covariance) @ rng.normal(size=12)
    theirs = GLS(y, design, sigma=covariance).fit(cov_type="fixed scale")
    ours = least_squares(design, y, covariance)
    for k in range(3):
        check(f"parameter {k}", ours.parameters[k], theirs.params[k], tol=1e-10)
        check(f"its σ from the given covariance, {k}", np.sqrt(ours.covariance[k, k]), theirs.bse[k], tol=1e-10)
