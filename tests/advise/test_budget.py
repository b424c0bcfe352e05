"""The budget against sums redone by hand, closed forms and plain Monte Carlo."""

from dataclasses import replace
from math import acos, pi, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apertrue.advise.budget import anchor, by_hand, disc_lost, loss, mean_lost, rim_scale
from apertrue.advise.decide import Plan, decide, price
from apertrue.instrument import Costs
from apertrue.model.transmission import PlaneBeam, lens_area, passed_fraction
from apertrue.registry import Verdict


@pytest.mark.parametrize(
    ("d", "r"), [(0.0, 1.0), (0.05, 1.0), (0.2, 1.0), (1.0, 1.0), (0.3, 0.8), (1.2, 0.5), (2.5, 1)]
)
def test_disc_lost_is_the_lens_of_textbook_geometry(d, r):
    expected = 1 - lens_area(d, r, 1.0) / lens_area(0.0, r, 1.0)
    assert float(disc_lost(np.asarray(d), r)) == pytest.approx(expected, abs=1e-12)


def test_unit_discs_one_apart():
    """2π/3 − √3/2 (textbook geometry; confirmed by recomputation)."""
    assert (1 - float(disc_lost(np.asarray(1.0), 1.0))) * pi == pytest.approx(1.22836969860876, abs=1e-12)


def test_just_filled_aperture_gives_the_working_scores_of_the_trade():
    """A flat beam that just fills the aperture scores 96.8 at 5 % and 87.3 at 20 %."""
    lost = 100 * (1 - disc_lost(np.array([0.05, 0.2]), 1.0))
    np.testing.assert_allclose(lost, [96.8, 87.3], atol=0.05)


def test_small_beam_loses_nothing_inside():
    assert float(disc_lost(np.asarray(0.19), 0.8)) == 0.0
    assert float(disc_lost(np.asarray(0.21), 0.8)) > 0.0


@pytest.mark.parametrize("dose", ["counts", "current"])
def test_loss_of_fixed_counts(dose):
    assert loss(0.2, dose) == pytest.approx(0.25 if dose == "counts" else 0.2)
    assert loss(1.0, dose) <= 99.0 + 1e-9  # a lost beam costs much, but not infinitely much


def test_mean_lost_against_monte_carlo():
    rng = np.random.default_rng(7)
    n = 150_000
    for offset, doubt, drift, minutes, ratio in [
        (0.0, 0.0, (2.0, 1.0), 120.0, 1.0),
        (4.0, 1.0, (2.0, 0.5), 120.0, 1.0),
        (12.0, 3.0, (6.0, 2.0), 240.0, 0.9),
        (0.0, 2.0, (0.0, 0.0), 60.0, 1.0),
    ]:
        hours = rng.random(n) * minutes / 60
        speed = np.maximum(rng.normal(*drift, n), 0.0)
        a, b = rng.random(n) * 2 * pi, rng.random(n) * 2 * pi
        rho = doubt * np.sqrt(rng.exponential(1.0, n))
        x = offset + hours * speed * np.cos(a) + rho * np.cos(b)
        y = hours * speed * np.sin(a) + rho * np.sin(b)
        truth = disc_lost(np.hypot(x, y) / 100, ratio).mean()
        got = mean_lost(offset, doubt, drift, minutes, ratio)
        # Quadrature with few nodes: within 4 % of the loss, which moves no verdict by more than 0.2 min.
        assert got == pytest.approx(truth, rel=0.04, abs=5e-4)


def test_anchor_meets_the_measured_score():
    even = float(disc_lost(np.asarray(0.1), 1.0))
    assert anchor(10.0, 100 * (1 - even), 1.0) == pytest.approx(1.0, rel=1e-6)
    assert anchor(10.0, 100 * (1 - 0.5 * even), 1.0) == pytest.approx(0.5, rel=1e-6)
    assert anchor(10.0, None, 1.0) == 1.0
    assert anchor(0.2, 90.0, 1.0) == 1.0  # too close to the center to tell
    assert anchor(10.0, 0.0, 1.0) == 4.0  # never by more than four


@pytest.mark.parametrize("radial", [(-0.6,), (0.5, -0.4), (0.8,)])
@pytest.mark.parametrize("ratio", [1.0, 1.3])
def test_rim_scale_against_integration(radial, ratio):
    def lost(r, d):
        return 1 - passed_fraction(PlaneBeam.round(d, 0, ratio, r)) / passed_fraction(PlaneBeam.round(0, 0, ratio, r))

    if ratio == 1.0:
        assert lost(radial, 0.02) / lost((), 0.02) == pytest.approx(rim_scale(radial, ratio), rel=0.05)
    assert 0.25 <= rim_scale(radial, ratio) <= 4


@pytest.mark.parametrize("softness", [0.01, 0.04])
@pytest.mark.parametrize("ratio", [0.9, 1.0, 1.1])
def test_soft_edges_against_integration(softness, ratio):
    best = passed_fraction(PlaneBeam.round(0, 0, ratio, softness=softness))
    for offset in (2.0, 6.0, 15.0, 30.0):
        truth = 1 - passed_fraction(PlaneBeam.round(offset / 100, 0, ratio, softness=softness)) / best
        got = mean_lost(offset, 0.0, (0.0, 0.0), 0.0, ratio, softness=softness)
        assert got == pytest.approx(truth, rel=0.06, abs=1e-3)


