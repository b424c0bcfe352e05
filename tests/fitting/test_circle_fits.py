"""Circle fits against truth: exact points, noise, weights, outliers, refusals."""

import numpy as np
import pytest

from apertrue.fitting.circle import circles_through, fit_circle, fit_circle_algebraic, fit_circle_robust


def circle(x, y, r, t):
    return np.stack([x + r * np.cos(t), y + r * np.sin(t)], axis=1)


@pytest.mark.parametrize("method", ["taubin", "pratt", "kasa", "norm1"])
def test_exact_points_algebraic(method):
    fit = fit_circle_algebraic(circle(5, -3, 7, np.array([0.2, 1.1, 2.5, 4.0, 5.5])), method=method)
    np.testing.assert_allclose([fit.x, fit.y, fit.radius], [5, -3, 7], atol=1e-8)


@pytest.mark.parametrize("origin", [(0.0, 0.0), (4000.0, -3000.0)])
@pytest.mark.parametrize("arc", [0.3, 1.0, np.pi])
def test_exact_points_geometric(origin, arc):
    fit = fit_circle(circle(*origin, 200, np.linspace(-arc, arc, 60)))
    np.testing.assert_allclose([fit.x, fit.y, fit.radius], [*origin, 200], atol=1e-6)
    assert fit.converged


def test_three_points_without_sigma_have_no_covariance():
    p = circle(1, 2, 3, np.array([0.0, 2.0, 4.0]))
    assert fit_circle(p).covariance is None
    assert fit_circle(p, 0.1).sigma is not None


def test_sigma_given_is_absolute_and_unknown_follows_the_residuals():
    rng = np.random.default_rng(0)
    p = circle(10, 20, 50, rng.uniform(0, 2 * np.pi, 400)) + rng.normal(0, 0.4, (400, 2))
    half, double = fit_circle(p, 0.2), fit_circle(p, 0.4)
    np.testing.assert_allclose(half.covariance * 4, double.covariance, rtol=1e-9)
    np.testing.assert_allclose(fit_circle(p).sigma, double.sigma, rtol=0.15)
    assert double.ssq / double.dof == pytest.approx(1, abs=0.3)


def test_weights_count():
    """Points with a large σ on a wrong circle hardly pull."""
    t = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    p = np.concatenate([circle(0, 0, 50, t), circle(3, 0, 50, t)])
    s = np.repeat([0.01, 10.0], 100)
    for fit in (fit_circle(p, s), fit_circle_algebraic(p, s)):
        assert abs(fit.x) < 0.01
    assert fit_circle(p).x == pytest.approx(1.5, abs=0.1)


def test_circles_through():
    found = circles_through(np.array([circle(3, 4, 5, np.array([0.0, 1.0, 3.0])), [[0, 0], [1, 1], [2, 2]]]))
    np.testing.assert_allclose(found[0], [3, 4, 5], atol=1e-12)
    assert np.isnan(found[1]).all()


@pytest.mark.parametrize("share", [0.1, 0.3, 0.45])
def test_robust_against_outliers(share):
    rng = np.random.default_rng(7)
    n = 300
    k = int(share * n)
    p = circle(100, 80, 60, rng.uniform(0, 2 * np.pi, n)) + rng.normal(0, 0.3, (n, 2))
    p[:k] = rng.uniform(0, 200, (k, 2))
    fit = fit_circle_robust(p, rng=rng)
    error = np.abs([fit.x - 100, fit.y - 80, fit.radius - 60])
    assert (error < 4 * np.array(fit.sigma)).all()
    assert max(fit.sigma) < 0.08
    assert fit.weights[:k].mean() < 0.1
    assert abs(fit_circle(p).radius - 60) > 5 * error[2]  # the plain fit is pulled


def test_robust_against_a_second_circle():
    """A third of the points on another, concentric circle: the larger group wins."""
    rng = np.random.default_rng(2)
    p = np.concatenate([circle(50, 50, 40, rng.uniform(0, 6.28, 200)), circle(50, 50, 30, rng.uniform(0, 6.28, 100))])
    fit = fit_circle_robust(p + rng.normal(0, 0.2, p.shape), rng=rng)
    assert fit.radius == pytest.approx(40, abs=0.1)


def test_robust_sigma_is_honest():
    """Clean points: the standard score's spread near 1 (99.9 % band of 250 trials, and 12 % more)."""
    z = []
    rng = np.random.default_rng(12)
    for _ in range(250):
        p = circle(0, 0, 40, rng.uniform(-1.6, 1.6, 80))
        p *= (1 + rng.normal(0, 0.25, 80) / 40)[:, None]
        fit = fit_circle_robust(p, rng=rng, trials=60)
        z.append([fit.x / fit.sigma[0], fit.y / fit.sigma[1]])
    spread = np.square(z).mean(axis=0)
    assert (spread > 0.68).all(), spread
    assert (spread < 1.45).all(), spread


def test_robust_is_deterministic():
    p = circle(0, 0, 40, np.linspace(0, 5, 90)) + np.random.default_rng(1).normal(0, 1, (90, 2))
    a, b = (fit_circle_robust(p, rng=np.random.default_rng(3)) for _ in range(2))
    assert (a.x, a.y, a.radius) == (b.x, b.y, b.radius)


def test_radius_range_is_kept():
    rng = np.random.default_rng(2)
    p = np.concatenate([circle(50, 50, 40, rng.uniform(0, 6.28, 160)), circle(50, 50, 20, rng.uniform(0, 6.28, 160))])
    p += rng.normal(0, 0.2, p.shape)
    assert fit_circle_robust(p, rng=rng, radius_range=(10, 30), inlier_share=0.4).radius == pytest.approx(20, abs=0.2)
    with pytest.raises(ValueError, match="radius range"):
        fit_circle_robust(p, rng=rng, radius_range=(1e5, 2e5))


@pytest.mark.parametrize("fit", [fit_circle, fit_circle_algebraic])
@pytest.mark.parametrize(
    ("points", "text"),
    [
        ([[0, 0], [1, 1]], "at least 3"),
        ([[0, 0], [1, 1], [2, 2], [5, 5]], "straight line"),
        ([[1, 1]] * 4, "straight line"),
        ([[0, 0], [1, 0], [float("nan"), 1]], "finite"),
        ([0, 1, 2], "shape"),
    ],
)
def test_refusals(fit, points, text):
    with pytest.raises(ValueError, match=text):
        fit(points)


@pytest.mark.parametrize("sigma", [0.0, -1.0, [1.0, 1.0], [1.0, float("inf"), 1.0]])
def test_bad_sigma(sigma):
    with pytest.raises(ValueError, match="sigma"):
        fit_circle([[0, 0], [1, 0], [0, 1]], sigma)
    with pytest.raises(ValueError, match="method"):
        fit_circle_algebraic([[0, 0], [1, 0], [0, 1]], method="other")
