"""What history teaches: priors hold at first, data win in the end, one hang is no law."""

from dataclasses import replace

import numpy as np
import pytest

from apertrue.advise.history import (
    RoutineRun,
    hang_probability,
    learned_costs,
    learned_spread,
    recalled_offset,
    routine_residual,
)
from apertrue.instrument import Costs

COSTS = Costs()


def test_without_history_the_defaults_hold():
    assert learned_costs(COSTS, ()) == COSTS


def test_one_hang_is_not_a_law():
    once = learned_costs(COSTS, [RoutineRun(hung=True, hang_minutes=40.0)])
    assert once.hang_probability == pytest.approx((20 * 0.05 + 1) / 21)  # beta posterior mean, by hand
    assert once.hang_probability < 0.1
    assert once.hang_min == pytest.approx((2 * 15.0 + 40.0) / 3)
    assert once.auto_min == COSTS.auto_min  # a hung run says nothing about the time of a good one


def test_beta_posterior_in_the_long_run():
    assert hang_probability(0.05, 1000, 200) == pytest.approx(0.2, abs=0.005)
    assert 0 < hang_probability(0.05, 1000, 0) < 0.002


def test_time_tends_to_the_sessions_own_expectation():
    rng = np.random.default_rng(3)
    sigma = 0.35
    times = rng.lognormal(np.log(4.0), sigma, 2000)
    learned = learned_costs(COSTS, [RoutineRun(minutes=float(t)) for t in times])
    assert learned.auto_min == pytest.approx(4.0 * np.exp(sigma**2 / 2), rel=0.02)
    one = learned_costs(COSTS, [RoutineRun(minutes=6.0)])
    assert COSTS.auto_min < one.auto_min < 3.0


def test_one_absurd_time_does_not_rule():
    runs = [RoutineRun(minutes=1.5)] * 5
    assert learned_costs(COSTS, [*runs, RoutineRun(minutes=60.0)]).auto_min < 2.5


@pytest.mark.parametrize("bad", [None, 0.0, -1.0, float("nan"), float("inf")])
def test_times_that_are_none_are_left_out(bad):
    assert learned_costs(COSTS, [RoutineRun(minutes=bad, interruption_minutes=bad)]) == replace(
        COSTS, hang_probability=hang_probability(0.05, 1, 0)
    )


def test_nudges_and_interruptions():
    learned = learned_costs(COSTS, [RoutineRun(minutes=1.5, interruption_minutes=10.0)], [2.0] * 5)
    assert learned.nudge_min == pytest.approx((5 * 1.0 + 5 * 2.0) / 10)
    assert learned.auto_interrupt_min == pytest.approx((2 * 6.5 + 10.0) / 3)


def test_spread_recovers_the_truth():
    rng = np.random.default_rng(5)
    truth = 8.0  # root-mean-square length
    lengths = np.hypot(*rng.normal(0, truth / np.sqrt(2), (2, 500)))
    found = learned_spread(lengths, 15.0)
    assert abs(found.rms_percent - truth) < 3 * found.sigma
    assert found.sigma < 0.3
    assert found.observations == 500


def test_spread_prior_and_holes():
    assert recalled_offset([]).rms_percent == 15.0
    assert recalled_offset([None, float("nan")]).observations == 0
    assert recalled_offset([3.0]).rms_percent == pytest.approx(np.sqrt((3 * 225 + 9) / 4))
    runs = [RoutineRun(offset_after_percent=1.0), RoutineRun(hung=True, offset_after_percent=50.0)]
    assert routine_residual(runs).rms_percent == pytest.approx(np.sqrt((3 * 4 + 1) / 4))