def test_sums_redone_by_hand():
    costs = Costs(nudge_min=1.0, auto_min=1.5, hang_probability=0.05, hang_min=15.0, planned_min=120.0)
    leave = price(Plan(Verdict.LEAVE, 0.04), costs)
    assert leave.minutes == pytest.approx(120 * 0.04 / 0.96)
    assert leave.how["lost current"] == "120 min × 0.0400/(1 − 0.0400)"
    nudge = price(Plan(Verdict.NUDGE, 0.01, 2.5), costs)
    assert nudge.terms == pytest.approx({"moves": 2.5, "lost current": 120 * 0.01 / 0.99})
    auto = price(Plan(Verdict.AUTO, 0.01), costs)
    assert auto.terms == pytest.approx({"routine": 1.5, "hang": 0.75, "lost current": 120 * 0.01 / 0.99})
    away = price(Plan(Verdict.AUTO, 0.01), replace(costs, in_alignment_view=False))
    assert away.minutes - auto.minutes == pytest.approx(6.5)
    current = price(Plan(Verdict.LEAVE, 0.04), replace(costs, dose="current"))
    assert current.minutes == pytest.approx(4.8)
    for option in (leave, nudge, auto, away, current):
        assert option.minutes == pytest.approx(sum(option.terms.values()))
        assert set(option.how) == set(option.terms)


def test_cheapest_allowed_wins_and_ties_go_to_the_mildest():
    costs = Costs()
    free = [Plan(Verdict.LEAVE, 0.1), Plan(Verdict.NUDGE, 0.0, 1.0), Plan(Verdict.AUTO, 0.0)]
    assert decide(free, costs).chosen.verdict is Verdict.NUDGE
    barred = [free[0], replace(free[1], barred_by=("nudges-failed",)), free[2]]
    assert decide(barred, costs).chosen.verdict is Verdict.AUTO
    tie = [Plan(Verdict.LEAVE, 0.0), Plan(Verdict.NUDGE, 0.0, 0.0)]
    assert decide(tie, costs).chosen.verdict is Verdict.LEAVE


def test_when_all_is_barred_the_hand_remains_never_leave():
    plans = [Plan(v, 0.0, barred_by=("x",)) for v in (Verdict.LEAVE, Verdict.NUDGE, Verdict.AUTO)]
    made = decide(plans, Costs())
    assert made.last_resort
    assert made.chosen.verdict is Verdict.NUDGE
    with pytest.raises(ValueError, match="none of them is a nudge"):
        decide(plans[:1], Costs())


def test_moves_grow_with_doubt_and_offset():
    assert by_hand(1.0, 0.05, 2.0, 0.3)[0] == pytest.approx(1.0, abs=1e-6)
    assert by_hand(20.0, 0.02, 2.0, 0.3)[0] == pytest.approx(1.0, abs=1e-6)
    for values in (
        [by_hand(20.0, q, 2.0, 0.5)[0] for q in np.linspace(0.0, 1.5, 40)],
        [by_hand(o, 0.3, 2.0, 0.5)[0] for o in np.linspace(0.0, 80.0, 40)],
    ):
        assert np.all(np.diff(values) >= -1e-12)
        assert values[-1] > values[0] + 0.5


@pytest.mark.parametrize(
    ("offset", "doubt", "floor"), [(6.0, 0.1, 0.7), (12.0, 0.2, 0.7), (20.0, 0.3, 1.0), (30.0, 0.6, 0.7)]
)
def test_moves_and_rest_against_monte_carlo(offset, doubt, floor):
    rng = np.random.default_rng(9)
    n, target = 60_000, 2.0
    at = np.full(n, offset)
    moves, active = np.zeros(n), np.ones(n, dtype=bool)
    for _ in range(8):
        moves += active
        m = np.sqrt((doubt * at) ** 2 + floor**2)
        new = m * np.sqrt(rng.exponential(1.0, n))
        at = np.where(active, new, at)
        active &= at > target
    got, left = by_hand(offset, doubt, target, floor)
    assert got == pytest.approx(moves.mean(), rel=0.05)
    # With a wild calibration the mean square after a failed move is a mean over a skewed law: within 15 %.
    assert left == pytest.approx(np.sqrt((at**2).mean()), rel=0.15)


@given(
    st.floats(0, 60),
    st.floats(0, 60),
    st.floats(0, 5),
    st.floats(0, 6),
    st.floats(1, 400),
    st.floats(0.3, 1.5),
)
def test_more_offset_never_makes_leaving_cheaper(a, b, doubt, speed, minutes, ratio):
    low, high = sorted((a, b))
    args = (doubt, (speed, speed / 2), minutes, ratio)
    f_low, f_high = mean_lost(low, *args), mean_lost(high, *args)
    assert 0.0 <= f_low <= f_high + 1e-3  # angles in 12 steps: the sum is monotone to that
    assert loss(f_low, "counts") <= loss(f_high, "counts") + 2e-3 * (1 + loss(f_high, "counts")) ** 2


@given(st.floats(0, 1), st.floats(1, 600), st.floats(0, 10), st.floats(0, 1))
def test_more_hangs_or_time_never_make_the_routine_cheaper(lost, planned, extra, hang):
    costs = Costs(planned_min=planned, hang_probability=hang)
    plan = Plan(Verdict.AUTO, lost)
    now = price(plan, costs).minutes
    assert price(plan, replace(costs, planned_min=planned + extra)).minutes >= now - 1e-9
    assert price(plan, replace(costs, hang_min=costs.hang_min + extra)).minutes >= now - 1e-9
    assert price(plan, replace(costs, in_alignment_view=False)).minutes > now


def test_lens_by_hand_formula_at_quarter():
    """One more point written out: unit discs 0.5 apart, 2 acos(d/2) − (d/2)√(4 − d²)."""
    d = 0.5
    lens = 2 * acos(d / 2) - d / 2 * sqrt(4 - d * d)
    assert float(disc_lost(np.asarray(d), 1.0)) == pytest.approx(1 - lens / pi, abs=1e-12)
