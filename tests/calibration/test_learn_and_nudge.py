"""Nudges with their doubt, learning from them, and trial moves where nothing is known."""

from dataclasses import replace

import numpy as np
import pytest

from apertrue.calibration import Calibration, Point, learner, next_move, nudge_for, plan_nudge
from apertrue.calibration.leastsquares import least_squares
from apertrue.calibration.nudge import expected_score, flat_score
from apertrue.errors import CalibrationError
from apertrue.instrument import Console

A = np.array([[3.0, -1.2], [1.0, 2.5]])
FREE = Console(shift_step=0.0)


def calibration(relative=0.01, matrix=A, **more):
    cov = np.eye(4) * (relative * 3.0) ** 2
    return Calibration(tuple(map(tuple, matrix.tolist())), tuple(map(tuple, cov.tolist())), **more)


def point(x, y, sigma=0.1, shift=(0.0, 0.0), **more):
    return Point(shift[0], shift[1], x, y, sigma, sigma, **more)


# --- recursive least squares ------------------------------------------------------------------------------------------
def _batch(points, prior, wander):
    """The same model solved at once: random-walk covariance of c between the points, prior on A."""
    n = len(points)
    design, observed = np.zeros((2 * n, 6)), np.zeros(2 * n)
    cov = np.zeros((2 * n, 2 * n))
    for i, p in enumerate(points):
        d = p.readings - points[0].readings
        design[2 * i : 2 * i + 2] = np.hstack([np.eye(2), np.kron(np.eye(2), d)])
        observed[2 * i : 2 * i + 2] = p.offset
        cov[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += p.covariance
        for j, q in enumerate(points):
            hours = (min(p.minutes, q.minutes) - points[0].minutes) / 60.0
            cov[2 * i : 2 * i + 2, 2 * j : 2 * j + 2] += np.eye(2) * wander**2 * hours
    rows = np.hstack([np.zeros((4, 2)), np.eye(4)])
    design, observed = np.vstack([design, rows]), np.concatenate([observed, prior.a.ravel()])
    whole = np.zeros((2 * n + 4, 2 * n + 4))
    whole[: 2 * n, : 2 * n], whole[2 * n :, 2 * n :] = cov, prior.cov
    return least_squares(design, observed, whole)


@pytest.mark.parametrize("wander", [0.0, 2.0])
def test_recursive_learning_equals_the_batch_solution(wander):
    rng = np.random.default_rng(3)
    prior = calibration(0.1)
    points = []
    for k in range(12):
        s = rng.normal(0.0, 3.0, 2)
        o = np.array([2.0, -1.0]) + A @ s + rng.normal(0.0, 0.3, 2)
        points.append(Point(*map(float, s), *map(float, o), 0.3, 0.2, 0.4, minutes=7.0 * k))
    known = learner(prior, wander=wander, points=points)
    batch = _batch(points, prior, wander)
    assert known.matrix.ravel() == pytest.approx(batch.parameters[2:], rel=1e-6)
    assert known.matrix_covariance == pytest.approx(batch.covariance[2:, 2:], rel=1e-5, abs=1e-12)
    if wander == 0.0:
        assert known.theta[:2] == pytest.approx(batch.parameters[:2], rel=1e-5)


def test_surprise_is_uniform_while_the_calibration_holds_and_tiny_when_not():
    rng = np.random.default_rng(8)
    seen = []
    for _ in range(400):
        true = A + rng.normal(0.0, 0.03, (2, 2))
        o0 = rng.normal(0.0, 10.0, 2)
        s = rng.normal(0.0, 3.0, 2)
        first = point(*map(float, o0 + rng.normal(0.0, 0.1, 2)))
        o1 = o0 + true @ s + rng.normal(0.0, 0.1, 2)
        known = learner(
            calibration(0.01), wander=0.0, points=[first, point(*map(float, o1), shift=tuple(map(float, s)))]
        )
        seen.append(known.surprise)
    # 5 % of 400: the two-sided 99.9 % binomial band is 8–36.
    assert 8 <= sum(p < 0.05 for p in seen) <= 36
    wrong = learner(calibration(0.01), points=[point(0.0, 0.0), point(-6.0, -2.0, shift=(2.0, 0.0))])
    assert wrong.surprise < 1e-9


def test_learning_needs_a_sigma_and_both_axes():
    with pytest.raises(CalibrationError, match="1σ is not known"):
        learner().observe(replace(point(0.0, 0.0), x_sigma=None))
    one_axis = learner(points=[point(0.0, 0.0), point(6.0, 2.0, shift=(2.0, 0.0))])
    with pytest.raises(CalibrationError, match="move the other axis"):
        one_axis.calibration()
    both = one_axis.observe(point(4.0, 6.0, shift=(2.0, 1.6)))
    assert both.calibration().a[:, 0] == pytest.approx([3.0, 1.0], abs=0.2)


# --- nudges -----------------------------------------------------------------------------------------------------------
def test_nudge_undoes_the_offset():
    nudge = nudge_for(point(12.0, -7.0), calibration(), FREE)
    assert A @ [nudge.x, nudge.y] == pytest.approx([-12.0, 7.0])
    assert not nudge.centered


def test_sigma_of_the_nudge_covers_the_truth():
    # 1000 microscopes: the ideal move lies within the 95 % ellipse 926–971 times (two-sided 99.9 % binomial band).
    rng = np.random.default_rng(12)
    hits = 0
    for _ in range(1000):
        cal = calibration(0.02)
        true = A + rng.normal(0.0, 0.06, (2, 2))
        o = np.array([15.0, 8.0])
        seen = o + rng.normal(0.0, 0.2, 2)
        n = nudge_for(point(*map(float, seen), sigma=0.2), cal, FREE)
        d = np.array([n.x, n.y]) + np.linalg.solve(true, o)
        off = n.correlation * n.x_sigma * n.y_sigma
        hits += d @ np.linalg.solve([[n.x_sigma**2, off], [off, n.y_sigma**2]], d) <= 5.99146455
    assert 926 <= hits <= 971


def test_nudge_is_rounded_to_the_step_and_better_than_plain_rounding():
    rng = np.random.default_rng(1)
    console = Console(shift_step=0.5)
    skewed = np.array([[3.0, 2.6], [0.3, 1.2]])
    for _ in range(200):
        o = rng.normal(0.0, 15.0, 2)
        start = (0.5 * float(rng.integers(-20, 20)), 0.5 * float(rng.integers(-20, 20)))
        move = plan_nudge(point(*map(float, o), sigma=0.01, shift=start), calibration(matrix=skewed), console)
        for value in (move.shift_x, move.shift_y):
            assert value / 0.5 == pytest.approx(round(value / 0.5), abs=1e-9)
        plain = np.round(-np.linalg.solve(skewed, o) / 0.5) * 0.5
        left = np.hypot(*(o + skewed @ [move.nudge.x, move.nudge.y]))
        assert left <= np.hypot(*(o + skewed @ plain)) + 1e-9 or move.kind == "centered"


def test_readings_between_the_steps_are_led_back_to_them():
    move = plan_nudge(point(12.0, -7.0, shift=(0.03, -0.07)), calibration(), Console(shift_step=0.1))
    assert move.shift_x * 10 == pytest.approx(round(move.shift_x * 10), abs=1e-9)
    assert move.shift_y * 10 == pytest.approx(round(move.shift_y * 10), abs=1e-9)


def test_range_of_the_console_limits_the_nudge_and_says_so():
    console = Console(shift_min=-2.0, shift_max=2.0)
    move = plan_nudge(point(30.0, 0.0, shift=(-1.0, 0.0)), calibration(), console)
    assert move.limited
    assert -2.0 <= move.shift_x <= 2.0
    assert -2.0 <= move.shift_y <= 2.0
    assert "range cuts this move short" in " ".join(move.sentences)
    assert move.nudge.offset_after_percent > 5.0


@pytest.mark.parametrize(("offset", "stays"), [(0.19, True), (0.15, True), (0.25, True), (0.9, False), (5.0, False)])
def test_noise_is_not_chased(offset, stays):
    move = plan_nudge(point(offset, 0.0, sigma=0.1), calibration(), Console(shift_step=0.01))
    assert move.nudge.centered is stays
    assert (move.kind == "centered") is stays
    if stays:
        assert (move.nudge.x, move.nudge.y) == (0.0, 0.0)
        assert "within the measurement's doubt" in move.sentences[0]


def test_large_doubt_is_no_reason_to_stay():
    assert plan_nudge(point(9.0, 0.0, sigma=4.0), calibration(), Console()).kind == "nudge"
    assert plan_nudge(point(7.0, 0.0, sigma=4.0), calibration(), Console()).kind == "centered"


def test_offset_below_half_a_step_is_left():
    assert plan_nudge(point(0.9, 0.0, sigma=0.01), calibration(), Console(shift_step=1.0)).kind == "centered"


def test_words_carry_a_move_and_its_doubt_to_the_same_decimal_and_readings_in_the_consoles():
    move = plan_nudge(point(12.0, -7.0), calibration(0.02), Console(shift_step=0.1))
    assert move.sentences[0].startswith(f"Change gun shift X by {move.nudge.x:+.2f} ± ".replace("-", "−"))
    assert f"(to {move.shift_x:.1f})".replace("-", "−") in move.sentences[0]
    assert "Expect a working score of" in move.sentences[1]


def test_known_backlash_is_taken_along_when_an_axis_turns_back():
    # The axis came from below; the nudge goes down: with backlash b = −0.4 the slack of 0.4 has to be taken up first.
    cal = calibration(backlash=(-0.4, 0.0))
    plain = nudge_for(point(9.0, 3.0, approach=(-1, 0)), cal, FREE)
    back = nudge_for(point(9.0, 3.0, approach=(1, 0)), cal, FREE)
    assert plain.x == pytest.approx(-3.0, abs=0.01)
    assert back.x == pytest.approx(-3.4, abs=0.01)


def test_nudge_without_a_sigma_is_refused():
    with pytest.raises(CalibrationError, match="1σ of its offset is not known"):
        nudge_for(replace(point(3.0, 1.0), y_sigma=None), calibration())


# --- score to expect --------------------------------------------------------------------------------------------------
def test_flat_score_agrees_with_the_trade_card():
    # design: a flat beam that just fills the aperture passes 96.8 at 5 %, 87.3 at 20 % (two circles' lens, textbook).
    assert flat_score(0.05) == pytest.approx(96.8, abs=0.05)
    assert flat_score(0.20) == pytest.approx(87.3, abs=0.05)
    assert flat_score(0.0, 0.9) == 100.0
    assert flat_score(0.1, 0.9) == pytest.approx(100.0)


def test_expected_score_against_plain_averaging():
    rng = np.random.default_rng(0)
    cov = np.array([[4.0, 1.0], [1.0, 2.0]])
    o = np.array([6.0, -3.0])
    mean, spread = expected_score(o, cov)
    samples = [flat_score(np.hypot(*s) / 100.0) for s in rng.multivariate_normal(o, cov, 20000)]
    assert mean == pytest.approx(np.mean(samples), abs=4 * np.std(samples) / np.sqrt(20000) + 0.01)
    assert spread == pytest.approx(np.std(samples), rel=0.05)


# --- trial moves ------------------------------------------------------------------------------------------------------
def test_first_trial_is_small_moves_one_axis_and_promises_nothing():
    move = next_move(learner(points=[point(30.0, 10.0)]), Console())
    assert move.kind == "trial"
    assert (move.nudge.x, move.nudge.y) == (1.5, 0.0)
    assert move.nudge.score_after is None
    assert "teaches which way" in move.sentences[0]
    assert "go back to the noted readings" in move.sentences[1]


def test_trial_near_the_end_of_the_range_turns_round():
    move = next_move(learner(points=[point(30.0, 10.0, shift=(99.5, 0.0))]), Console())
    assert move.shift_x == pytest.approx(98.0)


def test_second_trial_moves_the_other_axis_and_the_third_move_is_a_nudge():
    first = point(30.0, 10.0)
    second = point(34.5, 11.5, shift=(1.5, 0.0))
    move = next_move(learner(points=[first, second]), Console())
    assert move.kind == "trial"
    assert move.nudge.y != 0.0
    assert move.nudge.x < 0.0  # takes out with X what X can
    assert "Its size follows from the first trial: about 1" in move.sentences[2]
    o = np.array([30.0, 10.0]) + A @ [move.shift_x, move.shift_y]
    third = point(*map(float, o), shift=(move.shift_x, move.shift_y))
    nudge = next_move(learner(points=[first, second, third]), Console())
    assert nudge.kind == "nudge"
    left = np.array([30.0, 10.0]) + A @ [nudge.shift_x, nudge.shift_y]
    assert np.hypot(*left) < 3.0


def test_trial_that_showed_nothing_is_repeated_larger_on_the_same_axis():
    known = learner(points=[point(30.0, 10.0, sigma=0.5), point(30.1, 10.0, sigma=0.5, shift=(1.5, 0.0))])
    move = next_move(known, Console())
    assert move.kind == "trial"
    assert move.nudge.y == 0.0
    assert move.nudge.x > 1.5


def test_centered_from_the_start_needs_no_trial():
    assert next_move(learner(points=[point(0.1, 0.0)]), Console()).kind == "centered"


def test_no_picture_no_move():
    with pytest.raises(CalibrationError, match="take a picture first"):
        next_move(learner())
