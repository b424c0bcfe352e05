"""Linear least squares: what the published data sets in tests/outside do not cover."""

import numpy as np
import pytest
from numpy.polynomial import Polynomial

from apertrue.fitting.lines import fit_line, fit_line_both, fit_linear


def test_weights_against_an_independent_library():
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    x = rng.uniform(0, 10, 60)
    s = rng.uniform(0.1, 2.0, 60)
    y = 3 - 0.7 * x + rng.normal(0, s)
    theirs = sm.WLS(y, sm.add_constant(x), weights=1 / s**2).fit(cov_type="fixed scale")
    ours = fit_line(x, y, s)
    np.testing.assert_allclose(ours.coefficients, theirs.params, rtol=1e-10)
    np.testing.assert_allclose(ours.covariance, theirs.normalized_cov_params, rtol=1e-9)


def test_rescale_only_enlarges():
    rng = np.random.default_rng(4)
    x = np.linspace(0, 1, 200)
    a = np.stack([np.ones(200), x], axis=1)
    wide, narrow = rng.normal(0, 3, 200), rng.normal(0, 0.3, 200)
    assert fit_linear(a, wide, 1.0, rescale=True).sigma[0] == pytest.approx(
        3 * fit_linear(a, wide, 1.0).sigma[0], rel=0.15
    )
    assert fit_linear(a, narrow, 1.0, rescale=True).sigma[0] == fit_linear(a, narrow, 1.0).sigma[0]


def test_prediction_interval_grows_away_from_the_data():
    fit = fit_line(np.arange(10.0), 2 * np.arange(10.0) + 1, 0.5)
    value, sigma = fit.predict([[1, 4.5], [1, 30.0]])
    np.testing.assert_allclose(value, [10, 61])
    assert sigma[1] > 3 * sigma[0]
    assert sigma[0] == pytest.approx(0.5 / np.sqrt(10))


def test_exact_fit_without_sigma_has_no_covariance():
    fit = fit_line([0.0, 1.0], [1.0, 3.0])
    assert fit.covariance is None
    assert fit.sigma is None
    assert fit.predict([1.0, 2.0])[1] is None
    np.testing.assert_allclose(fit.coefficients, Polynomial.fit([0, 1], [1, 3], 1).convert().coef)


@pytest.mark.parametrize(
    ("design", "y", "text"),
    [
        ([[1, 2], [1, 2], [1, 2]], [1, 2, 3], "depend on each other"),
        ([[1, 0], [1, 0]], [1, 2], "zero"),
        ([[1, 2]], [1], "at least 2"),
        ([[1, 2], [1, float("nan")]], [1, 2], "finite"),
        ([1, 2, 3], [1, 2, 3], "must be"),
    ],
)
def test_refusals(design, y, text):
    with pytest.raises(ValueError, match=text):
        fit_linear(design, y)


def test_both_ways_with_small_x_errors_is_the_plain_line():
    rng = np.random.default_rng(6)
    x = np.linspace(0, 5, 30)
    y = 1.5 * x - 2 + rng.normal(0, 0.2, 30)
    both, plain = fit_line_both(x, y, 1e-7, 0.2), fit_line(x, y, 0.2)
    np.testing.assert_allclose([both.intercept, both.slope], plain.coefficients, rtol=1e-8)
    np.testing.assert_allclose(both.covariance, plain.covariance, rtol=1e-6)


def test_both_ways_is_symmetric():
    """Swapping x and y gives the same line, which plain regression does not."""
    rng = np.random.default_rng(8)
    t = np.linspace(0, 5, 40)
    x, y = t + rng.normal(0, 0.3, 40), 2 * t + 1 + rng.normal(0, 0.5, 40)
    a, b = fit_line_both(x, y, 0.3, 0.5), fit_line_both(y, x, 0.5, 0.3)
    assert b.slope == pytest.approx(1 / a.slope, rel=1e-9)
    assert b.intercept == pytest.approx(-a.intercept / a.slope, rel=1e-8)


def test_both_ways_refusals():
    with pytest.raises(ValueError, match="all x are equal"):
        fit_line_both([1, 1, 1], [1, 2, 3], 0.1, 0.1)
    with pytest.raises(ValueError, match="sigma positive"):
        fit_line_both([1, 2], [1, 2], 0.0, 0.1)
