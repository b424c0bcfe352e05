"""Formulas of the room against numbers worked out by hand: what mutation testing found that no other test sees."""

from dataclasses import replace
from math import log, sqrt

import numpy as np
import pytest

from apertrue.calibration import (
    Calibration,
    Guide,
    Point,
    StateKey,
    add_calibration,
    at_focus,
    confirm,
    contradiction,
    from_estimate,
    learner,
    load_calibrations,
    next_move,
    nudge_for,
    plan_nudge,
)
from apertrue.calibration import estimate as solve
from apertrue.calibration.confirm import _noise
from apertrue.calibration.estimate import DRIFT_PRIOR, WANDER, picture_noise
from apertrue.calibration.files import forget_calibration
from apertrue.calibration.leastsquares import chi2_quantile
from apertrue.calibration.moves import _Step, _step, _wander
from apertrue.calibration.nudge import expected_score, flat_score
from apertrue.calibration.quality import next_point, quality, relative_doubts
from apertrue.calibration.questions import unlike_suggested
from apertrue.errors import CalibrationError
from apertrue.instrument import Console

A = np.array([[3.0, -1.2], [1.0, 2.5]])


def calibration(relative=0.01, matrix=A, **more):
    cov = np.eye(4) * (relative * 3.0) ** 2
    return Calibration(tuple(map(tuple, matrix.tolist())), tuple(map(tuple, cov.tolist())), **more)


def taken(places, matrix=A, sigma=0.1, noise=None):
    """Points at ``places`` of a microscope that is 2 % to the right and 1 % up at zero readings."""
    out = []
    for i, s in enumerate(places):
        o = np.array([2.0, -1.0]) + matrix @ np.array(s) + (0.0 if noise is None else noise[i])
        out.append(Point(float(s[0]), float(s[1]), float(o[0]), float(o[1]), sigma, sigma))
    return out


# --- doubts ---------------------------------------------------------------------------------------------------------
def test_doubts_of_a_stretched_matrix_are_those_of_its_weak_axis():
    # The effect of (cos t, sin t) has the 1σ 0.1 on both components and the length |(4 cos t, 2 sin t)|, at least 2.
    got = relative_doubts(np.diag([4.0, 2.0]), 0.01 * np.eye(4))
    assert got == pytest.approx((0.05, 0.05))


def test_length_and_direction_are_doubted_apart():
    # Only the x components of the effects are doubted: of X they are the length, of Y the direction.
    got = relative_doubts(np.eye(2), np.diag([0.04, 0.0, 0.0, 0.0]))
    assert got[0] == pytest.approx(0.2)  # along X
    assert got[1] == pytest.approx(0.1)  # half-way: cos t · sin t is 1/2 at most


def test_across_is_across_for_slanting_moves_too():
    # Y moves the beam along (1, 1), and how far along it is doubted: of other moves that is in part their direction.
    u, a = np.array([1.0, 1.0]), np.array([[4.0, 1.0], [0.0, 1.0]])
    covariance = np.zeros((4, 4))
    covariance[np.ix_([1, 3], [1, 3])] = 0.04 * np.outer(u, u)
    length, direction = relative_doubts(a, covariance)
    t = np.pi * np.arange(24) / 24
    way = a @ [np.cos(t), np.sin(t)]
    along, across = (
        np.abs(0.2 * np.sin(t) * part) / (way**2).sum(axis=0) for part in (way[0] + way[1], way[0] - way[1])
    )
    assert length == pytest.approx(along.max())
    assert direction == pytest.approx(across.max())


def test_the_random_walk_begins_with_the_first_picture():
    points = [replace(p, minutes=600.0 + 30.0 * i) for i, p in enumerate(taken([(0.0, 0.0)] * 3, sigma=0.1))]
    got = picture_noise(points, 2.0)[::2, ::2]
    assert got == pytest.approx(0.01 * np.eye(3) + 4.0 * np.array([[0, 0, 0], [0, 0.5, 0.5], [0, 0.5, 1.0]]))


