"""The confirmation and the contradiction against sums done by hand: probability, turn, scale, limits and their words."""

from dataclasses import replace
from datetime import UTC, datetime
from math import atan2, degrees, exp, hypot, sqrt

import numpy as np
import pytest

from apertrue.calibration import Calibration, Point, StateKey, confirm, confirmed, contradiction
from apertrue.errors import CalibrationError

#: X moves the beam by 3 % a unit to the right, Y by 3 % upward (y points down).
A = np.array([[3.0, 0.0], [0.0, -3.0]])
DATED = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def calibration(variance=0.0025, matrix=A, **more):
    cov = variance * np.eye(4)
    return Calibration(tuple(map(tuple, matrix.tolist())), tuple(map(tuple, cov.tolist())), **more)


def taken(*seen, sigma=0.1, start=(1.0, -2.0), apertures=None, **more):
    """Points after each ((dX, dY), (dx, dy)): change of the readings and displacement seen, against the first."""
    places = [((0.0, 0.0), (0.0, 0.0)), *seen]
    out = []
    for k, ((dx, dy), (ox, oy)) in enumerate(places):
        aperture = None if apertures is None or apertures[k] is None else apertures[k]
        out.append(Point(5.0 + dx, 7.0 + dy, start[0] + ox, start[1] + oy, sigma, sigma, aperture_px=aperture, **more))
    return out


def sure(points, variance=0.0025, **more):
    return confirm(calibration(variance, **more), points, wander=0.0)


# --- probability, turn and scale --------------------------------------------------------------------------------------
def test_one_move_is_judged_by_pictures_and_calibration():
    """2 units of X, seen (6.3, 0.2) for (6, 0) %: variance 2 · 0.01 of the pictures, 2² · 0.0025 of the calibration."""
    got = sure(taken(((2.0, 0.0), (6.3, 0.2))))
    variance = 0.03
    assert got.p_value == pytest.approx(exp(-(0.3**2 + 0.2**2) / variance / 2))  # χ² with two degrees of freedom
    length = hypot(6.3, 0.2) / 6
    assert got.scale == pytest.approx(length)
    assert got.scale_sigma == pytest.approx(sqrt(variance) / 6)
    turn = -degrees(atan2(0.2, 6.3))  # downward is clockwise
    assert got.rotation_deg == pytest.approx(turn)
    assert got.rotation_sigma_deg == pytest.approx(degrees(sqrt(variance) / 6 / length))
    assert (got.kind, got.agrees) == ("one-axis", True)
    assert got.sentences[1] == "Against the calibration: turned by -1.8 ± 1.6°, length × 1.051 ± 0.029."


def test_two_moves_share_the_first_picture_and_the_calibrations_doubt():
    """Moves (2, 0) and (2, 2), seen as calibrated: Re w = (6 dx₁ + 6 dx₂ − 6 dy₂) / 108, Im w alike."""
    got = sure(taken(((2.0, 0.0), (6.0, 0.0)), ((2.0, 2.0), (6.0, -6.0))))
    variance = 36 * (8 * 0.1**2 + 28 * 0.0025) / 108**2
    assert (got.scale, got.rotation_deg) == (pytest.approx(1.0), pytest.approx(0.0))
    assert got.scale_sigma == pytest.approx(sqrt(variance))
    assert got.rotation_sigma_deg == pytest.approx(degrees(sqrt(variance)))
    assert (got.kind, got.p_value) == ("agrees", pytest.approx(1.0))
    assert got.sentences[0] == "The moves agree with the calibration: it holds."


def test_the_gun_may_wander_between_the_pictures():
    points = taken(((2.0, 0.0), (6.9, 0.0)))
    timed = [replace(p, minutes=30.0 * k) for k, p in enumerate(points)]
    for wander, variance in ((0.0, 0.03), (1.0, 0.03 + 0.5), (2.0, 0.03 + 2.0)):
        got = confirm(calibration(), timed, wander=wander)
        assert got.p_value == pytest.approx(exp(-(0.9**2) / variance / 2))
    # Without times a minute apart, by 1 % a root hour.
    assert confirm(calibration(), points).p_value == pytest.approx(exp(-(0.9**2) / (0.03 + 1 / 60) / 2))


