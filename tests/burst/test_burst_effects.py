"""The random-effects mean: what it must give exactly, and what it must hold on average."""

import numpy as np
import pytest

from apertrue.burst import random_effects, widening
from apertrue.burst.effects import trend


def test_equal_errors_and_no_jitter_give_the_plain_mean_and_one_over_root_n() -> None:
    values = np.array([[1.0, 2.0], [1.2, 2.2], [0.8, 1.8]])
    effects = random_effects(values, np.repeat(np.diag([1.0, 4.0])[None], 3, axis=0))
    assert effects.mean == pytest.approx([1.0, 2.0])
    assert effects.jitter == pytest.approx(np.zeros((2, 2)), abs=1e-12)
    assert effects.covariance == pytest.approx(np.diag([1.0, 4.0]) / 3)


def test_without_jitter_a_better_frame_counts_by_its_inverse_variance() -> None:
    effects = random_effects(np.array([[0.0], [0.1]]), np.array([[[1.0]], [[0.25]]]))
    assert effects.weights == pytest.approx([0.2, 0.8])
    assert effects.covariance[0, 0] == pytest.approx(1 / (1 + 4))


def test_with_much_jitter_all_frames_count_alike() -> None:
    rng = np.random.default_rng(4)
    values = rng.normal(0, 100.0, (30, 1))
    effects = random_effects(values, rng.uniform(0.1, 2.0, (30, 1, 1)))
    assert effects.weights == pytest.approx(np.full(30, 1 / 30), rel=1e-3)
    assert effects.jitter[0, 0] == pytest.approx(np.var(values, ddof=1), rel=1e-3)


def test_the_jitter_s_matrix_is_found_and_never_negative() -> None:
    rng = np.random.default_rng(5)
    truth = np.array([[1.0, 0.6], [0.6, 0.5]])
    values = rng.multivariate_normal([3.0, -1.0], truth + 0.2 * np.eye(2), 4000)
    effects = random_effects(values, np.repeat(0.2 * np.eye(2)[None], 4000, axis=0))
    assert effects.jitter == pytest.approx(truth, abs=0.06)
    for seed in range(20):
        few = np.random.default_rng(seed).normal(0, 1, (3, 2))
        assert np.linalg.eigvalsh(random_effects(few, np.repeat(np.eye(2)[None], 3, axis=0)).jitter).min() >= -1e-12


@pytest.mark.parametrize("tau", [0.0, 1.0, 4.0])
@pytest.mark.parametrize("n", [3, 6, 16])
def test_two_sigma_hold_the_truth_with_and_without_jitter(n: int, tau: float) -> None:
    """2 000 bursts of two axes. Lower limit: 94 %, which three frames of a strong jitter reach (their noise takes part of
    the scatter from the jitter), less 3.3 standard errors of the binomial count; upper: what an unproven jitter costs."""
    rng = np.random.default_rng(1000 + n)
    own = np.repeat(np.eye(2)[None], n, axis=0)
    hits = 0
    for _ in range(2000):
        effects = random_effects(rng.normal(0, np.hypot(1.0, tau), (n, 2)), own)
        hits += int((np.abs(effects.mean) < 2 * np.sqrt(np.diag(effects.covariance))).sum())
    assert 0.928 < hits / 4000 < 0.99


def test_the_jitter_s_own_sigma_holds_its_truth() -> None:
    rng = np.random.default_rng(8)
    own = np.repeat(np.eye(2)[None], 12, axis=0)
    for tau in (0.0, 2.0):
        spreads = [random_effects(rng.normal(0, np.hypot(1, tau), (12, 2)), own).spread(np.eye(2)) for _ in range(400)]
        value, sigma = np.array(spreads).T
        assert np.mean(np.abs(value - np.sqrt(2) * tau) <= 2 * sigma) > 0.9
        assert (sigma > 0).all()


def test_no_jitter_is_seldom_called_proven_and_a_large_one_always() -> None:
    rng = np.random.default_rng(9)
    own = np.repeat(np.eye(2)[None], 8, axis=0)
    false = sum(random_effects(rng.normal(0, 1, (8, 2)), own).proven(np.eye(2)) for _ in range(1000))
    assert false < 30
    assert all(random_effects(rng.normal(0, 4, (8, 2)), own).proven(np.eye(2)) for _ in range(100))


def test_the_widening_is_student_s_factor() -> None:
    # t for 95.45 % of 2, 10 and 50 degrees of freedom: JCGM 100:2008, Table G.2: 4.53, 2.28, 2.05
    assert [2 * widening(v) for v in (2, 10, 50)] == pytest.approx([4.53, 2.28, 2.05], abs=0.005)


def test_a_trend_is_told_from_a_shuffle_of_the_same_values() -> None:
    rng = np.random.default_rng(2)
    line = np.outer(np.arange(12.0), [1.0, -0.5]) + rng.normal(0, 0.3, (12, 2))
    moved, chance = trend(line)
    assert moved == pytest.approx([11.0, -5.5], abs=0.7)
    assert chance < 1e-9
    assert trend(rng.permutation(line))[1] > 0.02
    assert trend(line[:3])[1] == 1.0


def test_one_measurement_has_no_jitter() -> None:
    with pytest.raises(ValueError, match="at least two"):
        random_effects(np.zeros((1, 2)), np.eye(2)[None])
