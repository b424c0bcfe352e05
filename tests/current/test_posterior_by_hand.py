"""The posterior behind the current curves against the textbook's formulas, written out pair by pair.

Rasmussen and Williams, "Gaussian Processes for Machine Learning", 2006, equations 2.23, 2.24 and 2.30 (from memory);
scipy's normal distribution for the evidence.
"""

from dataclasses import replace
from datetime import UTC, datetime
from math import exp, log

import numpy as np
import pytest
from scipy.optimize import isotonic_regression
from scipy.stats import multivariate_normal

from apertrue.current.crossover import Crossover
from apertrue.current.pairs import GunState, Pair
from apertrue.current.posterior import Hyper, Posterior, arrays_of, session_crossover, side_of

AT = datetime(2026, 1, 5, tzinfo=UTC)
CROSS = Crossover(1.0, 0.1, 0.2, (0.1, 0.2, 0.3), {"a": (1.5, 0.05)}, {}, 9)
#: Two sessions, both sides; of session "a" pictures tell the crossover, of "b" nothing does.
READ = [
    (11.0, 500.0, "a", 0.02),
    (21.0, 300.0, "a", 0.03),
    (41.0, 90.0, "a", 0.02),
    (13.0, 420.0, "b", 0.02),
    (31.0, 180.0, "b", 0.04),
    (-9.0, 2500.0, "a", 0.02),
    (-29.0, 700.0, "b", 0.02),
]
PAIRS = [Pair(f, c, c, s, None, GunState(), name, AT) for f, c, name, s in READ]
SLOPE = -1.2  # prior slope of ln I in x


@pytest.fixture
def data():
    return arrays_of(PAIRS, CROSS)


@pytest.fixture
def posterior(data):
    return Posterior(data, CROSS, None)


def written_out(data, slope, h):
    """Prior covariance of the pairs, element by element."""
    n = len(PAIRS)
    out = np.zeros((n, n))
    for i, (p, x) in enumerate(zip(PAIRS, data.x, strict=True)):
        for j, (q, z) in enumerate(zip(PAIRS, data.x, strict=True)):
            if (p.focus > 0) == (q.focus > 0):
                out[i, j] += 9.0 + 0.64 * x * z + h.amplitude**2 * exp(-0.5 * ((x - z) / h.length) ** 2)
            if p.session == q.session:
                step = 0.05 if p.session == "a" else h.wander
                out[i, j] += h.emission**2
                out[i, j] += step**2 * slope[i] * data.to_focus[i] * slope[j] * data.to_focus[j]
        out[i, i] += p.log_sigma**2 + h.noise**2
    return out


def test_pairs_become_distances_from_their_own_sessions_crossover(data):
    d = np.array([9.5, 19.5, 39.5, 12.0, 30.0, 10.5, 30.0])
    d0 = 0.25 * np.quantile(d, 0.9)
    assert data.d0 == pytest.approx(d0)
    assert data.x == pytest.approx(0.5 * np.log(1 + (d / d0) ** 2))
    # A step of the crossover toward a pair of the positive side shortens its distance.
    sign = np.array([1, 1, 1, 1, 1, -1, -1])
    nudged = 0.5 * np.log(1 + ((d - 1e-6 * sign) / d0) ** 2)
    assert data.to_focus == pytest.approx((nudged - data.x) / 1e-6, rel=1e-4)
    assert data.side.tolist() == [0, 0, 0, 0, 0, 1, 1]
    assert data.session.tolist() == [0, 0, 0, 1, 1, 0, 1]
    assert data.names == ("a", "b")
    assert data.prior_shift[0] == 0.05
    assert np.isnan(data.prior_shift[1])
    assert (data.y, data.own) == (
        pytest.approx(np.log([c for _, c, _, _ in READ])),
        pytest.approx([s for _, _, _, s in READ]),
    )
    # The grid reaches from the crossover to 1.6 times the farthest pair.
    assert len(data.x_grid) == 49
    assert (data.x_grid[0], data.x_grid[-1]) == (0.0, pytest.approx(0.5 * log(1 + (1.6 * 39.5 / d0) ** 2)))
    assert np.diff(data.x_grid) == pytest.approx(np.full(48, data.x_grid[-1] / 48))