def test_the_step_of_the_readings_counts_as_well():
    got = sure(taken(((2.0, 0.0), (6.3, 0.0))), step=0.6)
    assert got.p_value == pytest.approx(exp(-(0.3**2) / (0.03 + 2 * 9 * 0.6**2 / 12) / 2))


def test_a_sharpened_calibration_weighs_old_and_new():
    """Prior 3 ± 0.5, seen 6.6 / 2 with variance (2 · 0.01 + 1/60) / 4: the weighted mean and the sum of weights."""
    points = taken(((2.0, 0.0), (6.6, 0.0)))
    new = confirmed(calibration(0.25, confirmed_at=DATED, note="kept"), points, datetime(2026, 3, 5, tzinfo=UTC))
    old, seen = 1 / 0.25, 4 / (0.02 + 1 / 60)
    assert new.matrix[0][0] == pytest.approx((3 * old + 3.3 * seen) / (old + seen))
    assert new.cov[0, 0] == pytest.approx(1 / (old + seen))
    assert new.cov[2, 2] == pytest.approx(1 / (old + seen))
    assert (new.matrix[1], new.matrix[0][1]) == ((0.0, -3.0), 0.0)
    assert np.diag(new.cov)[[1, 3]] == pytest.approx([0.25, 0.25])
    # One axis alone dates nothing; both do, and without a date the old one stays.
    assert (new.confirmed_at, new.note) == (DATED, "kept")
    both = taken(((2.0, 0.0), (6.0, 0.0)), ((2.0, 2.0), (6.0, -6.0)))
    assert confirmed(calibration(confirmed_at=DATED), both).confirmed_at == DATED
    with pytest.raises(
        CalibrationError,
        match=r"^The view is rotated against the calibration\. Against .*\. Do not use .* calibrate anew\.$",
    ):
        confirmed(calibration(), taken(((2.0, 0.0), (0.0, 6.0))))


# --- limits -----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("size", "kind"), [(0.28, "weak"), (0.286, "one-axis")])
def test_moves_confirm_from_six_times_the_doubt_on(size, kind):
    # The displacement's 1σ is √2 · 0.1 %: of 3 % a unit 0.2828 units are six of them.
    got = sure(taken(((size, 0.0), (3 * size, 0.0))), variance=1e-6)
    assert (got.kind, got.agrees) == (kind, True)
    small, large = (sure(taken(((2.0, 0.0), (6.0, 0.0)), ((2.0, y), (6.0, -3 * y))), variance=1e-6) for y in (0.2, 0.7))
    assert (small.kind, large.kind) == ("one-axis", "agrees")


@pytest.mark.parametrize(("seen", "kind"), [(0.42, "frozen"), (0.44, "rescaled")])
def test_what_moved_within_its_doubt_did_not_move(seen, kind):
    # χ² of 9.21 with two degrees of freedom is passed by chance once in 100: √(9.21 · 0.02) = 0.429 %.
    got = sure(taken(((2.0, 0.0), (seen, 0.0))))
    assert (got.kind, got.agrees) == (kind, False)


def test_a_move_too_small_to_see_is_no_frozen_picture():
    got = sure(taken(((0.28, 0.0), (0.0, 0.0))), variance=1e-6)
    assert got.kind != "frozen"
    assert sure(taken(((0.286, 0.0), (0.0, 0.0))), variance=1e-6).kind == "frozen"


