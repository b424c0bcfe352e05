"""Answers against a current curve that is known exactly, and what a cut-off beam costs; limits and whole sentences."""

from dataclasses import replace
from math import exp, log, sqrt

import numpy as np
import pytest
from scipy.stats import norm

from apertrue.current.answers import covered_foci, current_at, focus_for, off_curve, rising_words
from apertrue.current.costs import cost_of, scale_to_aperture
from apertrue.current.crossover import Crossover
from apertrue.current.curve import CurrentModel, SideCurve
from apertrue.current.electrons import dose_rate, electrons_per_second, lorentz_factor, speed_ratio, wavelength_pm
from apertrue.current.pairs import GunState, Pair
from apertrue.current.summary import cost_record, curve_records, model_record

STATE = GunState(200.0, "3", 70.0)
N = 401
#: Draws whose quantiles are those of a normal distribution: the median is 0, 68 % lie within ±1.
NORMAL = norm.ppf((np.arange(N) + 0.5) / N)


def straight(side="positive", *, spread=0.1, reach=(10.0, 30.0), sessions=2):
    """ln I = 6 − 0.1 d up to d = 40, known to 10 % as a whole."""
    grid = np.linspace(0.0, 40.0, 9)
    return SideCurve(side, grid, 6.0 - 0.1 * grid[None, :] + spread * NORMAL[:, None], reach, 7, sessions)


def model(*curves, focus=2.0, today=None, gain=0.0, shift=0.0, noise=0.0, measured=True, rising=(), by_session=None):
    return CurrentModel(
        STATE,
        Crossover(focus, 0.1, 0.2, by_session=by_session or {}, measured=measured),
        {c.side: c for c in curves or (straight(),)},
        np.full(N, gain),
        np.full(N, shift),
        np.full(N, noise),
        today,
        (),
        (),
        rising,
    )


# --- the current at a focus -------------------------------------------------------------------------------------------
def test_the_current_at_a_focus_is_read_off_the_curve_with_its_interval():
    """Crossover at 2, focus 17.5: distance 15.5, ln I = 4.45 ± 0.1 (between two points of the grid)."""
    got = current_at(model(), 17.5)
    assert (got.focus, got.side, got.extrapolated) == (17.5, "positive", False)
    assert got.current_pa == pytest.approx(exp(4.45))
    assert got.interval_68 == pytest.approx((exp(4.35), exp(4.55)), rel=1e-3)
    assert got.interval_95 == pytest.approx((exp(4.45 - 0.196), exp(4.45 + 0.196)), rel=2e-3)
    assert got.sigma_pa == pytest.approx((exp(4.55) - exp(4.35)) / 2, rel=1e-2)
    left = current_at(model(straight("negative")), -13.5)
    assert (left.side, left.current_pa) == ("negative", pytest.approx(exp(4.45)))


def test_todays_emission_and_crossover_step_move_the_answer():
    assert current_at(model(gain=0.2), 17.5).current_pa == pytest.approx(exp(4.65))
    assert current_at(model(shift=1.5), 17.5).current_pa == pytest.approx(exp(6 - 0.1 * 14))
    own = model(today="a", by_session={"a": (4.0, 0.1)})
    assert current_at(own, 17.5).current_pa == pytest.approx(exp(6 - 0.1 * 13.5))
    # Its own side when none is given; one that is given counts, and then the beam is as if at crossover.
    assert current_at(model(), 2.0).side == "positive"
    assert current_at(model(), 1.9).side == "negative"
    assert current_at(model(), 1.0, "positive").current_pa == pytest.approx(exp(6.0))


