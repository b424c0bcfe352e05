"""Statistics of pictures that come in sessions, against independent calculations and by repeated simulation."""

import itertools

import numpy as np
import pytest
from scipy import stats

from apertrue.audit.statistics import (
    change_point,
    clustered_mean,
    clustered_quantile,
    compare_sessions,
    holm,
    session_means,
    shape_of,
    trend,
)


def test_clustered_mean_is_that_of_statsmodels() -> None:
    """statsmodels' OLS on a constant with cluster-robust covariance (confirmed by running it; its factor also has
    (n − 1)/(n − 1) = 1 for one parameter)."""
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(1)
    groups = rng.integers(0, 12, 90)
    y = rng.normal(size=12)[groups] + rng.normal(size=90)
    fit = sm.OLS(y, np.ones(90)).fit(cov_type="cluster", cov_kwds={"groups": groups})
    ours = clustered_mean(y, [int(g) for g in groups])
    assert ours is not None
    assert (ours.value, ours.sigma) == pytest.approx((fit.params[0], fit.bse[0]), rel=1e-12)
    assert (ours.n, ours.groups) == (90, 12)


def test_means_without_enough_to_tell() -> None:
    assert clustered_mean([], []) is None
    one = clustered_mean([1.0, 3.0], ["a", "a"])
    assert one is not None
    assert (one.value, one.sigma) == (2.0, None)
    assert session_means([1, 3, 10], ["a", "a", "b"]).tolist() == [2.0, 10.0]


def test_quantile_doubt_grows_when_pictures_share_their_fate() -> None:
    rng = np.random.default_rng(2)
    shared = np.repeat(rng.normal(size=20), 10)
    groups = [str(i // 10) for i in range(200)]
    together = clustered_quantile(shared, groups, 0.5, np.random.default_rng(3))
    apart = clustered_quantile(shared, [str(i) for i in range(200)], 0.5, np.random.default_rng(3))
    assert together is not None
    assert apart is not None
    assert together.sigma is not None
    assert apart.sigma is not None
    assert together.sigma > 1.5 * apart.sigma


def test_exact_permutation_p_by_enumeration() -> None:
    first, second = [1.0, 2.0, 4.0], [3.0, 7.0, 8.0, 9.0]
    d = compare_sessions(first, "abc", second, "defg", np.random.default_rng(0))
    assert d is not None
    pool = np.array(first + second)
    seen = abs(np.mean(second) - np.mean(first))
    ways = [
        abs(np.delete(pool, list(c)).mean() - pool[list(c)].mean()) >= seen - 1e-12
        for c in itertools.combinations(range(7), 3)
    ]
    assert d.exact
    assert d.p_value == pytest.approx(np.mean(ways))
    welch = stats.ttest_ind(second, first, equal_var=False).confidence_interval(0.95)
    assert (d.low, d.high) == pytest.approx((welch.low, welch.high))


def test_honest_where_pictures_of_a_session_are_alike() -> None:
    """No difference, but sessions differ: a naive t test over pictures cries wolf, ours keeps its 5 %.

    400 trials at 5 %: 99.9 % acceptance is 8 to 35 hits (binomial).
    """
    rng = np.random.default_rng(11)
    ours = naive = 0
    for _ in range(400):
        a, b = (np.repeat(rng.normal(size=6), 15) + 0.3 * rng.normal(size=90) for _ in range(2))
        groups = [i // 15 for i in range(90)]
        d = compare_sessions(a, groups, b, groups, rng)
        assert d is not None
        ours += d.p_value <= 0.05
        naive += stats.ttest_ind(a, b).pvalue <= 0.05
    assert 8 <= ours <= 35
    assert naive > 150


def test_too_few_sessions_are_not_compared() -> None:
    assert compare_sessions([1, 2, 3], "aab", [1, 2, 3], "abc", np.random.default_rng(0)) is None


def test_trend_is_scipys_line() -> None:
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(0, 200 * 86400, 30))
    y = 3 + 0.4 * t / (30.44 * 86400) + rng.normal(0, 0.5, 30)
    ours, ref = trend(t, y), stats.linregress(t / (30.44 * 86400), y)
    assert ours is not None
    assert (ours.slope, ours.sigma, ours.p_value) == pytest.approx((ref.slope, ref.stderr, ref.pvalue))
    assert trend(t[:3], y[:3]) is None
    assert trend([5.0] * 6, y[:6]) is None


def test_a_step_is_found_with_honest_doubt() -> None:
    """Of 200 simulated steps, the stretch that claims 90 % holds the true place in 99.9 % acceptance of 166 to 194."""
    rng = np.random.default_rng(5)
    hits = clear = 0
    for _ in range(200):
        place = int(rng.integers(6, 24))
        y = rng.normal(size=30) + 1.8 * (np.arange(30) >= place)
        found = change_point(y, rng, draws=19)
        assert found is not None
        hits += found.early <= place <= found.late
        clear += found.p_value <= 0.05
    assert hits >= 166
    assert clear > 150  # a step of 1.8 σ is usually seen


def test_no_step_is_rarely_found() -> None:
    """200 series without a step at 5 %: 99.9 % acceptance is up to 22 hits."""
    rng = np.random.default_rng(6)
    found = [change_point(rng.normal(size=25), rng, draws=99) for _ in range(200)]
    assert sum(f is not None and f.p_value <= 0.05 for f in found) <= 22
    assert change_point([1, 2, 3, 4, 5, 6], rng) is None


def test_holm_is_that_of_statsmodels() -> None:
    """statsmodels' multipletests (confirmed by running it)."""
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p = [*np.random.default_rng(7).uniform(0, 0.2, 9), 0.001, 0.001]
    assert holm(p) == pytest.approx(list(multitest.multipletests(p, method="holm")[1]))
    assert holm([]) == []


def test_a_creep_is_called_a_creep_and_a_step_a_step() -> None:
    """Of 60 series each, both clear: a step is claimed of a creep in under 1 of 10, a step is mostly seen as one.

    A series without either is called flat but for the 2 % that two tests at 1 % let through (99.9 %: up to 6 of 60).
    """
    rng = np.random.default_rng(8)
    t = np.arange(36.0) * 5 * 86400

    def shapes(clean: np.ndarray) -> list[str]:
        out = []
        for _ in range(60):
            y = clean + rng.normal(size=36)
            out.append(shape_of(t, y, trend(t, y), change_point(y, rng, draws=199), level=0.01))
        return out

    creeping, stepping, flat = (
        shapes(np.linspace(0, 4, 36)),
        shapes(3.0 * (np.arange(36) >= 17)),
        shapes(np.zeros(36)),
    )
    assert creeping.count("step") <= 6
    assert creeping.count("line") >= 50
    assert stepping.count("step") >= 45
    assert flat.count("flat") >= 54