@pytest.mark.parametrize(
    ("moved", "sigma", "wrong"),
    [
        ((5.9, 0.0), 0.05, False),  # half of the 6 % of 200 px that the beam should have moved
        ((6.1, 0.0), 0.05, True),
        ((0.0, -6.1), 0.05, True),
        ((7.0, 0.0), 1.0, False),  # 5 · √2 · 1 px
        ((7.2, 0.0), 1.0, True),
    ],
)
def test_an_aperture_that_moves_along_is_the_wrong_deflectors(moved, sigma, wrong):
    there = (300.0, 280.0, sigma)
    then = (300.0 + moved[0], 280.0 + moved[1], sigma)
    seen = ((2.0, 0.0), (6.0, 0.0))
    got = sure(taken(seen, apertures=[there, then], radius_px=200.0))
    assert (got.kind, got.agrees) == (("wrong-deflector", False) if wrong else ("one-axis", True))
    # A picture without its place is passed over; without the first, or its radius, nothing can be told.
    late = taken(seen, seen, apertures=[there, None, then], radius_px=200.0)
    assert (sure(late).kind == "wrong-deflector") is wrong
    assert sure(taken(seen, apertures=[None, then], radius_px=200.0)).kind == "one-axis"
    assert sure(taken(seen, apertures=[there, then])).kind == "one-axis"


def test_a_small_view_is_checked_as_well():
    # The beam should have moved 0.6 px only: the aperture did as much.
    got = sure(taken(((2.0, 0.0), (6.0, 0.0)), apertures=[(30.0, 28.0, 0.01), (30.5, 28.0, 0.01)], radius_px=10.0))
    assert got.kind == "wrong-deflector"


def test_the_farthest_move_counts_for_its_size():
    # Together both moves are seven times the doubt long, each alone five.
    got = sure(taken(((0.236, 0.0), (0.707, 0.0)), ((0.0, 0.236), (0.0, -0.707))), variance=1e-6)
    assert got.kind == "weak"


@pytest.mark.parametrize(
    ("seen", "kind"),
    [
        ((6.0 + 0.7, 0.0), "rescaled"),
        ((6.0 - 0.7, 0.0), "rescaled"),
        ((6.0, 0.7), "rotated"),
        ((6.0, -0.7), "rotated"),
        ((6.0 - 0.7, 0.71), "rotated"),
        ((6.0 + 0.71, 0.7), "rescaled"),
    ],
)
def test_a_changed_view_is_called_by_what_changed_most(seen, kind):
    got = sure(taken(((2.0, 0.0), seen)), variance=1e-6)
    assert (got.kind, got.agrees) == (kind, False)
    assert got.sentences[-1] == (
        "Do not use it for nudges. Check magnification, camera and focus side; then calibrate anew."
    )


def test_a_mirror_needs_two_axes_that_were_really_turned():
    for y, kind in ((0.3, "rotated"), (2.0, "mirrored")):
        # X as calibrated but turned by a right angle, Y the other way round: hardly turned, nothing tells of it.
        got = sure(taken(((2.0, 0.0), (0.0, 6.0)), ((2.0, y), (-3 * y, 6.0))), variance=1e-6)
        assert got.kind == kind
    assert (got.rotation_deg, got.scale, got.rotation_sigma_deg, got.scale_sigma) == (None, None, None, None)
    assert got.sentences[0] == "The view is mirrored against the calibration."


