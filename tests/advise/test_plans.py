"""What each way leaves behind: doubt, drift, calibration and light enter the sums as they should."""

import re
from dataclasses import replace
from math import hypot, sqrt

import pytest
from _advise_cases import FRESH, case

from apertrue.advice import Nudge
from apertrue.advise import advise
from apertrue.advise.budget import ASSUMED, Assumed, by_hand, loss, mean_lost
from apertrue.advise.plans import direction_doubt, hand, routine_leaves, working_ratio
from apertrue.assessment import Assessment
from apertrue.instrument import Instrument, Working
from apertrue.scene import BeamProfile

I = Instrument()
STILL = replace(FRESH, drift_percent_per_h=(0.0, 0.0))


def options(offset, context=STILL, instrument=I, scene_change=None, **about):
    assessment, scene = case(offset, **about)
    if scene_change:
        scene = replace(scene, **scene_change)
    return {str(o.verdict): o for o in advise(assessment, scene, instrument, context).options}


def test_every_sum_can_be_redone_from_its_words():
    """All numbers of the budget stand in ``how``: multiplied out, they give the terms, and the terms the minutes."""
    for offset in (1.0, 8.0, 30.0):
        for option in options(offset, FRESH).values():
            assert option.minutes == pytest.approx(sum(option.terms.values()))
            for name, said in option.how.items():
                numbers = [float(v) for v in re.findall(r"\d+\.?\d*(?:e-?\d+)?", said)]
                if name == "lost current":
                    planned, f, one, again = numbers
                    assert (one, again) == (1.0, f)
                    assert option.terms[name] == pytest.approx(planned * f / (1 - f), rel=0.02, abs=0.01)
                elif name in ("moves", "hang"):
                    assert option.terms[name] == pytest.approx(numbers[0] * numbers[1], rel=0.01)
                else:
                    assert option.terms[name] == pytest.approx(numbers[0])


def test_doubt_of_the_measurement_costs():
    sure, unsure = options(0.5, sigma=0.01), options(0.5, sigma=2.0)
    assert unsure["leave"].terms["lost current"] > sure["leave"].terms["lost current"] + 0.5
    assert unsure["nudge"].terms["lost current"] > sure["nudge"].terms["lost current"]
    f = mean_lost(0.5, sqrt(2.0) * 2.0, (0.0, 0.0), 120.0, 1.0, softness=1 / 320)
    assert unsure["leave"].terms["lost current"] == pytest.approx(120 * f / (1 - f), rel=0.01)


def test_faster_drift_costs_every_way():
    slow, fast = options(2.0), options(2.0, replace(FRESH, drift_percent_per_h=(8.0, 1.0)))
    for way in ("leave", "nudge", "auto"):
        assert fast[way].minutes > slow[way].minutes + 1.0


def test_what_the_routine_usually_leaves_is_learned():
    worse = options(8.0, replace(STILL, auto_residual_percent=6.0))["auto"].minutes
    better = options(8.0, replace(STILL, auto_residual_percent=0.5))["auto"].minutes
    assert better < options(8.0)["auto"].minutes < worse


def test_a_learned_constant_is_where_the_routine_leaves_the_beam():
    known = replace(STILL, learned_offset_percent=(3.0, -4.0), auto_residual_percent=5.5)
    constant, scatter = routine_leaves(known)
    assert constant == pytest.approx(5.0)
    assert hypot(constant, scatter) == pytest.approx(5.5)  # the mean square stays what was learned
    assert routine_leaves(STILL) == (0.0, ASSUMED.auto_residual_percent)
    assert routine_leaves(replace(known, auto_residual_percent=1.0))[1] == ASSUMED.nudge_residual_percent
    # With hardly any scatter the loss is that of the constant offset.
    sure = replace(STILL, learned_offset_percent=(3.0, -4.0), auto_residual_percent=5.0)
    expected = mean_lost(5.0, ASSUMED.nudge_residual_percent, (0.0, 0.0), I.costs.planned_min, 1.0)
    auto = options(12.0, replace(sure, drift_percent_per_h=(0.0, 0.0)))["auto"]
    assert auto.terms["lost current"] == pytest.approx(
        I.costs.planned_min * loss(expected, "counts"),
        rel=0.06,  # the measured score scales it a little
    )


def test_moves_with_and_without_a_calibration():
    assessment, _ = case(12.0, sigma=0.1)
    floor = hypot(ASSUMED.nudge_residual_percent, sqrt(2.0) * 0.1)
    nudge = Nudge(3.0, -4.0, 0.6, 0.8)
    assert hand(assessment, nudge) == pytest.approx(by_hand(12.0, 0.2, ASSUMED.target_percent, floor))
    doubt = hypot(ASSUMED.trial_doubt, direction_doubt(assessment))
    moves, left = by_hand(12.0, doubt, ASSUMED.target_percent, floor)
    assert hand(assessment, None) == pytest.approx((ASSUMED.trial_moves + moves, left))


def test_a_hand_already_at_its_target_needs_no_trial():
    near, _ = case(1.5, sigma=0.05)
    moves, _ = hand(near, None)
    assert moves < 1.1
    assert hand(case(2.5, sigma=0.05)[0], None)[0] > ASSUMED.trial_moves + 0.9


def test_assumptions_come_from_the_instrument_file():
    assert Assumed.of(I.costs) == ASSUMED  # both places hold the same starting values
    usual = options(8.0, FRESH)
    costs = replace(I.costs, trial_moves=3.0, auto_left_percent=6.0, drift_percent_per_h=9.0)
    changed = options(8.0, FRESH, replace(I, costs=costs))
    assert changed["nudge"].terms["moves"] == pytest.approx(usual["nudge"].terms["moves"] + 1.0)
    assert changed["auto"].minutes > usual["auto"].minutes + 1.0
    assert changed["leave"].minutes > usual["leave"].minutes + 1.0


def test_direction_doubt_grows_to_a_guess():
    known = Assessment(offset_direction_deg=10.0, offset_direction_deg_sigma=5.0)
    assert direction_doubt(known) == pytest.approx(0.0872, abs=1e-3)  # 2 sin 2.5°
    assert direction_doubt(Assessment()) == pytest.approx(4 / 3.14159265, abs=1e-6)


def test_working_illumination():
    working = Instrument(working=Working(beam_ratio_positive=0.7, beam_ratio=0.9))
    plain = Assessment()
    assert working_ratio(plain, I, FRESH) == 1.0
    assert working_ratio(plain, working, FRESH) == 0.9
    assert working_ratio(Assessment(focus_side="positive"), working, FRESH) == 0.7
    assert working_ratio(plain, working, replace(FRESH, working_ratio=1.1)) == 1.1


def test_domed_light_loses_less_at_the_rim():
    about = {"working_score": None, "working_score_sigma": None}
    even = options(3.0, **about)["leave"].minutes
    domed = options(3.0, scene_change={"profile": BeamProfile(1.0, (-0.7,))}, **about)["leave"].minutes
    assert domed == pytest.approx(even * 0.3 / 0.65, rel=0.05)  # rim ÷ mean light of 1 − 0.7 ρ²
    unlinear = options(3.0, scene_change={"profile": BeamProfile(1.0, (-0.7,)), "levels_linear": False}, **about)
    assert unlinear["leave"].minutes == pytest.approx(even, rel=0.02)
