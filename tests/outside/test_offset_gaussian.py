"""A Gaussian beam through an offset stop: the noncentral χ² distribution, 1 − Marcum's Q₁(r, R)."""

import numpy as np
import pytest
from scipy.stats import ncx2

from apertrue.compare.curves import gaussian_passed
from apertrue.model.transmission import PlaneBeam, passed_fraction

SOURCE = {
    "author": "J. I. Marcum",
    "title": "A statistical theory of target detection by pulsed radar (the Q function); noncentral χ² distribution",
    "year": "1960",
    "place": "IRE Trans. Inf. Theory 6:59–267; scipy.stats.ncx2; Q₁(1, 1) in the komm library's documentation",
    "how": "confirmed",
}
TABLE = [
    (1, 1, 0.2671201962),
    (1, 2, 0.0818923036),
    (2, 1, 0.7309879400),
    (2, 2, 0.3964990394),
    (3, 1, 0.9562840284),
    (3, 2, 0.7856379118),
    (3, 3, 0.4325202377),
    (2, 0.5, 0.8308593615),
    (1, 0.5, 0.3572857697),
]


def through(R, r):
    """σ = 1, stop radius R, offset r: in units of the stop, w = 2σ/R."""
    return passed_fraction(PlaneBeam.gaussian(r / R, 0, 2.0 / R))


@pytest.mark.parametrize(("R", "r", "published"), TABLE)
def test_table(check, R, r, published):
    check(f"σ 1, stop radius {R}, offset {r}", through(R, r), published, tol=1e-9)
    scan = float(gaussian_passed(np.asarray(r / R), 2.0 / R))
    check(f"the same by the shift scan's curve, stop radius {R}, offset {r}", scan, published, tol=1e-9)


def test_marcum(check):
    check("1 − Q₁(1, 1)", through(1, 1), 1 - 0.7328798037968204, tol=1e-10)


@pytest.mark.parametrize("r", [0.0, 0.7, 1.3, 2.6, 4.0])
def test_scipy(check, r):
    for R in (0.5, 1.5, 3.5):
        published = ncx2.cdf(R * R, 2, r * r) if r else 1 - pow(2.718281828459045, -R * R / 2)
        check(f"scipy, stop radius {R}, offset {r}", through(R, r), published, tol=1e-9)