@pytest.mark.parametrize(
    ("focus", "beyond"), [(11.7, True), (11.85, False), (32.5, False), (32.65, True)]
)  # reach 10 to 30 from 2
def test_beyond_the_readings_by_a_fiftieth_is_extrapolated(focus, beyond):
    got = current_at(model(), focus)
    assert got.extrapolated is beyond
    said = "Extrapolated: readings cover foci 12 to 32. Read a current there before relying on it."
    assert (said in got.sentences) is beyond
    back = focus_for(model(), exp(6 - 0.1 * (focus - 2)), "positive")
    assert back.extrapolated is beyond
    assert (said in back.sentences) is beyond


def test_past_the_curves_end_nothing_is_told():
    got = current_at(model(), 42.1)
    assert (got.focus, got.side, got.current_pa, got.interval_68, got.interval_95) == (
        42.1,
        "positive",
        None,
        None,
        None,
    )
    assert (got.extrapolated, got.sigma_pa) == (True, None)
    assert got.sentences == ("No reading lies near: the positive side's curve ends at 42.",)
    assert current_at(model(), 41.9).current_pa is not None
    left = current_at(model(straight("negative")), -38.1)
    assert left.sentences == ("No reading lies near: the negative side's curve ends at -38.",)


def test_a_side_without_a_curve_says_what_it_needs():
    for got in (current_at(model(), -5.0), focus_for(model(), 100.0, "negative")):
        assert (got.side, got.extrapolated, got.interval_68, got.interval_95) == ("negative", True, None, None)
        assert got.sentences == (
            "No curve for the negative side (200 kV, spot 3, 70 µm aperture): it needs three currents at two different foci. "
            "The other side says nothing about it.",
        )
    rising = model(rising=("negative",))
    assert current_at(rising, -5.0).sentences == (rising_words(rising, "negative"),)
    assert rising_words(replace(rising, crossover=Crossover(measured=False)), "negative") == (
        "No curve for the negative side (200 kV, spot 3, 70 µm aperture): its readings rise away from crossover (reading 0 is "
        "taken: no picture tells where it lies), which no beam does: spread farther, less of it passes the aperture. Check "
        "the signs of the foci, the state and the typing, and note the currents again with the beam centered at each."
    )
    assert "from crossover, which no beam does" in rising_words(rising, "negative")


def test_what_to_know_of_an_answer_is_told():
    new = "For a session of which nothing is known yet; one reading today narrows it."
    one = "All readings are of one session: how much emission and crossover change from day to day is assumed."
    zero = "No picture tells where the crossover lies: reading 0 is taken."
    for made, said in (
        (model(), (new,)),
        (model(today="a"), ()),
        (model(straight(sessions=1)), (one,)),
        (model(straight(sessions=1), measured=False), (one, zero)),
    ):
        assert current_at(made, 20.0).sentences == said
        assert focus_for(made, exp(4.0), "positive").sentences == said


# --- the focus for a current ------------------------------------------------------------------------------------------
def test_the_focus_for_a_current_is_the_curve_backward():
    """ln I = 4.45 at distance 15.5: 10 % of the current are one unit of the focus."""
    got = focus_for(model(), exp(4.45), "positive")
    assert (got.current_pa, got.side, got.extrapolated, got.probability) == (exp(4.45), "positive", False, 1.0)
    assert got.focus == pytest.approx(17.5)
    assert got.interval_68 == pytest.approx((16.5, 18.5), abs=0.01)
    assert got.interval_95 == pytest.approx((17.5 - 1.96, 17.5 + 1.96), abs=0.03)
    assert got.sigma == pytest.approx(1.0, abs=0.01)
    assert got.current_range_pa == pytest.approx((exp(3.0), exp(5.0)))
    left = focus_for(model(straight("negative")), exp(4.45), "negative")
    assert left.focus == pytest.approx(-13.5)
    assert left.interval_68 == pytest.approx((-14.5, -12.5), abs=0.01)
    assert left.current_range_pa == pytest.approx((exp(3.0), exp(5.0)))
    assert focus_for(model(gain=0.2), exp(4.45), "positive").focus == pytest.approx(19.5)
    assert focus_for(model(gain=0.2), exp(4.45), "positive").current_range_pa == pytest.approx((exp(3.2), exp(5.2)))
    assert focus_for(model(shift=1.0), exp(4.45), "positive").focus == pytest.approx(18.5)


