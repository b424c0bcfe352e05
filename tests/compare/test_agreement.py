"""The test of agreement and the edge-based center, against statistics and direct simulation."""

import numpy as np
import pytest

from apertrue.compare.agreement import Point2, agreement, chi2_tail, edge_center


def test_chi2_tails_against_scipy():
    from scipy.stats import chi2

    for value in (0.0, 0.5, 3.0, 5.99146455, 20.0):
        for dof in (1, 2):
            assert chi2_tail(value, dof) == pytest.approx(float(chi2.sf(value, dof)), rel=1e-12)
    assert chi2_tail(5.99146455, 2) == pytest.approx(0.05, abs=1e-9)
    with pytest.raises(ValueError, match="one or two"):
        chi2_tail(1.0, 3)


def test_agreement_counts_correlation():
    a = Point2(1.0, 1.0, 1.0, 1.0, 0.9)
    along = agreement(a, Point2(0.0, 0.0, 0.0, 0.0))
    across = agreement(Point2(1.0, -1.0, 1.0, 1.0, 0.9), Point2(0.0, 0.0, 0.0, 0.0))
    assert along.chi2 == pytest.approx(2 / 1.9)
    assert across.chi2 == pytest.approx(2 / 0.1)
    assert along.agrees
    assert not across.agrees


def test_one_known_component():
    found = agreement(Point2(3.0, None, 0.5, None), Point2(1.0, 7.0, 0.5, 0.5))
    assert found.dof == 1
    assert found.chi2 == pytest.approx(4.0 / 0.5)
    assert found.difference.y is None
    assert agreement(Point2(3.0, None, 0.5, None), Point2(None, 1.0, None, 0.5)) is None


def test_agreement_rejects_as_often_as_it_says():
    rng = np.random.default_rng(1)
    c1, c2 = np.array([[1.0, 0.4], [0.4, 0.5]]), np.array([[0.3, -0.1], [-0.1, 0.6]])
    n = 4000
    a = rng.multivariate_normal([0, 0], c1, n)
    b = rng.multivariate_normal([0, 0], c2, n)
    wrong = sum(not agreement(Point2.of(u, c1), Point2.of(v, c2)).agrees for u, v in zip(a, b, strict=True))
    assert 22 <= wrong <= 62  # 1 % of 4000, two-sided 99.9 %


def test_edge_center_and_its_doubt():
    rng = np.random.default_rng(2)
    matrix = np.array([[4.0, 0.5], [-0.8, 3.0]])
    offset = Point2(8.0, -5.0, 0.3, 0.2, 0.4)
    c_matrix = np.diag([0.05, 0.04, 0.03, 0.06]) ** 2
    found = edge_center((2.0, 1.0), offset, matrix, c_matrix)
    np.testing.assert_allclose([found.x, found.y], np.array([2.0, 1.0]) - np.linalg.solve(matrix, [8.0, -5.0]))
    draws = rng.multivariate_normal([8.0, -5.0], offset.covariance(), 40000)
    matrices = matrix + rng.normal(size=(40000, 2, 2)) * np.sqrt(np.diag(c_matrix)).reshape(2, 2)
    moves = np.linalg.solve(matrices, draws[..., None])[..., 0]
    np.testing.assert_allclose(found.covariance(), np.cov(moves.T), rtol=0.06, atol=2e-5)
    with pytest.raises(ValueError, match="inverted"):
        edge_center((0.0, 0.0), offset, np.zeros((2, 2)), c_matrix)
    with pytest.raises(ValueError, match="both components"):
        edge_center((0.0, 0.0), Point2(1.0, None, 0.1, None), matrix, c_matrix)
