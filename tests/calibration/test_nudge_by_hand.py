"""The next move against sums done by hand: its doubt, what the console can set, when none is worth it, its words."""

from dataclasses import replace
from math import pi, sqrt

import numpy as np
import pytest

from apertrue.calibration import Calibration, Point, learner, next_move, nudge_for, plan_nudge, trial_move
from apertrue.calibration.nudge import expected_score, flat_score, good_enough, within_doubt
from apertrue.errors import CalibrationError
from apertrue.instrument import Console

FREE = Console(shift_step=0.0)
#: X moves the beam by 4 % a unit to the right, Y by 2 % a unit downward; each entry with its own doubt.
PLAIN = Calibration(((4.0, 0.0), (0.0, 2.0)), tuple(map(tuple, np.diag([0.01, 0.02, 0.03, 0.04]).tolist())))
SEEN = Point(10.0, 20.0, 8.0, -3.0, 0.2, 0.3, 0.5)


# --- the move and its doubt -------------------------------------------------------------------------------------------
def test_a_move_is_doubted_by_picture_and_calibration():
    """Back by (2, −1.5) units: of x picture 0.04 and calibration 2² · 0.01 + 1.5² · 0.02, of y 0.09 and 0.21 %²."""
    got = nudge_for(SEEN, PLAIN, FREE)
    assert (got.x, got.y) == pytest.approx((-2.0, 1.5))
    assert (got.x_sigma, got.y_sigma) == pytest.approx((sqrt(0.125) / 4, sqrt(0.30) / 2))
    assert got.correlation == pytest.approx(0.2 * 0.3 * 0.5 / sqrt(0.125 * 0.30))
    assert got.offset_after_percent == pytest.approx(sqrt(0.125 + 0.30))
    assert got.centered is False


def test_what_is_left_holds_the_consoles_step():
    """Half units: of (−2.15, 1.65) it sets (−2, 1.5) and leaves (0.6, −0.3) %; readings are known to step/√12."""
    got = nudge_for(replace(SEEN, offset_x=8.6, offset_y=-3.3), PLAIN, Console(shift_step=0.5))
    assert (got.x, got.y) == (-2.0, 1.5)
    left = 0.6**2 + 0.3**2
    assert got.offset_after_percent == pytest.approx(sqrt(left + 0.125 + 0.30 + 0.5**2 / 12 * (4**2 + 2**2)))


def test_a_target_is_aimed_at_instead_of_the_center():
    got = plan_nudge(SEEN, PLAIN, FREE, target=(1.0, -1.0))
    assert (got.nudge.x, got.nudge.y) == pytest.approx((-7.0 / 4, 2.0 / 2))
    assert nudge_for(SEEN, PLAIN, FREE, target=(1.0, -1.0)) == got.nudge


def test_slack_of_both_axes_is_taken_up_where_they_turn_back():
    """b = (−0.4, −0.2): X came from below and goes down (0.4 more), Y came from above and goes up (0.2 more)."""
    loose = replace(PLAIN, backlash=(-0.4, -0.2))
    back = nudge_for(replace(SEEN, approach=(1, -1)), loose, FREE)
    assert (back.x, back.y) == pytest.approx((-2.4, 1.7))
    # The beam goes where it would have gone without slack.
    assert back.offset_after_percent == pytest.approx(sqrt(0.125 + 0.30))
    on = nudge_for(replace(SEEN, approach=(-1, 1)), loose, FREE)
    assert (on.x, on.y) == pytest.approx((-2.0, 1.5))
    unknown = nudge_for(replace(SEEN, approach=(0, 0)), loose, FREE)
    assert (unknown.x, unknown.y) == pytest.approx((-2.0, 1.5))


# --- what the console can set -----------------------------------------------------------------------------------------
def test_the_reading_is_rounded_and_not_the_change():
    got = plan_nudge(replace(SEEN, shift_x=10.03), PLAIN, Console(shift_step=0.1))
    assert got.shift_x == pytest.approx(8.0)
    assert got.nudge.x == pytest.approx(-2.03)