def test_between_foci_the_doubt_is_enlarged_by_what_contradicts():
    """Three foci, the middle one off the line of the others by far more than its doubt."""
    made = [
        calibration(0.01, A * gain, state=StateKey("positive", focus), n_points=4)
        for focus, gain in ((10.0, 1.0), (20.0, 1.3), (30.0, 1.2))
    ]
    got = at_focus(made, 20.0)
    assert got.chi2 > 50
    assert (got.dof, got.n_points) == (4, 12)
    # Of the mean of three alike: a third of the variance, enlarged by the residual standard deviation.
    assert np.diag(got.cov) == pytest.approx([0.03**2 / 3 * got.chi2 / got.dof] * 4)
    on_a_line = at_focus([made[0], made[2]], 20.0)
    assert np.diag(on_a_line.cov) == pytest.approx([0.03**2 / 2] * 4)


@pytest.mark.parametrize(("noise", "said"), [(0.02, "agree with"), (0.5, "are far larger")])
def test_residuals_are_called_by_their_probability(noise, said):
    rng = np.random.default_rng(2)
    places = [(0.0, 0.0), (3.0, 0.0), (3.0, 3.0), (0.0, 3.0), (-2.0, 1.0)]
    got = quality(solve(taken(places, sigma=0.05, noise=rng.normal(0.0, noise, (5, 2)))))
    assert any(said in sentence for sentence in got.sentences)


def test_the_next_point_sharpens_as_much_as_it_says():
    """Against the information form: the doubt with the point is the inverse of the sum of both informations."""
    rng = np.random.default_rng(5)
    places = [(0.0, 0.0), (3.0, 0.0), (3.0, 3.0), (0.0, 3.0), (-2.0, 1.0)]
    points = taken(places, sigma=0.05, noise=rng.normal(0.0, 0.4, (5, 2)))
    result = solve(points, step=0.2)
    assert result.enlarged > 1.5
    best = next_point(result, safe_offset=15.0)
    noise = 0.05**2 * np.eye(2) * result.enlarged**2 + 0.2**2 / 12 * result.matrix @ result.matrix.T
    row = np.hstack([np.eye(2), np.kron(np.eye(2), [best.shift_x, best.shift_y])])
    after = np.linalg.inv(np.linalg.inv(result.joint) + row.T @ np.linalg.inv(noise) @ row)
    before = np.linalg.slogdet(result.joint[2:, 2:])[1]
    assert 8 * log(best.sharper) == pytest.approx(before - np.linalg.slogdet(after[2:, 2:])[1], rel=1e-6)
    expected = result.intercept + result.matrix @ [best.shift_x, best.shift_y]
    assert best.offset_percent == pytest.approx(np.hypot(*expected))


def test_three_points_ask_for_a_fourth_however_good_they_are():
    got = quality(solve(taken([(0.0, 0.0), (4.0, 0.0), (0.0, 4.0)], sigma=0.01)))
    assert got.word == "good"
    assert any(s.startswith("The next point that helps most") for s in got.sentences)
    assert got.direction_doubt_deg == pytest.approx(
        np.degrees(relative_doubts(A, solve(taken([(0.0, 0.0), (4.0, 0.0), (0.0, 4.0)], sigma=0.01)).covariance)[1])
    )


@pytest.mark.parametrize(("sigma", "word"), [(0.05, "good"), (0.3, "fair"), (1.5, "poor")])
def test_a_calibration_is_called_by_its_worst_doubt(sigma, word):
    # Four units of 2.7 % at least, seen against the start: 0.7 %, 4 % and 20 % of the length.
    got = quality(solve(taken([(0.0, 0.0), (4.0, 0.0), (0.0, 4.0), (4.0, 4.0)], sigma=sigma)))
    assert got.word == word


def test_a_sure_offset_has_the_score_of_its_place():
    mean, spread = expected_score(np.array([12.0, -16.0]), 1e-8 * np.eye(2))
    assert mean == pytest.approx(flat_score(0.2), abs=1e-3)
    assert spread == pytest.approx(0.0, abs=1e-3)
    assert learner(points=[Point(0.0, 0.0, 1.0, 1.0, 0.1, 0.1)]).surprise is None


def test_quantiles_of_chi_squared_are_those_of_the_tables():
    assert chi2_quantile(0.95, 2) == pytest.approx(5.991, abs=5e-4)
    assert chi2_quantile(0.95, 4) == pytest.approx(9.488, abs=5e-4)


