"""Circle and ellipse through a handful of points, algebraic and geometric."""

import numpy as np

from apertrue.fitting.circle import fit_circle, fit_circle_algebraic
from apertrue.fitting.ellipse import fit_ellipse

SOURCE = {
    "author": "W. Gander, G. H. Golub, R. Strebel",
    "title": "Least-squares fitting of circles and ellipses",
    "year": "1994",
    "place": "BIT 34:558–578",
    # The digits beyond the paper's four were recomputed with independent minimizers; an R package's demo prints five.
    "how": "confirmed",
}
CIRCLE = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)
ELLIPSE = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7], [6, 2], [8, 4]], dtype=float)


def test_algebraic_circle(check):
    fit = fit_circle_algebraic(CIRCLE, method="norm1")
    check("circle, algebraic (norm 1), center x", fit.x, 5.3794133172, tol=1e-9)
    check("circle, algebraic (norm 1), center y", fit.y, 7.2531984768, tol=1e-9)
    check("circle, algebraic (norm 1), radius", fit.radius, 3.0370414583, tol=1e-9)


def test_geometric_circle(check):
    fit = fit_circle(CIRCLE)
    check("circle, geometric, center x", fit.x, 4.7397824109, tol=1e-8)
    check("circle, geometric, center y", fit.y, 2.9835326993, tol=1e-8)
    check("circle, geometric, radius", fit.radius, 4.7142260378, tol=1e-8)
    check("circle, geometric, sum of squares", fit.ssq, 1.2275990781837, tol=1e-9)
    assert fit.converged


def test_geometric_circle_starts_anywhere(check):
    fit = fit_circle(CIRCLE, start=(5.3794, 7.2532, 3.0370))  # the paper starts at its algebraic solution
    check("circle, geometric from the algebraic start, radius", fit.radius, 4.7142260378, tol=1e-8)


def test_geometric_ellipse(check):
    fit = fit_ellipse(ELLIPSE)
    check("ellipse, geometric, center x", fit.x, 2.699612424, tol=1e-6)
    check("ellipse, geometric, center y", fit.y, 3.815956754, tol=1e-6)
    check("ellipse, geometric, semi-major axis", fit.semi_axes[0], 6.518722011, tol=1e-6)
    check("ellipse, geometric, semi-minor axis", fit.semi_axes[1], 3.031885981, tol=1e-6)
    check("ellipse, geometric, angle (rad)", fit.angle_rad, 0.359624265, tol=1e-6)
    check("ellipse, geometric, sum of squares", fit.ssq, 1.3733055398, tol=1e-9)
    assert fit.converged
