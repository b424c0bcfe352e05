"""Kåsa's circle: linear least squares of x² + y²."""

import numpy as np
from skimage.measure import CircleModel

from apertrue.fitting.circle import fit_circle_algebraic

SOURCE = {
    "author": "I. Kåsa",
    "title": "A circle fitting procedure and its error analysis",
    "year": "1976",
    "place": "IEEE Trans. Instrum. Meas. 25:8–14",
    "how": "confirmed",  # by scikit-image's circle model, below
}
POINTS = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)


def test_six_points(check):
    fit = fit_circle_algebraic(POINTS, method="kasa")
    check("center x", fit.x, 4.7423312883, tol=1e-8)
    check("center y", fit.y, 3.8351226994, tol=1e-8)
    check("radius", fit.radius, 4.1087615223, tol=1e-8)


def test_scikit_image_agrees(check):
    rng = np.random.default_rng(11)
    for arc in (0.6, 1.5, 3.1):
        t = rng.uniform(-arc, arc, 80)
        p = np.stack([500 + 120 * np.cos(t), 300 + 120 * np.sin(t)], axis=1) + rng.normal(0, 0.7, (80, 2))
        if hasattr(CircleModel, "from_estimate"):
            theirs = CircleModel.from_estimate(p)
        else:  # scikit-image before 0.26
            theirs = CircleModel()
            assert theirs.estimate(p)
        x, radius = (
            (theirs.center[0], theirs.radius) if hasattr(theirs, "center") else (theirs.params[0], theirs.params[2])
        )
        fit = fit_circle_algebraic(p, method="kasa")
        check(f"scikit-image, half-arc {arc} rad, center x", fit.x, x, tol=1e-8)
        check(f"scikit-image, half-arc {arc} rad, radius", fit.radius, radius, tol=1e-8)