def test_backlash_leaves_the_drift_its_prior():
    """Both are fitted with a prior each: the second must not take the place of the first."""
    places = [(0.0, 0.0), (4.0, 0.0), (2.0, 0.0), (2.0, 4.0), (2.0, 2.0), (-2.0, 3.0)]
    points = [replace(p, minutes=0.5 * i) for i, p in enumerate(taken(places))]
    got = solve(points, step=0.1)
    assert got.backlash is not None
    assert got.drift_sigma is not None
    assert max(got.drift_sigma) <= DRIFT_PRIOR * (1 + 1e-9)
    made = from_estimate(got)
    assert made.backlash == got.backlash


# --- moves ----------------------------------------------------------------------------------------------------------
def test_pairs_without_a_move_tell_the_wander_beside_three_usual_ones():
    one = _Step(2.0, np.zeros(2), np.array([3.0, 1.0]), np.array([1.0, 1.0]))  # (8 + 0) / 2 / 2 h = 2 %²/h
    assert _wander([]) == WANDER**2
    assert _wander([one]) == pytest.approx((3 * WANDER**2 + 2.0) / 4)
    assert _wander([one, one]) == pytest.approx((3 * WANDER**2 + 4.0) / 5)


def test_the_works_own_radius_counts_for_the_score_to_expect():
    point = Point(0.0, 0.0, 6.0, -3.0, 1.5, 1.5)
    small, full = (nudge_for(point, calibration(), working_ratio=r) for r in (0.5, None))
    assert small.score_after > full.score_after + 0.5
    assert small == plan_nudge(point, calibration(), working_ratio=0.5).nudge


def test_a_beam_that_is_centered_stays_where_it_is():
    got = next_move(learner(points=[Point(3.0, -4.0, 0.05, 0.02, 0.1, 0.1)]))
    assert (got.kind, got.shift_x, got.shift_y) == ("centered", 3.0, -4.0)
    n = got.nudge
    assert (n.x, n.y, n.x_sigma, n.y_sigma, n.centered) == (0.0, 0.0, 0.0, 0.0, True)


def test_a_second_trial_takes_out_what_the_known_axis_can():
    # X moves the beam by 4 % a unit to the right; of (2, 1) it takes out 2 with half a unit back.
    known = learner(points=[Point(0.0, 0.0, -6.0, 1.0, 0.1, 0.1), Point(2.0, 0.0, 2.0, 1.0, 0.1, 0.1)])
    got = next_move(known, Console(shift_step=0.0))
    assert got.kind == "trial"
    assert got.nudge.x == pytest.approx(-0.5, abs=0.01)
    assert got.nudge.y == pytest.approx(10.0 / 4, abs=0.01)  # twice the first trial's 5 %


def test_the_second_trial_turns_the_other_axis_whichever_was_first():
    # Y moves the beam by 4 % a unit downward; nothing is left to take out along it.
    known = learner(points=[Point(0.0, 0.0, 1.0, -8.0, 0.1, 0.1), Point(0.0, 2.0, 1.0, 0.0, 0.1, 0.1)])
    got = next_move(known, Console(shift_step=0.0))
    assert (got.nudge.x, got.nudge.y) == (pytest.approx(2.5, abs=0.01), pytest.approx(0.0, abs=0.01))
    # Seen too little of it: that axis again, larger, and not the one that was never turned.
    blind = [Point(0.0, 0.0, 20.0, 0.0, 2.0, 2.0), Point(0.0, 0.3, 20.0, 1.0, 2.0, 2.0)]
    again = next_move(learner(points=blind), Console(shift_step=0.1))
    assert again.nudge.x == 0.0
    assert again.nudge.y == pytest.approx(0.3 * 4)


def test_the_words_of_a_move_end_where_both_readings_end():
    got = plan_nudge(Point(10.0, 20.0, 12.0, -7.0, 0.1, 0.1), calibration(), Console(shift_step=0.1))
    for reading in (got.shift_x, got.shift_y):
        assert f"{reading:.1f}" in got.sentences[0]


