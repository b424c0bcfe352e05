"""Formulas of the room against numbers worked out by hand: what mutation testing found that no other test sees."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import hypot, sqrt

import numpy as np
import pytest

from apertrue.current.answers import covered_foci, current_at, focus_for, off_curve
from apertrue.current.curve import fit_current
from apertrue.current.entries import offset_of
from apertrue.current.pairs import METER_SIGMA, pairs_from_records
from apertrue.current.recall import _growth, summarize_recalls
from apertrue.current.switching import switching

T0 = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


def look(minutes, x, y=0.0, side="positive", **more):
    return {
        "kind": "picture",
        "at": T0 + timedelta(minutes=minutes),
        "focus_side": side,
        "offset_x_percent": x,
        "offset_y_percent": y,
        "offset_x_percent_sigma": 0.3,
        "offset_y_percent_sigma": 0.2,
        **more,
    }


def event(kind, minutes, **more):
    return {"kind": kind, "at": T0 + timedelta(minutes=minutes), **more}


def test_errors_without_a_stated_correlation_are_independent():
    _, covariance = offset_of(look(0, 1.0))
    assert covariance == pytest.approx(np.diag([0.09, 0.04]))
    _, covariance = offset_of(look(0, 1.0, offset_xy_correlation=0.5))
    assert covariance[0, 1] == pytest.approx(0.5 * 0.3 * 0.2)


# --- switching sides --------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("between", "compared"),
    [
        (event("state", 5, changed=("kv",)), 1),
        (event("state", 5, changed=("monochromator", "emission")), 1),
        (event("state", 5, changed=("magnification",)), 2),
        (event("state", 5), 2),
        (event("recall", 5, setting="a"), 1),
        (event("note", 5, note="x"), 2),
        (look(5, None), 2),  # nothing measured
    ],
)
def test_what_ends_a_comparison(between, compared):
    found = switching([look(0, 1.0), between, look(10, 1.5), look(20, 2.0)], rng=np.random.default_rng(0))
    assert (found.n_switched, found.n_control) == (0, compared)


def test_a_change_counts_beyond_its_noise_per_hour():
    # (5, 0) in a quarter of an hour; of the 25 %² both pictures' doubt makes 2 · (0.09 + 0.04).
    found = switching([look(0, 0.0), look(15, 5.0)], rng=np.random.default_rng(0))
    assert found.rms_control_percent == pytest.approx(sqrt((25 - 0.26) / 0.25))


# --- pairs ------------------------------------------------------------------------------------------------------------
def test_a_pairs_doubt_is_that_of_meter_and_score():
    row = {"gun_focus": 40.0, "current_pa": 80.0, "score": 80.0, "score_sigma": 4.0, "source": "log 7", "file": "x.tif"}
    (pair,) = pairs_from_records([row]).pairs
    assert pair.centered_pa == pytest.approx(100.0)
    assert pair.log_sigma == pytest.approx(hypot(METER_SIGMA, 4.0 / 80.0))
    assert pair.source == "log 7"
    assert pairs_from_records([{**row, "source": None}]).pairs[0].source == "x.tif"


def test_the_halo_does_not_grow_with_centering():
    row = {"gun_focus": 40.0, "current_pa": 80.0, "score": 80.0, "score_sigma": 1.0, "halo_fraction": 0.25}
    (pair,) = pairs_from_records([row]).pairs
    assert pair.centered_pa == pytest.approx(60.0 / 0.8 + 20.0)


# --- recalls ----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("wanted_f", "significant"), [(5.6, False), (5.95, True)])
def test_a_drift_is_beyond_chance_from_the_f_distributions_table_on(wanted_f, significant):
    """Eight recalls: Hotelling's T² · 5/12 follows F(2, 5), whose 95 % point is 5.79 in every table."""
    days = 7.0 * np.arange(8)
    t = np.arange(8) - 3.5
    basis = np.linalg.qr(np.stack([np.ones(8), t, *np.random.default_rng(1).normal(size=(2, 8))], axis=1))[0]
    rest = basis[:, 2:] * sqrt(6.0)  # two independent residuals of variance 1 with 8 − 2 degrees of freedom
    slope = sqrt(wanted_f / (42.0 * 5 / 12))
    (length, sigma), found = _growth(days, slope * t[:, None] * [0.6, 0.8] + rest)
    assert length == pytest.approx(slope)
    assert sigma == pytest.approx(1 / sqrt(42.0))
    assert found is significant


def test_recalls_are_told_with_their_numbers():
    rng = np.random.default_rng(3)
    one = [event("recall", 0, setting="a"), look(4, 3.0, 4.0)]
    (told,) = summarize_recalls(one)
    assert told.sentences[0].startswith("Setting a on the positive side, recalled once: the beam was off by 5.0 %")
    many = []
    for week in range(8):
        start = 7 * 24 * 60 * week
        x, y = np.array([1.5 * week, 0.0]) + rng.normal(0.0, 0.2, 2)
        many += [event("recall", start, setting="a"), look(start + 4, float(x), float(y))]
    (told,) = summarize_recalls(many)
    length, sigma = told.growth_percent_per_week
    assert told.growth_significant
    assert "recalled 8 times" in told.sentences[0]
    assert f"drifts away by {length:.1f} ± {sigma:.1f} % a week" in told.sentences[1]
    assert f"after about {5.0 / length:.1f} weeks" in told.sentences[1]


# --- curves -----------------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def model():
    """Three currents at two foci of one side: the least that gives a curve."""
    rows = [
        {"gun_focus": f, "current_pa": c, "score": 100.0, "score_sigma": 0.1, "taken_at": T0 + timedelta(minutes=m)}
        for m, (f, c) in enumerate(((20.0, 400.0), (20.5, 398.0), (60.0, 100.0)))
    ]
    rows[1]["gun_focus"] = 20.0
    return fit_current(pairs_from_records(rows).pairs, rng=np.random.default_rng(20))


def test_three_currents_at_two_foci_give_a_curve(model):
    assert list(model.curves) == ["positive"]
    assert covered_foci(model, "positive") == pytest.approx((20.0, 60.0), abs=0.5)


def test_todays_own_crossover_moves_all_readings(model):
    moved = replace(model, today="now", crossover=replace(model.crossover, by_session={"now": (4.0, 0.1)}))
    shift = 4.0 - model.crossover.focus
    before, after = (covered_foci(m, "positive") for m in (model, moved))
    assert after == pytest.approx((before[0] + shift, before[1] + shift))
    # Of another session nothing is said of today's.
    other = replace(moved, today="later")
    assert covered_foci(other, "positive") == pytest.approx(before)
    assert current_at(moved, 40.0 + shift).current_pa == pytest.approx(current_at(model, 40.0).current_pa)


def test_todays_current_is_called_above_or_below_the_curve(model):
    for factor, word in ((0.3, "below"), (3.0, "above")):
        row = {"gun_focus": 40.0, "current_pa": factor * current_at(model, 40.0).current_pa, "score": 100.0}
        got = off_curve(model, pairs_from_records([row]).pairs)
        assert got.unusual
        assert got.factor == pytest.approx(factor, rel=0.05)
        assert f"{word} what chance" in got.sentences[0]


def test_a_side_without_a_curve_answers_nothing(model):
    got = focus_for(model, 50.0, "negative")
    assert (got.current_pa, got.focus, got.probability, got.current_range_pa) == (50.0, None, 0.0, None)
    too_much = focus_for(model, 1e6, "positive")
    assert (too_much.current_pa, too_much.focus) == (1e6, None)
    assert "more than the curve gives" in too_much.sentences[0]