def test_the_range_cuts_a_move_short_and_it_is_said():
    console = Console(shift_step=0.1, shift_min=8.5, shift_max=21.0)
    got = plan_nudge(SEEN, PLAIN, console)
    assert (got.shift_x, got.shift_y) == pytest.approx((8.5, 21.0))
    assert got.limited
    assert got.sentences[-1] == (
        "The console's range cuts this move short: the rest must come from the gun's alignment, by trained staff."
    )
    # Less than half a step is no cut, more is one; without steps every cut is one.
    for end, cut in ((8.04, False), (8.06, True)):
        assert plan_nudge(SEEN, PLAIN, Console(shift_step=0.1, shift_min=end)).limited is cut
    assert plan_nudge(SEEN, PLAIN, Console(shift_step=0.0, shift_min=8.001)).limited
    free = plan_nudge(SEEN, PLAIN, Console())
    assert not free.limited
    assert len(free.sentences) == 2


def test_a_move_is_told_with_doubt_end_and_outcome():
    got = plan_nudge(SEEN, PLAIN, Console(shift_step=0.1, name_x="knob 1", name_y="knob 2"))
    assert got.kind == "nudge"
    assert got.sentences[0] == "Change knob 1 by −2.00 ± 0.09 (to 8.0) and change knob 2 by +1.50 ± 0.27 (to 21.5)."
    n = got.nudge
    assert got.sentences[1] == (
        f"Expect a working score of {n.score_after:.1f} ± {n.score_after_sigma:.1f} and an offset of about 0.7 % afterwards."
    )


# --- when no move is worth it -----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("offset", "sigma", "kind"),
    [
        (0.45, 0.02, "centered"),  # with 2σ 0.49 %: below half a percent
        (0.45, 0.03, "nudge"),  # 0.51 %
        (6.0, 3.1, "centered"),  # within 2σ
        (6.0, 2.9, "nudge"),
    ],
)
def test_a_move_is_worth_it_beyond_half_a_percent_and_the_doubt(offset, sigma, kind):
    got = plan_nudge(Point(3.0, 4.0, offset, 0.0, sigma, 9.0), PLAIN, FREE)  # the doubt along the offset counts
    assert got.kind == kind
    assert got.nudge.centered is (kind == "centered")
    if kind == "centered":
        assert (got.shift_x, got.shift_y, got.nudge.x, got.nudge.y, got.limited) == (3.0, 4.0, 0.0, 0.0, False)
        assert got.sentences == (
            "Centered within the measurement's doubt, or so well that a further move is not worth its minute.",
        )
        assert got.nudge.offset_after_percent == pytest.approx(sqrt(offset**2 + sigma**2 + 81.0))


def test_the_doubt_of_a_slanting_offset_is_the_one_along_it():
    # Along (1, 1) of σ (2, 1) with r = −0.5: (4 − 2 + 1) / 2 = 1.5 %², of which twice the root is 2.449 %.
    covariance = np.array([[4.0, -1.0], [-1.0, 1.0]])
    assert within_doubt(np.array([1.73, 1.73]), covariance)
    assert not within_doubt(np.array([1.74, 1.74]), covariance)
    assert good_enough(np.zeros(2), covariance)


def test_a_step_that_would_make_it_worse_is_not_taken():
    coarse = Console(shift_step=1.0)
    for offset, moved in ((1.9, 0.0), (2.1, -1.0)):  # a step moves 4 %: of 2.1 it leaves 1.9 on the other side
        got = plan_nudge(Point(0.0, 0.0, offset, 0.0, 0.01, 0.01), PLAIN, coarse)
        assert (got.nudge.x, got.nudge.y) == (moved, 0.0)
        assert got.kind == ("nudge" if moved else "centered")


@pytest.mark.parametrize(("label", "said"), [("", "the picture"), ("b.tif", "b.tif")])
def test_without_a_doubt_there_is_no_move(label, said):
    with pytest.raises(CalibrationError) as caught:
        plan_nudge(Point(0.0, 0.0, 3.0, 1.0, label=label), PLAIN)
    assert str(caught.value) == f"{said}: the 1σ of its offset is not known"


