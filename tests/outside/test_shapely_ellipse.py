"""An ellipse cut by the unit circle, against an independent geometry library."""

from math import cos, pi, radians, sin

import numpy as np
import pytest
from shapely import Point, affinity

from apertrue.model.transmission import PlaneBeam, passed_fraction

SOURCE = {
    "author": "the shapely developers",
    "title": "GEOS polygon overlay",
    "year": "2026",
    "place": "shapely; also by chord integration",
    "how": "confirmed",
}


def area(x, y, a, b, degrees):
    c, s = cos(radians(degrees)), sin(radians(degrees))
    beam = PlaneBeam(x, y, a * c, -b * s, a * s, b * c)
    return passed_fraction(beam) * pi * a * b


def test_listed(check):
    check("ellipse (0.4, 0.1; 1.3, 0.8; 25°) ∩ unit circle", area(0.4, 0.1, 1.3, 0.8, 25), 2.38281018, tol=1e-7)


@pytest.mark.parametrize("case", range(8))
def test_random(check, case):
    rng = np.random.default_rng(100 + case)
    x, y, a, b = rng.uniform(-0.8, 0.8), rng.uniform(-0.8, 0.8), rng.uniform(0.5, 1.5), rng.uniform(0.4, 1.4)
    degrees = rng.uniform(0, 180)
    n = 1 << 13
    unit = Point(0, 0).buffer(1, quad_segs=n)
    ellipse = affinity.translate(affinity.rotate(affinity.scale(unit, a, b), degrees, origin=(0, 0)), x, y)
    ours = area(x, y, a, b, degrees)
    check(f"shapely, random ellipse {case}", ours, ellipse.intersection(unit).area, tol=1e-7)
