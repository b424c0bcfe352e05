"""Pratt's circle: algebraic, normalized by B² + C² − 4AD = 1."""

import numpy as np

from apertrue.fitting.circle import fit_circle_algebraic

SOURCE = {
    "author": "V. Pratt",
    "title": "Direct least-squares fitting of algebraic surfaces",
    "year": "1987",
    "place": "SIGGRAPH, Computer Graphics 21:145–152",
    "how": "from memory",
}
POINTS = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)


def test_six_points(check):
    fit = fit_circle_algebraic(POINTS, method="pratt")
    check("center x", fit.x, 4.6154815168, tol=1e-8)
    check("center y", fit.y, 2.8073543972, tol=1e-8)
    check("radius", fit.radius, 4.9113015969, tol=1e-8)


def test_definition(check):
    """The criterion Σ F² / r² (A = 1, so that B² + C² − 4AD = 4r²), minimized by an independent library."""
    from scipy.optimize import minimize

    x, y = (POINTS - POINTS.mean(axis=0)).T

    def criterion(v):
        f = (x - v[0]) ** 2 + (y - v[1]) ** 2 - v[2] ** 2
        return (f @ f) / v[2] ** 2

    best = minimize(criterion, [0.0, -3.0, 4.5], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-16})
    fit = fit_circle_algebraic(POINTS, method="pratt")
    check("the criterion's minimum, center y", fit.y, best.x[1] + POINTS[:, 1].mean(), tol=1e-6)
    check("the criterion's minimum, radius", fit.radius, best.x[2], tol=1e-6)


def test_exact_points():
    """Points that lie on a circle exactly leave no smallest positive eigenvalue: the null vector is the circle."""
    t = np.array([0.1, 0.9, 2.2, 4.0])
    fit = fit_circle_algebraic(np.stack([3 + 2 * np.cos(t), 1 + 2 * np.sin(t)], axis=1), method="pratt")
    np.testing.assert_allclose([fit.x, fit.y, fit.radius], [3, 1, 2], atol=1e-9)
