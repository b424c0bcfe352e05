"""The gap between two ellipses where it is tightest, and points' distance from an edge, against geometry by polygons."""

import numpy as np
import pytest
from shapely import Point, Polygon, hausdorff_distance

from apertrue.assess.geometry import gap
from apertrue.model.edges import distance
from apertrue.scene import Edge

SOURCE = {
    "author": "the shapely developers",
    "title": "GEOS distances of points and polygons",
    "year": "2026",
    "place": "shapely",
    "how": "confirmed",
}
N = 40_000  # corners: an outline of 100 px radius is short by under 1e-6 px


@pytest.mark.parametrize("case", range(6))
def test_gap(check, case):
    """A round aperture: the gap is its radius less the farthest distance of the beam's outline from its center."""
    rng = np.random.default_rng(40 + case)
    e, phi = rng.uniform(0.0, 0.15), rng.uniform(0, 2 * np.pi)
    beam = Edge(
        250 + rng.uniform(-20, 20),
        240 + rng.uniform(-20, 20),
        rng.uniform(50, 95),
        e * np.cos(phi),
        e * np.sin(phi),
        1.0,
    )
    p = np.array([250.0, 240.0, 100.0, 0, 0, 1.0, beam.x, beam.y, beam.radius, beam.e1, beam.e2, 1.0])
    far = hausdorff_distance(Point(250, 240), Polygon(beam.outline(N)).exterior)
    # A parabola through points two degrees apart: 1e-6 of the aperture radius.
    check(f"tightest gap, random beam {case}", gap(p), 1 - far / 100, tol=2e-6)


@pytest.mark.parametrize("case", range(4))
def test_distance_near_an_edge(check, case):
    """Within 3 px of an edge of 100 px and ellipticity up to 0.1 (where the blurred step is), to first order."""
    rng = np.random.default_rng(60 + case)
    e, phi = rng.uniform(0.01, 0.1), rng.uniform(0, 2 * np.pi)
    edge = Edge(250.0, 240.0, 100.0, e * np.cos(phi), e * np.sin(phi), 1.0)
    outline = Polygon(edge.outline(N)).exterior
    at = edge.outline(48) + rng.uniform(-2, 2, (48, 2))
    values = np.array([edge.x, edge.y, edge.radius, edge.e1, edge.e2])
    ours = distance(at[:, 0], at[:, 1], values)
    inside = Polygon(edge.outline(N))
    theirs = np.array([outline.distance(Point(*q)) * (1 if inside.contains(Point(*q)) else -1) for q in at])
    check(f"largest difference of 48 distances, ellipticity {e:.3f}, px", np.abs(ours - theirs).max(), 0.0, tol=0.02)