# --- the score to expect ----------------------------------------------------------------------------------------------
def test_flat_score_of_a_small_beam_whose_center_the_edge_nearly_meets():
    # Radii ½ and 1, the common chord a diameter of the small disc: half of it and a segment of 60° of the large one.
    segment = (pi / 3 - sqrt(3) / 2) / 2
    assert flat_score(sqrt(0.75), 0.5) == pytest.approx(100 * (0.5 + segment / (pi / 4)))
    assert flat_score(-sqrt(0.75), 0.5) == flat_score(sqrt(0.75), 0.5)
    # A beam that overfills: the most that can pass is what fills the aperture.
    assert flat_score(0.29, 1.3) == pytest.approx(100.0)
    assert flat_score(0.5, 1.3) < 99.0


def test_the_expected_score_reaches_from_the_center_to_where_nothing_passes():
    sure = 1e-10 * np.eye(2)
    for offset, ratio in ((0.0, 1.0), (120.0, 0.5), (149.0, 0.5), (199.0, 1.0), (230.0, 1.4)):
        mean, _ = expected_score(np.array([0.0, -offset]), sure, ratio)
        assert mean == pytest.approx(flat_score(offset / 100, ratio), abs=2e-3)
    assert expected_score(np.array([260.0, 0.0]), sure)[0] == pytest.approx(0.0, abs=1e-6)


def test_the_doubt_of_the_score_is_that_of_the_direction_in_which_it_changes():
    """At 50 % the score falls by about 1.23 a percent: a doubt along the offset shows, one across it hardly."""
    slope = (flat_score(0.501) - flat_score(0.499)) / 0.2
    along = expected_score(np.array([50.0, 0.0]), np.diag([1.0, 0.0]))
    across = expected_score(np.array([50.0, 0.0]), np.diag([0.0, 1.0]))
    assert along[1] == pytest.approx(abs(slope), rel=1e-3)
    assert across[1] < 0.05
    assert across[0] == pytest.approx(flat_score(0.5) + slope / 100, abs=2e-3)  # hypot(50, 1) = 50.01


# --- trial moves ------------------------------------------------------------------------------------------------------
def trial(*points, console=FREE):
    return next_move(learner(points=points), console)


@pytest.mark.parametrize(
    ("console", "size"),
    [(Console(shift_step=0.2), 3.0), (FREE, 1.5), (Console(shift_step=0.0, shift_min=-30.0, shift_max=10.0), 0.3)],
)
def test_a_first_trial_is_fifteen_steps_or_a_small_part_of_the_range(console, size):
    got = trial(Point(0.0, 0.0, 30.0, 10.0, 0.1, 0.1), console=console)
    assert (got.nudge.x, got.nudge.y) == (pytest.approx(size), 0.0)
    assert (got.nudge.x_sigma, got.nudge.y_sigma, got.nudge.score_after, got.limited) == (0.0, 0.0, None, False)
    assert got.shift_x == got.nudge.x


def test_a_first_trial_is_told_with_the_way_back():
    got = trial(Point(1.0, 0.0, 30.0, 10.0, 0.1, 0.1), console=Console(name_x="knob 1"))
    assert got.sentences == (
        "Trial move: change knob 1 by +1.5, then take a picture. It teaches which way the axes turn the beam.",
        "It may go the wrong way: that teaches as much. If the light fades, go back to the noted readings.",
    )


@pytest.mark.parametrize(
    ("seen", "sigma", "size"),
    [
        (2.0, 1.0, 1.5 * 4),  # aims at 8σ = 8 %
        (4.0, 2.0, 1.5 * 15 / 4),  # aims at 15 % at most
        (1.0, 0.6, 1.5 * 4),  # at 5 % at least, and four times as far at most
    ],
)
def test_a_trial_hardly_seen_is_repeated_as_large_as_it_takes(seen, sigma, size):
    first = Point(0.0, 0.0, 0.0, 30.0, sigma, sigma)
    got = trial(first, Point(1.5, 0.0, seen, 30.0, sigma, sigma))
    assert (got.nudge.x, got.nudge.y) == (pytest.approx(size), 0.0)
    assert len(got.sentences) == 2


@pytest.mark.parametrize(
    ("offset", "sigma", "percent"),
    [(20.0, 0.1, 10.0), (40.0, 0.1, 14.0), (100.0, 0.1, 20.0), (2.0, 0.05, 10.0), (20.0, 1.5, 12.0)],
)
def test_a_second_trial_grows_with_what_is_left_and_with_the_doubt(offset, sigma, percent):
    """X is known to move 4 % a unit; Y is tried by twice 5 %, a third of the offset or 8σ, and never more than 20 %."""
    got = trial(Point(0.0, 0.0, -40.0, offset, sigma, sigma), Point(10.0, 0.0, 0.0, offset, sigma, sigma))
    assert got.nudge.y == pytest.approx(percent / 4, rel=0.01)
    assert got.nudge.x == pytest.approx(0.0, abs=0.02)
    assert got.sentences[2] == (
        f"Its size follows from the first trial: about {percent:.0f} % of the aperture radius on an axis."
    )


