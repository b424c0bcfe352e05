"""Overlap of two discs in closed form, against textbook numbers and an independent geometry library."""

from math import cos, pi, sqrt

import numpy as np
import pytest
from shapely import Point

from apertrue.compare.curves import hard_disc_passed
from apertrue.model.transmission import PlaneBeam, lens_area, passed_fraction

SOURCE = {
    "author": "textbook geometry; the shapely developers",
    "title": "Area of two circular segments; GEOS polygon overlay",
    "year": "2026",
    "place": "recomputed with mpmath and shapely",
    "how": "confirmed",
}


def test_unit_circles(check):
    check("unit circles at distance 1", lens_area(1, 1, 1), 2 * pi / 3 - sqrt(3) / 2, tol=1e-12)
    check("(d, r, R) = (1, 1, 0.8)", lens_area(1, 1, 0.8), 0.831760448607583, tol=1e-12)
    check("(d, r, R) = (1.2, 1, 0.5)", lens_area(1.2, 1, 0.5), 0.170098001045524, tol=1e-12)


def test_the_shift_scans_curve(check):
    for d, r, published in ((1.0, 0.8, 0.831760448607583), (1.2, 0.5, 0.170098001045524)):
        ours = pi * r**2 * float(hard_disc_passed(np.asarray(d), r))
        check(f"the shift scan's curve, (d, r, R) = ({d:g}, {r:g}, 1)", ours, published, tol=1e-12)


def test_half_covered(check):
    """The distance at which half of a unit disc is covered by another, by bisection of our formula."""
    low, high = 0.0, 2.0
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if lens_area(middle, 1, 1) > pi / 2 else (low, middle)
    check("half of a unit disc covered, distance", low, 0.807945506599034, tol=1e-12)


@pytest.mark.parametrize(("d", "r", "R"), [(0.3, 1.0, 0.9), (1.0, 1.0, 0.8), (1.4, 0.6, 1.0), (0.05, 1.0, 1.0)])
def test_shapely(check, d, r, R):
    n = 1 << 14  # sides in a quarter circle: a polygon's area is short by π³/(24 n²)
    theirs = Point(0, 0).buffer(R, quad_segs=n).intersection(Point(d, 0).buffer(r, quad_segs=n)).area
    check(f"shapely, (d, r, R) = ({d}, {r}, {R})", lens_area(d, r, R), theirs, tol=2e-8)


def test_quadrature_agrees_with_the_closed_form():
    """The general transmission of a flat, hard disc is the lens formula, over all sizes and offsets."""
    rng = np.random.default_rng(5)
    for _ in range(150):
        d, r, phi = rng.uniform(0, 2.2), np.exp(rng.uniform(np.log(0.05), np.log(3))), rng.uniform(0, 2 * pi)
        beam = PlaneBeam.round(d * cos(phi), d * np.sin(phi), r)
        assert passed_fraction(beam) == pytest.approx(lens_area(d, r, 1) / (pi * r * r), abs=1e-10)


def test_limits():
    assert lens_area(3, 1, 1) == 0.0
    assert lens_area(0.1, 0.5, 1) == pytest.approx(pi / 4, rel=1e-15)
    assert lens_area(0, 1, 1) == pytest.approx(pi, rel=1e-15)
    with pytest.raises(ValueError, match="negative"):
        lens_area(1, -1, 1)
