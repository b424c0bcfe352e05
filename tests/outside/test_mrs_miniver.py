"""Mrs. Miniver's problem: two unit circles whose common part equals the sum of the two lunes."""

from math import pi

from apertrue.model.transmission import PlaneBeam, lens_area, passed_fraction

SOURCE = {
    "author": "L. A. Graham; C. Fadiman",
    "title": "Ingenious Mathematical Problems and Methods; The Mathematical Magpie",
    "year": "1959; 1962",
    "place": "Dover; Simon & Schuster (the number also in encyclopedias of mathematics)",
    "how": "confirmed",
}
DISTANCE = 0.529864169205554


def test_distance(check):
    low, high = 0.0, 2.0
    for _ in range(100):
        middle = (low + high) / 2
        common = lens_area(middle, 1, 1)
        low, high = (middle, high) if common > 2 * (pi - common) else (low, middle)
    check("distance of the centers", low, DISTANCE, tol=1e-12)


def test_share_that_passes(check):
    """A flat beam as large as the aperture at that offset passes exactly two thirds."""
    check("share of a flat beam that passes", passed_fraction(PlaneBeam.round(DISTANCE, 0, 1)), 2 / 3, tol=1e-10)