def test_the_known_axis_never_moves_farther_than_the_new_one():
    got = trial(Point(-2.0, 0.0, 22.0, 0.0, 0.1, 0.1), Point(0.0, 0.0, 30.0, 0.0, 0.1, 0.1))
    assert got.nudge.y == pytest.approx(0.35 * 30 / 4, rel=0.01)
    assert got.nudge.x == pytest.approx(-got.nudge.y)  # of the 7.5 units back that it would take
    assert got.sentences[0].startswith("Trial move: change gun shift X by −2.625 and gun shift Y by +2.625, then")


def test_a_second_trial_is_one_step_at_least():
    got = trial(
        Point(0.0, 0.0, -38.0, 1.0, 0.1, 0.1), Point(1.0, 0.0, 2.0, 1.0, 0.1, 0.1), console=Console(shift_step=1.0)
    )
    assert (got.nudge.x, got.nudge.y) == (0.0, 1.0)


def test_a_second_axis_hardly_seen_is_tried_again_alone():
    s = 0.3
    points = [Point(0.0, 0.0, 10.0, 9.0, s, s), Point(2.0, 0.0, 18.0, 9.0, s, s), Point(2.0, 0.1, 18.1, 9.1, s, s)]
    got = trial(*points)
    assert got.nudge.x == 0.0
    assert got.nudge.y > 1.0


def test_a_trial_turns_round_before_the_end_of_the_range_where_that_is_not_far():
    for x, y in ((9.0, 0.0), (0.0, 0.0)):
        got = trial(Point(x, y, 30.0, 1.0, 0.1, 0.1), console=Console(shift_min=-10.0, shift_max=10.0))
        assert got.nudge.x == pytest.approx(-1.5 if x else 1.5)
        assert got.limited is bool(x)
    narrow = Console(shift_min=-1.0, shift_max=1.0)  # there the whole trial is more than a fifth of the range
    got = trial(Point(0.93, 0.0, 30.0, 1.0, 0.1, 0.1), console=narrow)
    assert got.shift_x == pytest.approx(1.0)
    assert got.nudge.x == pytest.approx(0.07)
    assert got.limited
    coarse = Console(shift_step=0.4, shift_min=-1.0, shift_max=1.0)  # whose end is none of its steps
    assert trial(Point(0.3, 0.0, 30.0, 1.0, 0.1, 0.1), console=coarse).shift_x == pytest.approx(0.8)


def test_a_doubtful_offset_is_tried_unless_it_is_small():
    for offset, kind in ((6.0, "trial"), (4.9, "centered")):
        got = trial(Point(0.0, 0.0, offset, 0.0, 4.0, 4.0))
        assert got.kind == kind
        assert got.sentences[0].startswith("Centered within" if kind == "centered" else "Trial move")


def test_two_axes_along_one_line_are_no_reason_for_a_nudge():
    for y, kind in ((0.1, "trial"), (1.0, "nudge")):  # singular values of ((4, 4), (0, y)): 5.7 and about 0.7 y
        known = learner(Calibration(((4.0, 4.0), (0.0, y)), tuple(map(tuple, (1e-6 * np.eye(4)).tolist()))))
        known = known.observe(Point(0.0, 0.0, 10.0, 5.0, 0.01, 0.01))
        assert next_move(known, FREE).kind == kind
        assert trial_move(known, FREE).kind == "trial"


def test_the_next_nudge_knows_the_works_radius_and_the_matrix_doubt():
    known = learner(PLAIN).observe(SEEN)
    full, small = (next_move(known, FREE, working_ratio=r).nudge for r in (None, 0.8))
    assert full.x_sigma == pytest.approx(sqrt(0.125) / 4, rel=1e-4)
    assert small.score_after > full.score_after
    assert next_move(known).shift_x == pytest.approx(8.0)