def test_on_a_flat_part_the_outermost_focus_answers():
    grid = np.linspace(0.0, 40.0, 9)
    flat = np.where(grid <= 20.0, 6.0, 6.0 - 0.1 * (grid - 20.0))
    curve = SideCurve("positive", grid, np.tile(flat, (N, 1)), (0.0, 40.0), 7, 2)
    assert focus_for(model(curve), exp(6.0), "positive").focus == pytest.approx(22.0)
    assert focus_for(model(curve), exp(5.75), "positive").focus == pytest.approx(24.5)
    sure = model(straight(spread=0.0))  # up to the last stretch of the grid
    for distance in (1.0, 33.0, 38.0):
        assert focus_for(sure, exp(6 - 0.1 * distance), "positive").focus == pytest.approx(2.0 + distance)
    # Between two points of the grid the curve is straight, whatever it does beside them.
    for distance, value in ((17.0, 6.0), (20.0, 6.0), (23.0, 5.7), (35.0, 4.5), (40.0, 4.0)):
        assert current_at(model(curve), 2.0 + distance).current_pa == pytest.approx(exp(value))


@pytest.mark.parametrize(
    ("log_current", "where"), [(6.5, "more than the curve gives anywhere"), (1.5, "less than the curve reaches")]
)
def test_a_current_out_of_reach_is_told_with_the_range(log_current, where):
    got = focus_for(model(), exp(log_current), "positive")
    assert (got.focus, got.interval_68, got.interval_95, got.extrapolated, got.sigma) == (None, None, None, True, None)
    assert got.probability < 0.01
    assert got.current_range_pa == pytest.approx((exp(3.0), exp(5.0)))
    assert got.sentences == (
        f"{exp(log_current):g} pA on the positive side is {where}; over the readings it runs from 20.1 pA to 148 pA.",
    )
    much = focus_for(model(gain=4.0), exp(log_current + 4), "positive")
    assert much.sentences[0].endswith("over the readings it runs from 1.1 nA to 8.1 nA.")


def test_draws_that_do_not_reach_count_as_the_end():
    """At ln I = 6.05 a third of the curves reach the current, at 5.95 two thirds; the rest counts as crossover itself."""
    assert focus_for(model(), exp(6.05), "positive").focus is None
    got = focus_for(model(), exp(5.95), "positive")
    assert got.probability == pytest.approx((NORMAL > -0.5).mean())
    assert got.focus == pytest.approx(2.5)
    assert got.interval_95[0] == pytest.approx(2.0)
    far = focus_for(model(), exp(2.05), "positive")  # at the curve's end, 2.0 of 42
    assert far.interval_95[1] == pytest.approx(42.0)
    assert far.probability == pytest.approx((NORMAL < 0.5).mean())
    for wrong in (0.0, -5.0):
        with pytest.raises(ValueError, match=rf"^the current must be positive, got {wrong} pA$"):
            focus_for(model(), wrong, "positive")


def test_covered_foci_are_low_first_on_either_side():
    assert covered_foci(model(), "positive") == (12.0, 32.0)
    assert covered_foci(model(straight("negative")), "negative") == (-28.0, -8.0)
    assert covered_foci(model(), "negative") is None


# --- today against the curve ------------------------------------------------------------------------------------------
def today(focus, factor, sigma=0.05):
    current = factor * exp(6 - 0.1 * (focus - 2.0))
    return Pair(focus, current, current, sigma, "positive", STATE)