def test_a_trial_that_saw_too_much_is_repeated_two_steps_small_at_least():
    blind = [Point(0.0, 0.0, 0.0, 0.0, 40.0, 40.0), Point(0.3, 0.0, 90.0, 0.0, 40.0, 40.0)]
    got = next_move(learner(points=blind, step=0.1), Console(shift_step=0.1))
    assert (got.nudge.x, got.nudge.y) == (pytest.approx(0.2), 0.0)


# --- confirmation ---------------------------------------------------------------------------------------------------
MOVES = [(0.0, 0.0), (2.0, 0.0), (2.0, 2.0)]


def test_an_axis_typed_with_the_wrong_sign_is_named():
    for signs, named in (([-1, 1], "With X turned"), ([1, -1], "With Y turned"), ([-1, -1], "With X and Y turned")):
        got = confirm(calibration(), taken(MOVES, A * signs))
        assert not got.agrees
        assert named in " ".join(got.sentences)
    assert "turned the other way" not in " ".join(confirm(calibration(), taken(MOVES, 1.4 * A)).sentences)


def test_what_is_neither_turned_nor_rescaled_as_a_whole_is_changed():
    # One move a quarter too long, the other shorter by as much weight: as a whole neither turned nor of another length.
    start, *after = taken(MOVES, sigma=0.12)
    first, second = (p.offset - start.offset for p in after)
    seen = (first * 1.25, second * (1 - 0.25 * (first @ first) / (second @ second)))
    points = [
        start,
        *(
            replace(p, offset_x=float(v[0]), offset_y=float(v[1]))
            for p, v in zip(after, start.offset + seen, strict=True)
        ),
    ]
    got = confirm(calibration(0.02), points)
    assert got.kind == "changed"
    assert not got.agrees
    assert abs(got.rotation_deg) < 3 * got.rotation_sigma_deg
    assert any(s.startswith("Against the calibration: turned by") for s in got.sentences)
    assert any(s.startswith("Do not use it") for s in got.sentences)


def test_rotation_and_scale_are_told_of_an_agreement_and_not_of_moves_too_small():
    fine = confirm(calibration(), taken(MOVES))
    assert (fine.kind, fine.agrees) == ("agrees", True)
    assert fine.rotation_deg == pytest.approx(0.0, abs=1e-6)
    assert any(s.startswith("Against the calibration: turned by") for s in fine.sentences)
    weak = confirm(calibration(), taken([(0.0, 0.0), (0.1, 0.0)], sigma=0.2))
    assert (weak.kind, weak.agrees) == ("weak", True)
    assert not any(s.startswith("Against") for s in weak.sentences)


def test_the_consoles_step_is_part_of_the_doubt_of_a_confirmation():
    """Each displacement has its own picture's doubt and reading, and those of the first, which all share."""
    got = _noise(taken(MOVES, sigma=0.2), calibration(step=0.5), 0.0)
    own = 0.2**2 * np.eye(2) + 0.5**2 / 12 * A @ A.T
    assert got == pytest.approx(np.block([[2 * own, own], [own, 2 * own]]))


def test_axes_of_little_effect_are_not_called_opposite():
    kept, new = (calibration(0.001, 0.1 * A * gain) for gain in (1.0, 2.0))
    odd = contradiction([kept], new)
    assert odd is not None
    assert odd.opposite == ()
    back = contradiction([kept], calibration(0.001, 0.1 * A * [1, -1]))
    assert back is not None
    assert back.opposite == ("Y",)


def test_a_move_between_pictures_without_a_stated_doubt_has_the_usual_one():
    a, b = (Point(0.0, 0.0, 1.0, 2.0, 0.1, None, minutes=m) for m in (0.0, 30.0))
    step = _step(a, b)
    assert step.hours == 0.5
    assert step.variance == pytest.approx([2 * 0.1**2, 2 * 0.5**2])