def test_a_pair_beyond_the_crossover_lies_at_it():
    wrong = [*PAIRS, replace(PAIRS[0], side="negative")]
    assert arrays_of(wrong, CROSS).x[-1] == 0.0
    assert side_of(PAIRS[0], 11.0) == "positive"
    assert side_of(PAIRS[0], 11.1) == "negative"
    assert session_crossover(CROSS, "a") == (1.5, 0.05)
    assert session_crossover(CROSS, "b") == (1.0, None)


def test_the_weights_are_evidence_times_prior(data, posterior):
    """Each choice of what is averaged over, by scipy's density; those e⁻⁶ below the best are dropped."""
    mean = posterior.mean
    for side, chosen in ((0, data.side == 0), (1, data.side == 1)):
        level = (data.y - SLOPE * data.x)[chosen].mean()
        assert mean[chosen] == pytest.approx(level + SLOPE * data.x[chosen])
        assert posterior.level[side] == pytest.approx(level)
    all_ = {
        h: float(multivariate_normal.logpdf(data.y, mean, written_out(data, posterior.slope, h))) + h.log_prior
        for h in posterior.hypers
    }
    top = max(all_.values())
    kept = {h: w for w, h in posterior.parts}
    assert max(kept.values()) == 1.0
    assert posterior.best == max(all_, key=all_.get)
    for h in posterior.hypers:
        assert (h in kept) is (all_[h] - top > -6.0)
        if h in kept:
            assert kept[h] == pytest.approx(exp(all_[h] - top), rel=1e-5)


def test_left_out_scores_are_those_of_the_other_pairs_prediction(data, posterior):
    """Each pair predicted from all others by the conditional normal distribution (2.23, 2.24)."""
    k = written_out(data, posterior.slope, posterior.best)
    z, rest = posterior.left_out()
    for i in range(len(PAIRS)):
        others = np.delete(np.arange(len(PAIRS)), i)
        solve = np.linalg.solve(k[np.ix_(others, others)], k[others, i])
        predicted = posterior.mean[i] + solve @ (data.y - posterior.mean)[others]
        variance = k[i, i] - solve @ k[others, i]
        assert rest[i] == pytest.approx(data.y[i] - predicted, rel=1e-6)
        assert z[i] == pytest.approx((data.y[i] - predicted) / np.sqrt(variance), rel=1e-6)


@pytest.mark.parametrize("today", [None, "a", "b"])
def test_draws_have_the_textbooks_mean_and_covariance(data, today):
    """4000 draws of one choice: curves of both sides, emission and crossover step of today, or of a new session."""
    p = Posterior(data, CROSS, today)
    h = Hyper(0.25, 0.9, 0.08, 0.3, 0.02, 0.0)
    p.parts = [(1.0, h)]
    n = 4000
    curves, gain, shift, noise = p.draw(n, np.random.default_rng(4))
    assert noise.tolist() == [0.02] * n
    points = (0, 12, 30)  # of the grid
    sample = np.column_stack([*(curves["positive"][:, k] for k in points), curves["negative"][:, 12], gain, shift])
    k = written_out(data, p.slope, h)
    grid = [*((0, data.x_grid[i]) for i in points), (1, data.x_grid[12])]
    wander = {None: 0.3, "a": 0.05, "b": 0.3}[today]
    size = len(grid) + 2
    cross, prior, mean = np.zeros((size, len(PAIRS))), np.zeros((size, size)), np.zeros(size)

    def curve(x, z):
        return 9.0 + 0.64 * x * z + h.amplitude**2 * exp(-0.5 * ((x - z) / h.length) ** 2)

    for i, (side, x) in enumerate(grid):
        mean[i] = p.level[side] + SLOPE * x
        for j, z in enumerate(data.x):
            cross[i, j] = curve(x, z) if data.side[j] == side else 0.0
        for j, (other, z) in enumerate(grid):
            prior[i, j] = curve(x, z) if other == side else 0.0
    prior[-2, -2], prior[-1, -1] = h.emission**2, wander**2
    for j, pair in enumerate(PAIRS):
        if pair.session == today:
            cross[-2, j], cross[-1, j] = h.emission**2, wander**2 * p.slope[j] * data.to_focus[j]
    solve = np.linalg.solve(k, cross.T).T
    mean = mean + solve @ (data.y - p.mean)
    covariance = prior - solve @ cross.T
    sigma = np.sqrt(np.diag(covariance))
    # 4.5σ of the sampling error: of six means and 21 covariances hardly one in 10 000 is so far off.
    assert (np.abs(sample.mean(axis=0) - mean) < 4.5 * sigma / np.sqrt(n) + 1e-6).all()
    off = (np.cov(sample.T) - covariance) / np.outer(sigma, sigma)
    assert np.abs(off).max() < 4.5 * np.sqrt(2 / n)


