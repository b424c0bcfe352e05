"""The audit's statistics of sessions against independent libraries."""

import numpy as np
from scipy.stats import ttest_ind
from statsmodels.api import OLS
from statsmodels.stats.multitest import multipletests

from apertrue.audit.statistics import clustered_mean, compare_sessions, holm

SOURCE = {
    "author": "K.-Y. Liang, S. L. Zeger; B. L. Welch; S. Holm",
    "title": "Longitudinal data analysis using generalized linear models; The generalization of Student's problem; "
    "A simple sequentially rejective multiple test procedure",
    "year": "1986; 1947; 1979",
    "place": "Biometrika 73:13, 34:28; Scand. J. Stat. 6:65; recomputed with statsmodels and scipy",
    "how": "confirmed",
}


def test_mean_of_pictures_that_share_sessions(check):
    rng = np.random.default_rng(1)
    groups = rng.integers(0, 12, 90)
    y = rng.normal(size=12)[groups] + rng.normal(size=90)
    theirs = OLS(y, np.ones(90)).fit(cov_type="cluster", cov_kwds={"groups": groups})
    ours = clustered_mean(y, [int(g) for g in groups])
    assert ours is not None
    check("mean", ours.value, theirs.params[0], tol=1e-12)
    check("its cluster-robust σ", ours.sigma, theirs.bse[0], tol=1e-12)


def test_difference_of_two_sets_of_sessions(check):
    rng = np.random.default_rng(2)
    a, b = rng.normal(5, 1, 9), rng.normal(4, 2, 14)
    theirs = ttest_ind(b, a, equal_var=False).confidence_interval(0.95)
    ours = compare_sessions(a, list(range(9)), b, list(range(14)), rng)
    assert ours is not None
    check("95 % interval of the difference, low", ours.low, theirs.low, tol=1e-10)
    check("95 % interval of the difference, high", ours.high, theirs.high, tol=1e-10)


def test_several_questions_at_once(check):
    p = [0.001, 0.04, 0.03, 0.005, 0.7]
    for raw, ours, theirs in zip(p, holm(p), multipletests(p, method="holm")[1], strict=True):
        check(f"p = {raw:g} among five, corrected", ours, theirs, tol=1e-12)