# --- words ------------------------------------------------------------------------------------------------------------
def test_an_axis_the_other_way_round_is_asked_about_with_the_way_out():
    got = sure(taken(((2.0, 0.0), (-6.0, 0.0)), ((2.0, 2.0), (-6.0, -6.0))), variance=1e-4)
    assert got.kind == "mirrored"
    assert got.sentences[1] == (
        "With X turned the other way the moves would agree: is a sign of the readings wrong, here or in the calibration? "
        "If all are right, the view is mirrored. The kept ones, and how to take one out: apertrue calibrate --list."
    )
    both = sure(taken(((2.0, 0.0), (-6.0, 0.0)), ((2.0, 2.0), (-6.0, 6.0))), variance=1e-4)
    assert "With X and Y turned the other way" in both.sentences[1]
    assert "the view is turned by 180°" in both.sentences[1]
    # An axis that was not moved is not asked about.
    alone = sure(taken(((0.0, 2.0), (0.0, 6.0))), variance=1e-4)
    assert "With Y turned" in alone.sentences[1]


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (taken(), "a confirmation needs a picture before and one after a move"),
        (
            [*taken(), replace(taken()[0], x_sigma=None, label="b.tif")],
            "b.tif: its 1σ is not known; a test of agreement needs it",
        ),
        ([*taken(), replace(taken()[0], y_sigma=None)], "a point: its 1σ is not known; a test of agreement needs it"),
        ([*taken(), *taken()], "the readings did not change: make one small move of each axis"),
    ],
)
def test_what_cannot_be_tested_says_what_is_missing(points, said):
    with pytest.raises(CalibrationError) as caught:
        confirm(calibration(), points)
    assert str(caught.value) == said


# --- contradiction ----------------------------------------------------------------------------------------------------
STATE = StateKey(kv=200.0)


def kept(matrix, hour, variance=1e-4):
    return calibration(variance, np.array(matrix), state=STATE, made_at=datetime(2026, 3, 2, hour, tzinfo=UTC))


def test_an_opposite_axis_is_told_with_both_numbers():
    other = calibration(matrix=A, state=StateKey(kv=80.0))
    got = contradiction([other, kept(A, 9)], kept(A * [-1, 1], 10))
    assert got.number == 2
    assert got.opposite == ("X",)
    assert got.sentences == (
        "Gun shift X turns the beam the other way than in calibration 2 of 2026-03-02 09:00+00:00 in the same state.",
        "One of both has a typing error (a sign), or the view is mirrored since.",
        "From now on this one is used. Find out which is wrong and take it out: apertrue calibrate --forget NUMBER "
        "(2 is the earlier one, 3 this one).",
    )
    both = contradiction([replace(kept(A, 9), made_at=None)], kept(-A, 10))
    assert both.sentences[0] == (
        "Gun shift X and Y turn the beam the other way than in calibration 1 in the same state."
    )


def test_another_length_is_told_axis_by_axis():
    got = contradiction([kept(A, 9)], kept(A * [1.5, 1.0], 10))
    assert got.opposite == ()
    assert got.sentences[:2] == (
        "This calibration contradicts calibration 1 of 2026-03-02 09:00+00:00 in the same state: X +1 moves the beam "
        "4.50 % toward 0° instead of 3.00 % toward 0°, Y +1 moves the beam 3.00 % toward 90° instead of 3.00 % toward 90°.",
        "One of both has a typing error, or something changed that the pictures don't tell.",
    )


@pytest.mark.parametrize(
    ("gain", "turn", "odd"),
    [
        (1.24, 0.0, False),
        (1.26, 0.0, True),
        (1 / 1.24, 0.0, False),
        (1 / 1.26, 0.0, True),
        (1.0, 14.5, False),
        (1.0, 15.5, True),
        (1.0, -15.5, True),
    ],
)
def test_drift_and_focus_may_change_an_axis_by_a_quarter_or_fifteen_degrees(gain, turn, odd):
    t = np.radians(turn)
    for axis in (0, 1):
        new = A.copy()
        new[:, axis] = gain * np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]]) @ A[:, axis]
        assert (contradiction([kept(A, 9)], kept(new, 10)) is not None) is odd


def test_a_difference_within_both_doubts_is_none():
    # 1.2 % a unit in all four entries of 1σ √2 · 0.5 each: χ² = 4 · 1.44 / 0.5 = 11.5, p = 0.021; of 1.5 it is 0.001.
    for off, odd in ((1.2, False), (1.5, True)):
        got = contradiction([kept(A, 9, 0.25)], kept(A + off * np.ones((2, 2)), 10, 0.25))
        assert (got is not None) is odd
    assert contradiction([], kept(A, 9)) is None
