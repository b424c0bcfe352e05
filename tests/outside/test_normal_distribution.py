"""The normal distribution's table in the edge's step: Φ as handbooks print it, and against an independent library."""

import numpy as np
from scipy.special import ndtr

from apertrue.model.edges import step
from apertrue.model.normal import cdf, cdf_pdf

SOURCE = {
    "author": "M. Abramowitz and I. A. Stegun; the scipy developers",
    "title": "Handbook of Mathematical Functions, table 26.1; scipy.special.ndtr",
    "year": "1964",
    "place": "National Bureau of Standards; recomputed with scipy",
    "how": "confirmed",
}
TABLE = {0.5: 0.691462461274, 1.0: 0.841344746069, 1.5: 0.933192798731, 2.0: 0.977249868052, 3.0: 0.998650101968}


def test_table(check):
    for x, published in TABLE.items():
        check(f"Φ({x})", cdf(np.array([x]))[0], published, tol=2e-11)
        check(f"Φ(−{x}) by the edge's step", step(np.array([-2.5 * x]), 2.5)[0], 1 - published, tol=2e-11)


def test_densely(check):
    x = np.linspace(-9, 9, 20_001)
    values, densities = cdf_pdf(x)
    check("largest difference from scipy's Φ, −9 to 9", np.abs(values - ndtr(x)).max(), 0.0, tol=2e-11)
    exact = np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi)
    check("largest difference of φ, −9 to 9", np.abs(densities - exact).max(), 0.0, tol=1e-15)