def test_todays_readings_are_compared_in_the_mean_with_all_doubts():
    """Curve ± 10 % for both readings together; meter 5 % and the pairs' own noise of 4 % halve in variance."""
    got = off_curve(model(noise=0.04), [today(15.0, 1.3), today(22.0, 1.2), replace(today(20.0, 9.0), side="negative")])
    spread = sqrt((0.1 * NORMAL).var() + (0.05**2 + 0.04**2) / 2)
    difference = (log(1.3) + log(1.2)) / 2
    assert got.n == 2
    assert got.factor == pytest.approx(exp(difference))
    assert got.score == pytest.approx(difference / spread)
    assert got.interval_95 == pytest.approx((exp(-1.96 * spread), exp(1.96 * spread)))
    assert got.unusual is (difference / spread > 1.96)
    assert off_curve(model(), [replace(today(20.0, 9.0), side="negative")]) is None
    assert off_curve(model(), [today(60.0, 1.0)]) is None
    for unfit in (today(60.0, 1.0), replace(today(20.0, 9.0), side="negative")):
        mixed = off_curve(model(), [unfit, today(20.0, 1.0)])
        assert (mixed.n, mixed.factor) == (1, pytest.approx(1.0))


@pytest.mark.parametrize("sign", [1, -1])
def test_today_is_unusual_beyond_19_in_20(sign):
    spread = sqrt((0.1 * NORMAL).var() + 0.05**2)
    low, high = exp(-1.96 * spread), exp(1.96 * spread)
    for z, unusual in ((1.95, False), (1.97, True)):
        factor = exp(sign * z * spread)
        got = off_curve(model(), [today(20.0, factor)])
        assert got.unusual is unusual
        assert got.score == pytest.approx(sign * z)
        word = "above" if sign > 0 else "below"
        assert got.sentences == (
            (
                f"Today's current is {factor:.2f} × the expected one, {word} what chance and the usual wander allow "
                f"({low:.2f} to {high:.2f}). Emission, high tension, spot or aperture may have changed, or the beam was not "
                "centered at the readings. Check the state first; gun settings are for trained staff."
                if unusual
                else f"Today's current is {factor:.2f} × the expected one; the usual wander allows {low:.2f} to {high:.2f}."
            ),
        )
    with pytest.raises(
        ValueError, match=r"^fit the other sessions alone, for a new session; else today is compared with "
    ):
        off_curve(model(today="a"), [today(20.0, 1.0)])


# --- records ----------------------------------------------------------------------------------------------------------
def test_the_curves_records_name_state_focus_and_intervals():
    two = model(straight(), straight("negative"))
    rows = curve_records(two, steps=3)
    assert [(r["focus_side"], r["gun_focus"]) for r in rows] == [
        ("positive", 12.0), ("positive", 22.0), ("positive", 32.0), ("negative", -28.0), ("negative", -18.0), ("negative", -8.0)
    ]  # fmt: skip
    for row in rows:
        answer = current_at(two, row["gun_focus"], row["focus_side"])
        assert row == {
            "kv": 200.0, "spot": "3", "aperture_um": 70.0, "focus_side": row["focus_side"], "gun_focus": row["gun_focus"],
            "current_pa": answer.current_pa, "current_pa_sigma": answer.sigma_pa,
            "low_68_pa": answer.interval_68[0], "high_68_pa": answer.interval_68[1],
            "low_95_pa": answer.interval_95[0], "high_95_pa": answer.interval_95[1],
        }  # fmt: skip
    assert len(curve_records(model())) == 9
    assert model_record(model(rising=("negative",), today="a", by_session={"a": (2.0, 0.1)})) == {
        "kv": 200.0, "spot": "3", "aperture_um": 70.0, "crossover": 2.0, "crossover_sigma": 0.1, "crossover_wander": 0.2,
        "crossover_measured": True, "session": "a", "rising_sides": ["negative"], "set_aside": [],
        "sides": {"positive": {"pairs": 7, "sessions": 2, "gun_focus_covered": (12.0, 32.0)}},
    }  # fmt: skip
    unknown = model_record(model(measured=False))
    assert (unknown["crossover_sigma"], unknown["crossover_wander"], unknown["session"]) == (None, None, None)


