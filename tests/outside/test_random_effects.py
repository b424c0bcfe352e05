"""Random effects: the BCG trials' heterogeneity as published, and both classic estimators by an independent library."""

import numpy as np
import pytest
from scipy.optimize import brentq
from statsmodels.stats.meta_analysis import combine_effects

from apertrue.burst import random_effects
from apertrue.burst.effects import _excess

SOURCE = {
    "author": "G. A. Colditz and others; R. DerSimonian, N. Laird; R. C. Paule, J. Mandel",
    "title": "Efficacy of BCG vaccine (13 trials); Meta-analysis in clinical trials; Consensus values and weighting factors",
    "year": "1994; 1986; 1982",
    "place": "JAMA 271:698–702 (Q 152.23, 12 degrees of freedom in accounts of it); statsmodels combine_effects",
    "how": "confirmed",
}

# Per trial: cases and others among the vaccinated, cases and others among the controls.
BCG = np.array([
    [4, 119, 11, 128], [6, 300, 29, 274], [3, 228, 11, 209], [62, 13536, 248, 12619], [33, 5036, 47, 5761],
    [180, 1361, 372, 1079], [8, 2537, 10, 619], [505, 87886, 499, 87892], [29, 7470, 45, 7232], [17, 1699, 65, 1600],
    [186, 50448, 141, 27197], [5, 2493, 3, 2338], [27, 16886, 29, 17825],
])  # fmt: skip


@pytest.fixture(scope="module")
def trials():
    a, b, c, d = BCG.T.astype(float)
    return np.log(a / (a + b) / (c / (c + d))), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def test_heterogeneity(check, trials):
    y, v = trials
    w = 1 / v
    q = float(w @ (y - w @ y / w.sum()) ** 2)
    check("Q of the log risk ratios", q, 152.23, tol=0.005)
    # Our moments with inverse-variance weights are DerSimonian and Laird's.
    dl = float(_excess(y[:, None], v[:, None, None], w / w.sum())[0, 0])
    check("τ², from Q by hand", dl, (q - 12) / (w.sum() - (w**2).sum() / w.sum()), tol=1e-12)
    theirs = combine_effects(y, v, method_re="chi2")
    check("τ² (DerSimonian–Laird), statsmodels", dl, theirs.tau2, tol=1e-10)


def test_paule_mandel(check, trials):
    y, v = trials
    ours = random_effects(y[:, None], v[:, None, None])
    theirs = combine_effects(y, v, method_re="iterated", atol=1e-12)
    check("τ² (Paule–Mandel), statsmodels", ours.jitter[0, 0], theirs.tau2, tol=1e-8)
    check("mean, statsmodels", ours.mean[0], theirs.mean_effect_re, tol=1e-8)
    sigma = float(np.sqrt(ours.within + ours.between)[0, 0])
    check("σ of the mean before widening, statsmodels", sigma, theirs.sd_eff_w_re, tol=1e-8)


@pytest.mark.parametrize("seed", [4, 193, 257, *range(1000, 1020)])
def test_definition(seed):
    """Q(τ²) = n − 1, solved by scipy (for some of these sets the library's own iteration stops at 0)."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 12))
    v = rng.uniform(0.2, 3.0, n)
    y = rng.normal(0, np.sqrt(v + rng.uniform(0, 4)))

    def q(t):
        w = 1 / (v + t)
        return w @ (y - w @ y / w.sum()) ** 2 - (n - 1)

    expected = brentq(q, 0, 1e4, xtol=1e-13) if q(0) > 0 else 0.0
    ours = random_effects(y[:, None], v[:, None, None])
    assert ours.jitter[0, 0] == pytest.approx(expected, abs=1e-8)
    w = 1 / (v + expected)
    assert ours.mean[0] == pytest.approx(w @ y / w.sum(), abs=1e-7)
