"""A straight line through points that are uncertain both ways: Pearson's points with York's weights."""

import numpy as np

from apertrue.fitting.lines import fit_line_both

SOURCE = {
    "author": "D. York, N. M. Evensen, M. López Martínez, J. De Basabe Delgado",
    "title": "Unified equations for the slope, intercept, and standard errors of the best straight line",
    "year": "2004",
    "place": "Am. J. Phys. 72:367–375 (Pearson 1901, weights of York 1966)",
    "how": "from memory",
}
X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
WX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
WY = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def test_pearson_york(check):
    fit = fit_line_both(X, Y, 1 / np.sqrt(WX), 1 / np.sqrt(WY))
    check("slope", fit.slope, -0.480533407, tol=5e-9)
    check("intercept", fit.intercept, 5.479910224, tol=5e-9)
    check("σ of slope", np.sqrt(fit.covariance[1, 1]), 0.057985, tol=5e-7)
    check("σ of intercept", np.sqrt(fit.covariance[0, 0]), 0.294971, tol=5e-7)
    check("sum of squares", fit.chi2, 11.8663531941, tol=1e-7)


def test_independent_library(check):
    """The slope again as the minimum of the same sum over the points' true places, by scipy's least squares."""
    from scipy.optimize import least_squares

    sx, sy = 1 / np.sqrt(WX), 1 / np.sqrt(WY)

    def residuals(v):
        true_x = v[2:]
        return np.concatenate([(X - true_x) / sx, (Y - v[0] - v[1] * true_x) / sy])

    free = least_squares(residuals, [5.0, -0.5, *X], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    fit = fit_line_both(X, Y, sx, sy)
    check("scipy least squares, intercept", fit.intercept, free.x[0], tol=1e-6)
    check("scipy least squares, slope", fit.slope, free.x[1], tol=1e-7)
    check("scipy least squares, sum of squares", fit.chi2, 2 * free.cost, tol=1e-8)