def test_a_cost_record_has_a_sigma_beside_each_measured_value():
    got = cost_record(cost_of(80.0, 0.8, current_pa=100.0, minutes=60.0))
    assert (got["centered_pa"], got["centered_pa_sigma"]) == (pytest.approx(125.0), pytest.approx(1.25))
    assert (got["time_factor"], got["time_factor_sigma"]) == (pytest.approx(1.25), pytest.approx(0.0125))
    assert (got["extra_min"], got["extra_min_sigma"]) == (pytest.approx(15.0), pytest.approx(0.75))
    assert (got["dose_rate"], got["current_pa"], got["center_pays"]) == (None, 100.0, True)
    assert isinstance(got["sentences"], list)


# --- costs ------------------------------------------------------------------------------------------------------------
def test_a_cost_is_told_in_whole_sentences():
    got = cost_of(80.0, current_pa=1200.0, minutes=60.0, centering_min=2.0, diameter_nm=100.0)
    rate = 1200e-12 / 1.602176634e-19
    assert got.sentences == (
        "1.2 nA pass now, 1.5 nA would when centered: 300 pA are lost.",
        "For the same counts: 1.25 × as long, or center first.",
        "Over 60 min that is 15.0 min more; centering takes 2 min: it pays.",
        f"{rate:.3g} electrons per second.",
        f"{rate / (np.pi * 500.0**2):.3g} electrons per Å² and second, evenly spread over a disc of 100 nm in the working "
        "illumination.",
    )
    assert (got.dose_rate.sigma, got.wavelength_pm) == (None, None)
    short = cost_of(99.6, current_pa=100.0, minutes=60.0)
    assert short.sentences[1:3] == (
        "For the same counts: no longer than when centered, to within half a percent.",
        "Over 60 min that is 0.2 min more; centering takes 1 min: not worth it now.",
    )
    assert short.sentences[-1] == (
        "No dose per area: it needs the diameter of the disc on the specimen in the working illumination (the alignment "
        "view's disc is another one)."
    )
    assert "1.01 × as long" in cost_of(99.4).sentences[0]
    # It pays when it takes less than what it saves: 60 min at 80 are 15 min more.
    assert [cost_of(80.0, minutes=60.0, centering_min=c).center_pays for c in (14.9, 15.1)] == [True, False]
    assert cost_of(80.0).center_pays is None
    assert cost_of(80.0, diameter_nm=50.0).dose_rate is None
    assert cost_of(80.0, current_pa=0.0, minutes=0.0).electrons_per_s == 0.0


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"score": 0.0}, "the score must lie over 0 and up to 100, got 0.0"),
        ({"score": 100.1}, "the score must lie over 0 and up to 100, got 100.1"),
        ({"current_pa": -1.0}, "the current must not be negative, got -1.0 pA"),
        ({"minutes": -2.0}, "the planned minutes must not be negative, got -2.0"),
    ],
)
def test_a_cost_refuses_what_cannot_be(more, said):
    with pytest.raises(ValueError, match=f"^{said}$"):
        cost_of(**{"score": 90.0, **more})


def scaled(ratio, unevenness=6.0, to=50.0, current=100.0, sigma=2.0):
    return scale_to_aperture(current, sigma, 100.0, to, ratio=ratio, unevenness_percent=unevenness)


def test_a_current_is_scaled_by_area_with_the_light_between_both_edges_in_doubt():
    down = scaled(1.2)
    assert down.current_pa == pytest.approx(25.0)
    assert down.sigma_pa == pytest.approx(25.0 * sqrt(0.02**2 + (0.06 * 0.75) ** 2))
    assert down.why == "By area, × 0.25: the beam overfills both apertures evenly."
    up = scaled(2.3, to=200.0)
    assert (up.current_pa, up.sigma_pa) == (
        pytest.approx(400.0), pytest.approx(400.0 * sqrt(0.02**2 + (0.06 * 0.75) ** 2))
    )  # fmt: skip
    assert up.why == (
        "By area, × 4: the beam overfills both apertures evenly. The ring between them was not seen; read the current once "
        "to confirm."
    )
    assert scaled(1.2, current=0.0).sigma_pa == 0.0


