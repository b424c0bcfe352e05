"""Taubin's circle: algebraic, gradient-weighted."""

import numpy as np

from apertrue.fitting.circle import fit_circle_algebraic

SOURCE = {
    "author": "G. Taubin",
    "title": "Estimation of planar curves, surfaces and nonplanar space curves defined by implicit equations",
    "year": "1991",
    "place": "IEEE Trans. PAMI 13:1115–1138",
    "how": "from memory",
}
POINTS = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)


def test_six_points(check):
    fit = fit_circle_algebraic(POINTS, method="taubin")
    check("center x", fit.x, 4.6139326939, tol=1e-8)
    check("center y", fit.y, 2.7952093469, tol=1e-8)
    check("radius", fit.radius, 4.8792128456, tol=1e-8)


def test_definition(check):
    """The paper's own criterion, minimized by an independent library: Σ F² / Σ |∇F|²."""
    from scipy.optimize import minimize

    x, y = (POINTS - POINTS.mean(axis=0)).T

    def criterion(v):
        f = (x - v[0]) ** 2 + (y - v[1]) ** 2 - v[2] ** 2
        return (f @ f) / (4 * ((x - v[0]) ** 2 + (y - v[1]) ** 2)).sum()

    best = minimize(criterion, [0.0, -3.0, 4.5], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-16})
    fit = fit_circle_algebraic(POINTS, method="taubin")
    check("the criterion's minimum, center x", fit.x, best.x[0] + POINTS[:, 0].mean(), tol=1e-6)
    check("the criterion's minimum, radius", fit.radius, best.x[2], tol=1e-6)
