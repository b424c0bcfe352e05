"""Tails of χ², straight trends and their p-values, against an independent library of statistics."""

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.distance import mahalanobis
from statsmodels.multivariate.multivariate_ols import _MultivariateOLS

from apertrue.audit.statistics import trend
from apertrue.burst.effects import trend as movement
from apertrue.compare.agreement import Point2, agreement, chi2_tail

SOURCE = {
    "author": "K. Pearson; W. S. Gosset; H. Hotelling; the scipy and statsmodels developers",
    "title": "χ² and t tests, and Hotelling's T²; scipy.stats and statsmodels",
    "year": "1900; 1908; 1931",
    "place": "recomputed with scipy and statsmodels",
    "how": "confirmed",
}
MONTH_S = 30.44 * 86400.0


@pytest.mark.parametrize("dof", [1, 2])
def test_chi_square_tail(check, dof):
    for chi2 in (0.3, 2.7, 11.2):
        check(f"P(χ² > {chi2}), {dof} degrees of freedom", chi2_tail(chi2, dof), stats.chi2.sf(chi2, dof), tol=1e-13)


def test_two_points_agree_or_not(check):
    """Two correlated measurements of a place: the squared Mahalanobis distance and its probability."""
    first, second = Point2(1.0, -2.0, 0.3, 0.5, 0.6), Point2(1.7, -1.2, 0.4, 0.2, -0.3)
    total = np.array([[0.09 + 0.16, 0.09 - 0.024], [0.09 - 0.024, 0.25 + 0.04]])
    away = mahalanobis([1.0, -2.0], [1.7, -1.2], np.linalg.inv(total))
    found = agreement(first, second)
    check("χ² of the difference of two points", found.chi2, away**2, tol=1e-12)
    check("its probability", found.p, stats.chi2.sf(away**2, 2), tol=1e-12)


def test_a_trend_over_sessions(check):
    rng = np.random.default_rng(7)
    months = np.sort(rng.uniform(0, 14, 23))
    values = 6.0 + 0.12 * months + rng.normal(0, 0.8, 23)
    ours, theirs = trend(months * MONTH_S, values), stats.linregress(months, values)
    check("slope a month", ours.slope, theirs.slope, tol=1e-10)
    check("its 1σ", ours.sigma, theirs.stderr, tol=1e-10)
    check("p-value of no change", ours.p_value, theirs.pvalue, tol=1e-10)


@pytest.mark.parametrize("n", [6, 20])
def test_a_movement_of_two_components(check, n):
    rng = np.random.default_rng(n)
    at = np.arange(n) - (n - 1) / 2
    noise = rng.multivariate_normal([0, 0], [[1.0, 0.6], [0.6, 0.8]], n)
    values = np.outer(at, [0.06, -0.04]) + noise
    moved, chance = movement(values)
    fit = _MultivariateOLS(values, np.column_stack([np.ones(n), at])).fit()
    table = fit.mv_test([("slope", np.array([[0.0, 1.0]]))]).results["slope"]["stat"]
    check(f"p-value of no movement, {n} frames", chance, table.loc["Hotelling-Lawley trace", "Pr > F"], tol=1e-10)
    check(f"movement along x, {n} frames", moved[0], stats.linregress(at, values[:, 0]).slope * (n - 1), tol=1e-10)