@pytest.mark.parametrize(
    ("given", "current", "said"),
    [
        ({"ratio": 0.8, "to": 100.0}, 100.0, "the same aperture"),
        ({"ratio": None}, None, "Not scaled: it is not known whether the beam overfills the aperture at this focus."),
        ({"ratio": 0.44}, 100.0, "The beam passes both apertures whole: the current stays."),
        ({"ratio": 0.9, "to": 200.0}, 100.0, "The beam passes both apertures whole: the current stays."),
        (
            {"ratio": 0.46},
            None,
            "Not scaled: the beam does not overfill both apertures (its radius is 0.46 and 0.92 of theirs; 1.1 is needed).",
        ),
        (
            {"ratio": 1.09},
            None,
            "Not scaled: the beam does not overfill both apertures (its radius is 1.09 and 2.18 of theirs; 1.1 is needed).",
        ),
        (
            {"ratio": 2.1, "to": 200.0},
            None,
            "Not scaled: the beam does not overfill both apertures (its radius is 2.10 and 1.05 of theirs; 1.1 is needed).",
        ),
        ({"ratio": 1.1}, 25.0, "By area, × 0.25: the beam overfills both apertures evenly."),
        ({"ratio": 1.2, "unevenness": None}, None, "Not scaled: it is not known whether the light is even."),
        ({"ratio": 1.2, "unevenness": 12.0}, None, "Not scaled: the light is uneven (12 %; by area only up to 10 %)."),
        ({"ratio": 1.2, "unevenness": 10.0}, 25.0, "By area, × 0.25: the beam overfills both apertures evenly."),
    ],
)
def test_a_current_is_scaled_only_where_that_is_no_guess(given, current, said):
    got = scaled(**given)
    assert got.why == said
    assert got.current_pa == (None if current is None else pytest.approx(current))
    assert (got.sigma_pa is None) is (current is None)
    if current == 100.0:
        assert got.sigma_pa == 2.0


def test_apertures_have_a_size():
    for a, b in ((0.0, 50.0), (50.0, -1.0)):
        with pytest.raises(ValueError, match=rf"^aperture diameters must be positive, got {a} and {b} µm$"):
            scale_to_aperture(1.0, 0.1, a, b, ratio=1.2, unevenness_percent=1.0)


def test_electrons_are_those_of_the_tables():
    """Wavelengths and speeds as every textbook of the trade has them: 3.70, 2.51 and 1.97 pm; v/c 0.5482 to 0.7765."""
    for kv, pm, speed in ((100.0, 3.701, 0.5482), (200.0, 2.508, 0.6953), (300.0, 1.969, 0.7765)):
        assert wavelength_pm(kv) == pytest.approx(pm, abs=5e-4)
        assert speed_ratio(kv) == pytest.approx(speed, abs=5e-5)
    assert lorentz_factor(510.99895) == pytest.approx(2.0, abs=1e-7)
    assert electrons_per_second(1.0) == pytest.approx(6.241509e6, rel=1e-6)
    for diameter, radius in ((2.0, 10.0), (0.5, 2.5)):  # nm, Å
        assert dose_rate(1.0, diameter) == pytest.approx(6.241509e6 / (np.pi * radius**2), rel=1e-6)
    with pytest.raises(ValueError, match=r"^the high tension must be positive, got 0\.0 kV$"):
        lorentz_factor(0.0)
    with pytest.raises(ValueError, match=r"^the diameter must be positive, got 0\.0 nm$"):
        dose_rate(1.0, 0.0)
