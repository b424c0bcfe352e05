"""Monotone regression against scipy's."""

import numpy as np
import pytest
from scipy.optimize import isotonic_regression

from apertrue.fitting.monotone import isotonic

SOURCE = {
    "author": "M. Ayer, H. D. Brunk, G. M. Ewing, W. T. Reid, E. Silverman; the scipy developers",
    "title": "An empirical distribution function for sampling with incomplete information; scipy.optimize.isotonic_regression",
    "year": "1955; 2024",
    "place": "Ann. Math. Stat. 26:641–647; scipy",
    "how": "confirmed",
}


@pytest.mark.parametrize("increasing", [True, False])
def test_weighted(check, increasing):
    rng = np.random.default_rng(3)
    y, w = rng.normal(0, 1, 200) + np.linspace(0, 2, 200), rng.uniform(0.2, 3, 200)
    apart = np.abs(isotonic(y, w, increasing=increasing) - isotonic_regression(y, weights=w, increasing=increasing).x)
    check(f"largest difference, {'rising' if increasing else 'falling'}", apart.max(), 0, tol=1e-12)