def test_draws_come_in_proportion_to_the_weights(posterior):
    parts = [(3.0, Hyper(0.25, 0.9, 0.0, 0.1, 0.01, 0.0)), (1.0, Hyper(0.25, 0.9, 0.0, 0.1, 0.05, 0.0))]
    small = (1e-9, Hyper(0.25, 0.9, 0.0, 0.1, 0.9, 0.0))
    p = Posterior(posterior.data, CROSS, None)
    p.parts = [parts[0], small, parts[1]]
    curves, gain, shift, noise = p.draw(400, np.random.default_rng(0))
    assert {v: int((noise == v).sum()) for v in set(noise.tolist())} == {0.01: 300, 0.05: 100}
    assert (curves["positive"].shape, gain.shape, shift.shape) == ((400, 49), (400,), (400,))


def test_the_curves_own_slope_carries_a_step_of_the_crossover(data, posterior):
    """A first mean curve of each side (2.25 on the grid), made to fall by scipy's regression, and its slope there."""
    first = posterior.hypers[len(posterior.hypers) // 2]
    k = written_out(data, np.full(len(PAIRS), SLOPE), first)
    weights = np.linalg.solve(k, data.y - posterior.mean)
    for side in (0, 1):
        mine = data.side == side
        distance = data.x_grid[:, None] - data.x[None, mine]
        prior = 9.0 + 0.64 * data.x_grid[:, None] * data.x[None, mine]
        prior = prior + first.amplitude**2 * np.exp(-0.5 * (distance / first.length) ** 2)
        mean = posterior.level[side] + SLOPE * data.x_grid + prior @ weights[mine]
        falling = isotonic_regression(mean, increasing=False).x
        slope = np.interp(data.x[mine], data.x_grid, np.gradient(falling, data.x_grid))
        assert posterior.slope[mine] == pytest.approx(slope, rel=1e-6)
    assert (posterior.slope < 0).all()


@pytest.mark.parametrize(("wanders", "measured"), [((0.1, 0.3), True), ((), False)])
def test_what_is_averaged_over_spans_what_guns_do(data, wanders, measured):
    """From a gun that holds to one that wanders: the span decides how honest the intervals of few pairs are."""
    p = Posterior(data, replace(CROSS, wanders=wanders), None)
    farthest = 39.5
    names = ("amplitude", "length", "emission", "wander", "noise")
    span = {n: sorted({getattr(h, n) for h in p.hypers}) for n in names}
    assert (span["amplitude"][0], span["amplitude"][-1]) == (0.08, 0.6)  # bends of 8 to 60 %
    assert (span["emission"][0], span["emission"][-1]) == (0.0, 0.5)
    assert (span["noise"][0], span["noise"][-1]) == (0.0, 0.12)
    assert (span["length"][0], span["length"][-1]) == (0.35, 0.9)
    # Measured crossovers tell their own wander, else up to a twentieth of the farthest pair's distance counts.
    unmeasured = pytest.approx([0.0, 0.005 * farthest, 0.015 * farthest, 0.05 * farthest])
    assert span["wander"] == ([0.1, 0.3] if measured else unmeasured)
    assert len(p.hypers) == np.prod([len(v) for v in span.values()])
    # What is rare counts less from the start: the most and the least of the gun's changes.
    weight = {h: exp(h.log_prior) for h in p.hypers}

    def share(name, value):
        return sum(w for h, w in weight.items() if getattr(h, name) == value) / sum(weight.values())

    assert share("emission", 0.5) < share("emission", 0.0) < share("emission", 0.03) == share("emission", 0.08)
    assert share("noise", 0.12) < share("noise", 0.05) < share("noise", 0.0) == share("noise", 0.02)
    assert share("amplitude", 0.6) < share("amplitude", 0.08) == pytest.approx(share("amplitude", 0.25))
    assert share("length", 0.35) == pytest.approx(0.5)
    if not measured:
        none, little, more, most = (share("wander", v) for v in span["wander"])
        assert none == pytest.approx(most)
        assert most < little == pytest.approx(more)
