"""Ellipse fits against truth, an independent library, and refusals."""

import numpy as np
import pytest

from apertrue.fitting.ellipse import EllipseFit, fit_ellipse, fit_ellipse_direct, fit_ellipse_robust
from apertrue.scene import Edge


def outline(x, y, r, e1, e2, n=200, t=None):
    edge = Edge(x, y, r, e1, e2)
    t = np.linspace(0, 2 * np.pi, n, endpoint=False) if t is None else t
    return np.stack([np.cos(t), np.sin(t)], axis=1) * r @ np.linalg.inv(edge.to_round()).T + (x, y)


@pytest.mark.parametrize("e", [(0.0, 0.0), (0.13, 0.0), (-0.05, 0.1), (0.0, -0.3)])
@pytest.mark.parametrize("fit", [fit_ellipse_direct, fit_ellipse])
def test_exact_points(fit, e):
    found = fit(outline(300, -200, 80, *e))
    np.testing.assert_allclose([found.x, found.y, found.radius, found.e1, found.e2], [300, -200, 80, *e], atol=1e-6)
    a, b = found.semi_axes
    assert a * b == pytest.approx(80**2)
    assert (a - b) / (a + b) == pytest.approx(np.hypot(*e), abs=1e-8)


def test_angle_and_axes_are_the_edges():
    found = fit_ellipse(outline(0, 0, 50, 0.1, 0.08))
    edge = Edge(0, 0, 50, 0.1, 0.08)
    np.testing.assert_allclose(found.semi_axes, edge.semi_axes)
    # The edge's direction is counter-clockwise on the screen (y down), the fit's runs from +x toward +y.
    assert np.degrees(-found.angle_rad) % 180 == pytest.approx(edge.axis_deg, abs=1e-6)


def test_distances_against_brute_force():
    found = EllipseFit(3.0, -2.0, 40.0, 0.2, -0.1, None, 0.0, 0, np.ones(1))
    dense = outline(3, -2, 40, 0.2, -0.1, n=200_000)
    p = np.random.default_rng(0).uniform(-70, 70, (40, 2))
    nearest = np.array([np.hypot(*(dense - q).T).min() for q in p])
    np.testing.assert_allclose(np.abs(found.distances(p)), nearest, atol=1e-6)
    inside = np.hypot(*((p - (3, -2)) @ Edge(3, -2, 40, 0.2, -0.1).to_round().T).T) < 40
    assert ((found.distances(p) < 0) == inside).all()


def test_special_points():
    """The center, points on both axes, and a circle: no division by zero."""
    found = EllipseFit(0.0, 0.0, 10.0, 0.1, 0.0, None, 0.0, 0, np.ones(1))
    a, b = found.semi_axes
    np.testing.assert_allclose(
        found.distances(np.array([[0, 0], [0, b + 2], [a + 3, 0], [-a, 0]])), [-b, 2, 3, 0], atol=1e-7
    )
    round_one = EllipseFit(0.0, 0.0, 10.0, 0.0, 0.0, None, 0.0, 0, np.ones(1))
    np.testing.assert_allclose(round_one.distances(np.array([[0, 0], [3, 0], [6, 8]])), [-10, -7, 0], atol=1e-7)


def test_independent_minimizer_agrees():
    from scipy.optimize import least_squares

    rng = np.random.default_rng(5)
    p = outline(20, 10, 60, 0.1, -0.06, t=rng.uniform(-1.2, 2.4, 90)) + rng.normal(0, 0.8, (90, 2))
    ours = fit_ellipse(p)

    def residuals(v):  # free foot points: no formula shared with the module
        m = np.linalg.inv(Edge(0, 0, 1, v[3], v[4]).to_round())
        feet = v[2] * np.stack([np.cos(v[5:]), np.sin(v[5:])], axis=1) @ m.T + v[:2]
        return (p - feet).ravel()

    start = [ours.x + 1, ours.y - 1, ours.radius * 1.01, ours.e1, ours.e2]
    t0 = np.arctan2(p[:, 1] - ours.y, p[:, 0] - ours.x)
    theirs = least_squares(residuals, [*start, *t0], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    assert ours.ssq == pytest.approx(2 * theirs.cost, rel=1e-8)
    np.testing.assert_allclose([ours.x, ours.y, ours.radius, ours.e1, ours.e2], theirs.x[:5], atol=1e-4)


def test_sigma_is_honest():
    """300 noisy ellipses: each parameter's mean square standard score within the 99.9 % band around 1."""
    rng = np.random.default_rng(9)
    truth = np.array([0.0, 0.0, 70.0, 0.08, 0.05])
    clean = outline(*truth, n=90)
    z = []
    for _ in range(300):
        fit = fit_ellipse(clean + rng.normal(0, 0.4, clean.shape), 0.4)
        z.append((np.array([fit.x, fit.y, fit.radius, fit.e1, fit.e2]) - truth) / np.sqrt(np.diag(fit.covariance)))
    spread = np.square(z).mean(axis=0)
    assert (spread > 0.74).all(), spread  # χ² band of 300 degrees of freedom at 99.9 %: 0.75 to 1.29
    assert (spread < 1.30).all(), spread


def test_robust():
    rng = np.random.default_rng(4)
    p = outline(100, 90, 60, 0.07, -0.04, t=rng.uniform(0, 2 * np.pi, 300)) + rng.normal(0, 0.3, (300, 2))
    p[:90] = rng.uniform(20, 180, (90, 2))
    fit = fit_ellipse_robust(p, rng=rng)
    found = np.array([fit.x, fit.y, fit.radius, fit.e1, fit.e2])
    sigma = np.sqrt(np.diag(fit.covariance))
    assert (np.abs(found - [100, 90, 60, 0.07, -0.04]) < 4 * sigma).all()
    assert sigma[2] < 0.06
    assert fit.weights[:90].mean() < 0.15


@pytest.mark.parametrize(
    ("points", "text"),
    [
        ([[0, 0]] * 5, "at least 6"),
        ([[0, 0], [1, 1], [2, 2], [3, 3], [4, 4], [5, 5]], "no ellipse"),
        ([[2, 2]] * 7, "no ellipse"),
    ],
)
def test_refusals(points, text):
    with pytest.raises(ValueError, match=text):
        fit_ellipse(points)
