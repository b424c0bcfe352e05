"""A Gaussian beam through a centered stop: T = 1 − exp(−2a²/w²)."""

from math import exp, log, sqrt

import numpy as np
import pytest

from apertrue.compare.curves import gaussian_passed
from apertrue.model.transmission import PlaneBeam, passed_fraction

SOURCE = {
    "author": "A. E. Siegman; ISO",
    "title": "Lasers; ISO 11145 and 11146 (beam widths)",
    "year": "1986; 2005",
    "place": "University Science Books, section 17.1",
    "how": "from memory",
}


@pytest.mark.parametrize(("a_over_w", "published"), [(1.0, 0.864664716763), (1.5, 0.988891003462), (0.588705011, 0.5)])
def test_listed(check, a_over_w, published):
    ours = passed_fraction(PlaneBeam.gaussian(0, 0, 1 / a_over_w))
    check(
        f"share through a stop of radius {a_over_w} w", ours, published, tol=1e-9 if a_over_w == 0.588705011 else 1e-10
    )


def test_closed_form():
    # 1e-9: the running integral of the light is by Simpson's rule on 1 200 steps.
    for w in (0.3, 0.7, 1.0, 2.5, 6.0):
        assert passed_fraction(PlaneBeam.gaussian(0, 0, w)) == pytest.approx(1 - exp(-2 / w**2), abs=1e-9)


def test_half_power_radius(check):
    """The radius through which half passes, by bisection of our formula."""
    low, high = 0.1, 2.0
    for _ in range(60):
        a = (low + high) / 2
        low, high = (a, high) if passed_fraction(PlaneBeam.gaussian(0, 0, 1 / a)) < 0.5 else (low, a)
    check("half passes at a/w", low, 0.588705011, tol=1.5e-9)  # nine digits given; our light's integral: 1e-9
    assert low == pytest.approx(sqrt(log(2) / 2), abs=1e-8)


def test_the_shift_scans_curve(check):
    for a_over_w, published in ((1.0, 0.864664716763), (1.5, 0.988891003462)):
        ours = float(gaussian_passed(np.asarray(0.0), 1 / a_over_w))
        check(f"the shift scan's curve, stop radius {a_over_w} w", ours, published, tol=1e-10)