# --- learning -------------------------------------------------------------------------------------------------------
def test_learning_knows_readings_to_a_step_only():
    """One move of a known axis: rounding of the reading, and a step of slack as it was turned for the first time."""
    step, known = 0.5, calibration(1e-6)
    first, second = Point(0.0, 0.0, 2.0, -1.0, 0.1, 0.1), Point(2.0, 0.0, 8.0, 1.0, 0.1, 0.1)
    got = learner(known, step=step, wander=0.0, points=[first, second])
    rounding, slack = step**2 / 12, step**2
    noise = 0.1**2 * np.eye(2)
    # X was turned for the first time (slack), Y not at all (rounding only).
    noise = noise + (rounding + slack) * np.outer(A[:, 0], A[:, 0]) + rounding * np.outer(A[:, 1], A[:, 1])
    expected = np.linalg.inv(np.linalg.inv(0.1**2 * np.eye(2)) + np.linalg.inv(noise))
    assert got.covariance[:2, :2] == pytest.approx(expected, rel=1e-3)
    # On the same way again there is no slack; back again there is.
    third = got.observe(Point(4.0, 0.0, 14.0, 3.0, 0.1, 0.1)).covariance[:2, :2]
    back = got.observe(Point(1.0, 0.0, 5.0, 0.0, 0.1, 0.1)).covariance[:2, :2]
    on = 0.1**2 * np.eye(2) + rounding * A @ A.T
    assert third == pytest.approx(np.linalg.inv(np.linalg.inv(expected) + np.linalg.inv(on)), rel=1e-3)
    assert back == pytest.approx(np.linalg.inv(np.linalg.inv(expected) + np.linalg.inv(noise)), rel=1e-3)


def test_the_gun_wanders_between_pictures_while_one_learns():
    apart = 30.0
    points = [Point(0.0, 0.0, 2.0, -1.0, 0.1, 0.1, minutes=m) for m in (0.0, apart)]
    got = learner(calibration(1e-6), wander=3.0, points=points)
    before = 0.1**2 + 3.0**2 * apart / 60
    assert np.diag(got.covariance)[:2] == pytest.approx([1 / (1 / before + 1 / 0.1**2)] * 2, rel=1e-4)


def test_what_was_learned_keeps_its_doubt_and_counts_its_points():
    known = learner(calibration(0.1), points=taken(MOVES))
    for base, count in ((None, 3), (calibration(0.1, n_points=5), 8)):
        made = known.calibration(base, StateKey(kv=200.0))
        assert made.n_points == count
        assert made.cov == pytest.approx(known.matrix_covariance)
        assert sqrt(float(made.cov[0, 0])) < 0.3
    assert known.calibration(None, StateKey(kv=200.0)).state.kv == 200.0
    # A doubt of 70 % of the length is no calibration.
    with pytest.raises(CalibrationError, match="not enough is known"):
        learner(calibration(0.7), points=taken([(0.0, 0.0)])).calibration()


# --- file and guide ---------------------------------------------------------------------------------------------------
def test_a_calibration_is_taken_out_by_its_number(tmp_path):
    file = tmp_path / "kept.json"
    for k in range(3):
        add_calibration(file, calibration(note=f"n{k + 1}"))
    for wrong in (0, 4):
        with pytest.raises(CalibrationError, match="numbers are 1 to 3"):
            forget_calibration(file, wrong)
    assert forget_calibration(file, 1).note == "n1"
    assert forget_calibration(file, 2).note == "n3"
    assert [c.note for c in load_calibrations(file)] == ["n2"]
    forget_calibration(file, 1)
    with pytest.raises(CalibrationError, match="it holds none"):
        forget_calibration(file, 1)


def test_the_guide_doubts_readings_far_from_those_it_asked_for():
    guide = Guide(Console(shift_step=0.1))
    assert guide.unlike_suggested(3.0, 4.0) is None  # nothing was asked for yet
    assert guide.suggestion().kind == "first"
    guide = guide.add(taken([(3.0, 4.0)])[0])
    wish = guide.suggestion()
    assert wish.kind == "trial"
    assert guide.unlike_suggested(wish.shift_x, wish.shift_y) is None
    # "Far" is measured by the move that was asked for, whichever axis it turns.
    sideways = unlike_suggested((17.0, 7.7), (17.2, 7.7), (17.2, 4.9), 2)
    assert sideways is None
    lost_comma = unlike_suggested((17.2, 77.0), (17.2, 7.7), (17.2, 4.9), 2)
    assert lost_comma is not None
    assert (lost_comma.index, lost_comma.kind) == (2, "factor")
    odd = guide.unlike_suggested(wish.shift_x + 40.0, wish.shift_y)
    assert odd is not None
    assert odd.sentence.startswith("Point 2")
