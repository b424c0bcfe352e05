"""Numbers of the χ² and binomial distributions that intervals and bands in the house rest on."""

from math import exp, sqrt

import pytest
from scipy.stats import binom, chi2

SOURCE = {
    "author": "K. Pearson; textbook statistics",
    "title": "χ² with two degrees of freedom; binomial acceptance bands",
    "year": "1900",
    "place": "recomputed with scipy.stats",
    "how": "confirmed",
}


def test_two_degrees(check):
    check("χ²₂ at 95 %", chi2.ppf(0.95, 2), 5.99146455, tol=1e-8)
    check("its root, in σ", sqrt(chi2.ppf(0.95, 2)), 2.447746831, tol=1e-8)
    check("share within a circle of 1σ", 1 - exp(-0.5), 0.3934693, tol=1e-7)


@pytest.mark.parametrize(
    ("share", "n", "low", "high"), [(0.95, 1000, 926, 971), (0.95, 500, 458, 489), (0.6827, 1000, 634, 730)]
)
def test_bands(check, share, n, low, high):
    """Two-sided 99.9 % acceptance of hit counts: used by every coverage test here."""
    a, b = binom.interval(0.999, n, share)
    check(f"least hits of {n} at {share:.2%}", a, low, tol=0)
    check(f"most hits of {n} at {share:.2%}", b, high, tol=0)


def test_variance_ratio(check):
    check("variance ratio, 1000 degrees, low", chi2.ppf(0.0005, 1000) / 1000, 0.8594, tol=5e-5)
    check("variance ratio, 1000 degrees, high", chi2.ppf(0.9995, 1000) / 1000, 1.1537, tol=5e-5)
