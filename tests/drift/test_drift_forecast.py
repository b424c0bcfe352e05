"""Forecasts against simulated truth and closed forms."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

from apertrue.drift import (
    Bank,
    DriftNoise,
    Restart,
    ScoreCurve,
    Settling,
    Sighting,
    Step,
    crossing,
    fan,
    follow,
    offset_forecast,
    ordered,
    passage_times,
    rate,
    since_restart,
)
from apertrue.drift.bank import Mixture
from apertrue.drift.forecast import quantile
from apertrue.drift.priors import Priors, Usual

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


def _benchmark(name: str):
    sys.path.insert(0, str(BENCHMARKS))
    try:
        spec = importlib.util.spec_from_file_location(f"bench_{name}", BENCHMARKS / f"{name}.py")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(BENCHMARKS))
    return module


def _line(vx=1.2, vy=-0.8, hours=3.0, n=10, sigma=0.1, seed=1, x0=0.0, y0=0.0):
    rng = np.random.default_rng(seed)
    return [
        Sighting(
            float(t), x0 + vx * t + sigma * rng.normal(), y0 + vy * t + sigma * rng.normal(), sigma**2, 0, sigma**2
        )
        for t in np.linspace(0, hours, n)
    ]


def test_intervals_hold_on_simulated_days():
    # The full study (1500 days) is benchmarks/drift.py; this is the same code on fewer days.
    bench = _benchmark("drift")
    found = bench.study("assumed", 60, 7)
    low, high = bench.band(60)
    assert (low, high) == (int(binom.ppf(0.0005, 60, 0.9)), int(binom.ppf(0.9995, 60, 0.9)))
    for name in ("x 0.5 h", "y 1 h", "x 2 h", "length 1 h", "length 4 h", "crossing time", "rate x"):
        assert low <= found[name].sum() <= high, name
    assert np.median(found["width 1"]) < 6.0  # and they are of use: common practice is ±5 % after 2–3 h


def test_rate_and_direction_of_a_steady_creep():
    found = rate(Bank.of(_line()))
    assert found is not None
    assert abs(found.x - 1.2) < 3 * found.x_sigma
    assert abs(found.y + 0.8) < 3 * found.y_sigma
    assert found.speed == pytest.approx(np.hypot(found.x, found.y))
    # y is down: a creep toward −y goes up on the screen
    assert found.direction_deg == pytest.approx(33.7, abs=3 * found.direction_deg_sigma)


def test_no_direction_when_the_creep_is_lost_in_its_doubt():
    found = rate(Bank.of(_line(vx=0.0, vy=0.0, sigma=0.5, n=4)))
    assert found is not None
    assert found.direction_deg is None
    assert found.direction_deg_sigma is None
    assert found.speed_sigma > 0


def test_known_nudges_are_taken_out_and_unknown_ones_fitted_around():
    clean = _line(n=12)
    moved = [s if s.t_h < 1.5 else Sighting(s.t_h, s.x - 4.0, s.y + 3.0, s.xx, s.xy, s.yy) for s in clean]
    plain = rate(Bank.of(clean))
    known = rate(Bank.of([*moved, Step(1.45, -4.0, 3.0, 0.01, 0.0, 0.01)]))
    unknown = rate(Bank.of([*moved, Step(1.45)]))
    for found in (known, unknown):
        assert abs(found.x - 1.2) < 3 * found.x_sigma
        assert abs(found.y + 0.8) < 3 * found.y_sigma
    assert plain.speed_sigma < unknown.speed_sigma
    assert known.speed_sigma < unknown.speed_sigma * 1.05


def test_a_move_without_an_entry_is_noticed_and_does_not_become_drift():
    track = [s if s.t_h < 1.5 else Sighting(s.t_h, s.x + 20.0, s.y, s.xx, s.xy, s.yy) for s in _line(n=12)]
    bank = Bank.of(track)
    assert len(bank.unexplained) == 1
    assert 1.5 <= bank.unexplained[0] < 1.8
    found = rate(bank)
    assert found is not None
    assert abs(found.x - 1.2) < 3 * found.x_sigma


def test_restart_ends_the_forecast():
    bank = Bank.of([*_line(), Restart(3.5)])
    assert bank.seen == 0
    assert rate(bank) is None
    assert offset_forecast(bank, 4.0, np.random.default_rng(0)) is None
    assert crossing(bank, 5.0, np.random.default_rng(0)) is None
    assert fan(bank, 5.0, np.random.default_rng(0)) is None
    again = bank.after(Sighting(4.0, 1.0, 0.0, 0.01, 0.0, 0.01))
    assert again.seen == 1
    # Nothing of the old speed is left: the speed is as doubtful as at the start.
    assert np.sqrt(again.velocity().moments[1][0, 0]) > 1.4


def test_settling_is_modeled_apart_from_the_creep():
    rng = np.random.default_rng(5)
    times = np.linspace(0.05, 4, 25)
    decay = 12.0 * np.exp(-times / 0.5)
    track = [
        Settling(0.0),
        *(
            Sighting(float(t), float(0.5 * t + d + 0.05 * rng.normal()), float(0.05 * rng.normal()), 0.0025, 0, 0.0025)
            for t, d in zip(times, decay)
        ),
    ]
    bank = Bank.of(track)
    found = rate(bank)
    assert found is not None
    assert found.settling_percent is not None
    assert abs(found.x - 0.5) < 3 * found.x_sigma
    assert found.settling_percent < 1.0
    weight = bank.weight
    assert float(weight @ bank.settle_h) == pytest.approx(0.5, rel=0.35)
    # Half an hour after the change the forecast expects the rest to go away instead of running on.
    early = Bank.of([e for e in track if e.t_h < 0.6])
    forecast = offset_forecast(early, 2.6, np.random.default_rng(0))
    assert forecast.x_interval[0] < 0.5 * 2.6 + 12 * np.exp(-2.6 / 0.5) < forecast.x_interval[1]


def test_first_passage_of_a_pure_walk_has_the_textbook_mean():
    # Mean exit time of Brownian motion from a disc: (a² − r²)/(d σ²), d = 2 (textbook, e.g. B. Øksendal; from memory).
    walk, a = 1.5, 3.0
    tiny = Usual(1e-6, 1e-3)
    priors = Priors(Usual(walk, 1e-6), tiny, ((1e-6, 1.0),), tiny)
    bank = Bank.of([Sighting(0.0, 0.0, 0.0, 1e-6, 0.0, 1e-6)], priors)
    times = passage_times(bank, a, np.random.default_rng(3), horizon_h=40.0, n=6000)
    expected = a**2 / (2 * walk**2)
    assert np.isfinite(times).all()
    assert times.mean() == pytest.approx(expected, abs=4 * times.std() / np.sqrt(len(times)) + 0.01 * expected)


def test_first_passage_of_a_steady_creep_is_distance_over_speed():
    tiny = Usual(1e-6, 1e-3)
    priors = Priors(tiny, tiny, ((10.0, 1.0),), tiny)
    bank = Bank.of([Sighting(t, 1.0 * t, 0.0, 1e-8, 0.0, 1e-8) for t in (0.0, 1.0, 2.0)], priors)
    found = crossing(bank, 5.0, np.random.default_rng(0))
    assert found.median_h == pytest.approx(3.0, abs=0.01)
    assert found.early_h == pytest.approx(3.0, abs=0.01)
    assert found.probability_now == 0.0
    far = crossing(bank, 50.0, np.random.default_rng(0))
    assert (far.early_h, far.median_h, far.probability) == (None, None, 0.0)
    over = crossing(bank, 1.0, np.random.default_rng(0))
    assert (over.late_h, over.probability_now) == (0.0, 1.0)


def test_mixture_quantiles_match_draws():
    rng = np.random.default_rng(2)
    mix = Mixture(
        np.array([0.3, 0.7]),
        np.array([[0.0, 1.0], [3.0, -1.0]]),
        np.array([[[1.0, 0.5], [0.5, 2.0]], [[0.2, 0.0], [0.0, 0.1]]]),
    )
    draws = mix.draw(200_000, rng)
    for axis in (0, 1):
        np.testing.assert_allclose(
            quantile(mix, axis, (0.05, 0.5, 0.95)), np.quantile(draws[:, axis], (0.05, 0.5, 0.95)), atol=0.03
        )
    mean, cov = mix.moments
    np.testing.assert_allclose(mean, draws.mean(0), atol=0.02)
    np.testing.assert_allclose(cov, np.cov(draws.T), atol=0.03)


def test_fan_widens_and_starts_at_the_last_picture():
    bank = Bank.of(_line())
    found = fan(bank, 6.0, np.random.default_rng(0))
    assert found.percent.shape == (5, 25)
    width = found.percent[-1] - found.percent[0]
    assert width[-1] > 4 * width[0]
    assert np.all(np.diff(found.percent, axis=0) >= 0)


def test_score_curve_gives_the_values_of_a_flat_beam_that_just_fills_the_aperture():
    # Two equal discs: 96.8 at 5 %, 87.3 at 20 % (closed form, lens area).
    curve = ScoreCurve()
    assert curve.score(5.0) == pytest.approx(96.8, abs=0.05)
    assert curve.score(20.0) == pytest.approx(87.3, abs=0.05)
    assert curve.score(curve.offset_at(97.0)) == pytest.approx(97.0, abs=1e-6)
    small = ScoreCurve(0.8)
    assert small.score(10.0) == 100.0
    assert small.offset_at(97.0) > 20.0
    wide = ScoreCurve(1.3)
    assert wide.score(20.0) == 100.0


def test_score_curve_follows_what_the_picture_showed():
    flat = ScoreCurve()
    seen = ScoreCurve.seen(1.0, 20.0, 100 - (100 - flat.score(20.0)) / 2, 0.1)
    assert seen.loss_scale == pytest.approx(0.5)
    assert seen.offset_at(97.0) > flat.offset_at(97.0)
    assert ScoreCurve.seen(1.0, 0.2, 99.9, 0.1) == flat  # too little lost to tell
    assert ScoreCurve.seen(None, None, None, None) == flat


def test_bank_one_by_one_equals_at_once_and_order_does_not_matter():
    track = [*_line(), Step(1.0, 0.5, 0.5, 0.01, 0, 0.01)]
    bank = Bank.start()
    for event in ordered(track):
        bank = bank.after(event)
    shuffled = Bank.of([track[i] for i in np.random.default_rng(0).permutation(len(track))])
    np.testing.assert_array_equal(bank.mean, shuffled.mean)
    np.testing.assert_array_equal(bank.log_weight, shuffled.log_weight)


def test_bank_weighs_parameters_like_the_single_filter():
    track = _line(n=6)
    bank = Bank.of(track, Priors())
    top = np.argsort(bank.log_weight)[-2:]
    lls = []
    for i in top:
        noise = DriftNoise(bank.walk[i], bank.wander[i], bank.start_speed[i], bank.jitter[i])
        path = follow(track, noise)
        np.testing.assert_allclose(path.mean[-1], bank.mean[i], rtol=1e-9, atol=1e-12)
        lls.append(path.log_likelihood)
    p = Priors()
    speeds = {round(v, 6): np.log(w) for v, w in p.start_speed}

    def prior(i):
        return (
            p.walk.log_density(bank.walk[i])
            + p.wander.log_density(bank.wander[i])
            + p.jitter.log_density(bank.jitter[i])
            + speeds[round(float(bank.start_speed[i]), 6)]
        )

    expected = (lls[1] + prior(top[1])) - (lls[0] + prior(top[0]))
    assert bank.log_weight[top[1]] - bank.log_weight[top[0]] == pytest.approx(expected, abs=1e-6)


def test_few_pictures_do_not_give_absurd_noise():
    for seed in range(4):
        best = Bank.of(_line(n=3, seed=seed)).best
        assert 0.05 < best.walk < 3.0
        assert 0.05 < best.wander < 5.0


def test_track_order_and_restarts():
    a, b = Sighting(1.0, 0, 0, 1, 0, 1), Step(1.0)
    assert ordered([a, b]) == (b, a)
    assert since_restart([a, Restart(2.0), Sighting(3.0, 0, 0, 1, 0, 1)]) == (Sighting(3.0, 0, 0, 1, 0, 1),)


@pytest.mark.parametrize("values", [(float("nan"), 0, 0, 1, 0, 1), (0, 0, 0, 0, 0, 1), (0, 0, 0, 1, 2, 1)])
def test_a_sighting_without_sense_is_refused(values):
    with pytest.raises(ValueError, match=r"finite|covariance"):
        Sighting(*values)


def test_a_step_is_known_in_both_axes_or_in_none():
    with pytest.raises(ValueError, match="together"):
        Step(0.0, 1.0, None)
