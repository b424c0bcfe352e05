"""Exact overlap of a disc with the pixels of a grid (a benchmark's dependency): the same areas as ours."""

from math import pi

import numpy as np
import pytest

from apertrue.model.transmission import lens_area

geometry = pytest.importorskip("photutils.geometry", reason="photutils is a dependency of the benchmarks only")

SOURCE = {
    "author": "the photutils developers",
    "title": "photutils.geometry.circular_overlap_grid, exact mode",
    "year": "2025",
    "place": "photutils",
    "how": "confirmed",
}


def test_whole_disc(check):
    grid = geometry.circular_overlap_grid(-1.1, 1.1, -1.1, 1.1, 50, 50, 1.0, 1, 1)
    pixel = (2.2 / 50) ** 2
    check("sum over the pixels", grid.sum() * pixel, lens_area(0, 1, 5), tol=1e-12)


def test_two_discs(check):
    """Light of a disc of radius 0.7 at 0.6, seen through the unit disc: masks multiplied pixel by pixel."""
    n = 1500
    edges = (-1.4, 1.4)
    aperture = geometry.circular_overlap_grid(*edges, *edges, n, n, 1.0, 1, 1)
    beam = geometry.circular_overlap_grid(edges[0] - 0.6, edges[1] - 0.6, *edges, n, n, 0.7, 1, 1)
    theirs = float((aperture * beam).sum()) * (2.8 / n) ** 2
    # Pixels that both edges cross are taken as independent there: a few of 1500² pixels, under 1e-5 of the area.
    check("common area of two discs", lens_area(0.6, 0.7, 1.0), theirs, tol=2e-5)
    assert np.isclose(beam.sum() * (2.8 / n) ** 2, pi * 0.49, rtol=1e-9)
