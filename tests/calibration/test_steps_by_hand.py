"""Questions, guide, learning and past moves against sums done by hand; their limits and whole sentences."""

from dataclasses import replace
from math import exp, sqrt

import numpy as np
import pytest

from apertrue.calibration import Calibration, Guide, Point, StateKey, estimate, learner, next_point, questions
from apertrue.calibration.moves import calibration_from_moves
from apertrue.calibration.questions import unlike_suggested
from apertrue.errors import CalibrationError
from apertrue.instrument import Console

A = np.array([[3.0, -1.2], [1.0, 2.5]])
PLACES = [(0.5, -1.0), (4.5, -1.0), (0.5, 3.0), (4.5, 3.0), (-3.0, -4.0), (2.0, 1.5)]


def taken(places=PLACES, *, matrix=A, sigma=0.2, noise=0.0, seed=0):
    rng = np.random.default_rng(seed)
    out = []
    for i, s in enumerate(places):
        o = np.array([5.0, -3.0]) + matrix @ np.array(s) + noise * rng.normal(size=2)
        out.append(Point(float(s[0]), float(s[1]), float(o[0]), float(o[1]), sigma, sigma, label=f"row {i + 1}"))
    return out


# --- readings far from the suggested ones -----------------------------------------------------------------------------
@pytest.mark.parametrize("axis", ["X", "Y"])
@pytest.mark.parametrize(
    ("typed", "kind", "asks"),
    [
        ((-17.2, 7.7), "sign", "Is the sign of {} right"),
        ((-17.2, -7.7), "sign", "Are the signs of X and Y right"),
        ((7.7, 17.2), "swapped", "Are X and Y swapped"),
        ((172.0, 7.7), "factor", "Is {} right (a digit too many or a lost decimal comma)"),
        ((1.72, 7.7), "factor", "Is {} right (a misplaced decimal comma)"),
        ((1720.0, 7.7), "factor", "Is {} right (a lost decimal comma)"),
    ],
)
def test_each_usual_typing_error_is_asked_about_in_its_own_words(axis, typed, kind, asks):
    wish, before = (17.2, 7.7), (18.2, 4.9)
    if axis == "Y":
        typed, wish, before = typed[::-1], wish[::-1], before[::-1]
    got = unlike_suggested(typed, wish, before, 2)
    assert (got.index, got.kind, got.suggestion) == (2, kind, pytest.approx(wish))
    assert got.sentence == (
        f"Point 3: X {typed[0]:g}, Y {typed[1]:g}, where X {wish[0]:g}, Y {wish[1]:g} was to be set. "
        f"{asks.format(axis)}? X {wish[0]:g}, Y {wish[1]:g} would be near it."
    )


def test_far_is_three_times_the_move_and_near_a_fifth_of_that():
    # The move is 5 units long: 15 units off are taken as meant.
    assert unlike_suggested((25.0, 14.0), (10.0, 14.0), (7.0, 10.0), 0) is None
    odd = unlike_suggested((25.1, 14.0), (10.0, 14.0), (7.0, 10.0), 0)
    assert (odd.kind, odd.suggestion) == ("outlier", None)
    assert odd.sentence == "Point 1: X 25.1, Y 14, where X 10, Y 14 was to be set. Is that what the console shows?"
    # With the sign turned it would lie 3.8 of the 20.2 units off, or 4.2 of 19.8: a fifth is the limit.
    for x, kind in ((-11.8, "sign"), (-15.3, "outlier")):
        assert unlike_suggested((x, 0.0), (8.0, 0.0), (8.0, 1.0), 0).kind == kind


# --- leverage ---------------------------------------------------------------------------------------------------------
def corner(x, y, offset=(1.0, 1.0), at=0.0, span=1.0):
    """Three points on a corner one unit wide whose beam moved by 3 %, and a fourth far from it; without their σ."""
    places = [(at, at), (at + span, at), (at, at + span), (x, y)]
    offsets = [(0.0, 0.0), (3.0, 0.0), (0.0, 3.0), offset]
    return [
        Point(*s, *o, label="d.tif" if i == 3 else "") for i, (s, o) in enumerate(zip(places, offsets, strict=True))
    ]


def leverage(points):
    return [q for q in questions(points) if q.kind == "factor"]


@pytest.mark.parametrize(
    ("x", "fits"), [(6.9, None), (7.1, 0.71), (-6.1, -0.61), (150.0, 1.5), (19.0, 1.9), (21.0, 0.21), (-50.0, -0.5)]
)
def test_a_reading_six_ranges_off_is_asked_about_on_either_axis(x, fits):
    for swap in (False, True):
        got = leverage(corner(*((0.5, x) if swap else (x, 0.5))))
        if fits is None:
            assert got == []
            continue
        (asked,) = got
        name = "Y" if swap else "X"
        shown = f"X 0.5, Y {x:g}" if swap else f"X {x:g}, Y 0.5"
        assert asked.index == 3
        assert asked.suggestion == pytest.approx((0.5, fits) if swap else (fits, 0.5))
        assert asked.sentence == (
            f"Point 4 (d.tif): {shown}. {name} lies far outside the other readings, but the beam did not go far. "
            f"A digit too many, or a lost decimal comma? {name} = {fits:g} would fit."
        )


def test_a_far_reading_that_no_factor_explains_gets_no_suggestion():
    (asked,) = leverage(corner(108.0, 100.5, at=100.0))
    assert asked.suggestion is None
    assert asked.sentence.endswith("A digit too many, or a lost decimal comma?")


def test_a_beam_that_went_far_has_a_right_to_its_reading():
    # The others lie 4.24 % apart at most: nearer than twice that to all of them is not far.
    for x, odd in ((11.4, True), (11.6, False)):
        assert bool(leverage(corner(20.0, 0.5, (x, 0.0)))) is odd
    still = [replace(p, offset_x=p.offset_x / 30, offset_y=p.offset_y / 30) for p in corner(20.0, 0.5)]
    for x, odd in ((2.0, True), (2.2, False)):  # and 2 % are not far in any case
        assert bool(leverage([*still[:3], replace(still[3], offset_x=x, offset_y=0.0)])) is odd
    assert leverage(corner(7.1, 0.5)[1:3]) == []


# --- points that contradict each other --------------------------------------------------------------------------------
def test_a_contradiction_is_asked_about_in_whole_sentences():
    wrong = [replace(p, shift_x=-4.5) if i == 1 else p for i, p in enumerate(taken())]
    assert questions(wrong, step=0.1)[0].sentence == (
        "Point 2 (row 2): X -4.5, Y -1. Is the sign of X right? X 4.5, Y -1 would agree with the other points."
    )
    odd = [replace(p, shift_x=-7.3, label="") if i == 4 else p for i, p in enumerate(taken())]
    assert questions(odd, step=0.1)[0].sentence == (
        "Point 5: X -7.3, Y -4. It does not agree with the others. Was it read or typed wrongly, or did the view change?"
    )
    turned = [replace(p, offset_x=-p.offset_y, offset_y=p.offset_x) if i > 2 else p for i, p in enumerate(taken())]
    (all_,) = questions(turned, step=0.1)
    assert (all_.index, all_.kind, all_.suggestion) == (0, "outlier", None)
    p = estimate(turned, step=0.1, iterations=8).p_value
    assert all_.sentence == (
        f"The 6 points do not agree with each other (p = {p:.1g}), and no single typing error explains it. Did the view, the "
        "focus or the aperture change in between?"
    )


def test_the_likeliest_explanation_is_asked_about_first():
    points = [replace(p, shift_x=-p.shift_x) if i == 0 else p for i, p in enumerate(taken(sigma=0.3))]
    asked = questions(points, step=0.1)
    assert [(q.index, q.kind) for q in asked] == [(0, "sign"), (0, "factor")]
    likely = [
        estimate([replace(points[0], shift_x=x, shift_y=y), *points[1:]], step=0.1).p_value
        for x, y in (q.suggestion for q in asked)
    ]
    assert likely[0] > 0.9 > 0.1 > likely[1] > 0.01


def test_with_four_points_nobody_can_be_called_the_odd_one():
    places = [(0.0, 0.0), (4.0, 0.0), (0.0, 4.0), (4.0, 4.0)]
    four = [replace(p, offset_x=p.offset_x + 5.0) if i == 3 else p for i, p in enumerate(taken(places))]
    assert [q.index for q in questions(four, step=0.1) if q.kind == "outlier"] == [0]
    assert "The 4 points do not agree" in questions(four, step=0.1)[0].sentence


def test_doubt_begins_where_chance_is_one_in_ten_thousand():
    """χ² of four points, two degrees of freedom: 18.4 is passed by chance once in 10 000."""
    places = [(0.0, 0.0), (4.0, 0.0), (0.0, 4.0), (4.0, 4.0)]
    for off, asked in ((1.8, False), (1.95, True)):
        # The fourth off by d leaves residuals of d/4 each: χ² = (d / 2)² / 0.2² less what the gun's wander explains.
        points = [replace(p, offset_x=p.offset_x + off) if i == 3 else p for i, p in enumerate(taken(places))]
        p = estimate(points, step=0.0).p_value
        assert (p < 1e-4) is asked
        assert bool(questions(points)) is asked


@pytest.mark.parametrize(("ratio", "asked"), [(6.9, False), (7.1, True), (12.0, True)])
def test_axes_of_very_different_effect_are_asked_about(ratio, asked):
    places = [(0.0, 0.0), (4.0, 0.0), (0.0, 4.0)]
    for matrix, strong, weak in ((np.diag([ratio, 1.0]), "X", "Y"), (np.diag([1.0, ratio]), "Y", "X")):
        got = questions(taken(places, matrix=matrix, sigma=0.05))
        if not asked:
            assert got == ()
            continue
        assert [(q.index, q.kind, q.suggestion) for q in got] == [(0, "gain", None)]
        assert got[0].sentence == (
            f"Axis {strong} moves the beam {ratio:.0f} times as far as axis {weak} per console unit. "
            f"Is a reading of {weak} ten times too large, or one of {strong} ten times too small?"
        )
    assert questions(taken(places, matrix=np.diag([0.0, 9.0]), sigma=0.05)) == ()  # the estimate refuses it itself


def test_a_zero_has_no_sign_to_ask_about():
    # X stands at 0 there: both signs turned is the sign of Y alone, and is asked about once.
    places = [(0.0, -3.0), *PLACES[1:]]
    points = [replace(p, shift_y=-p.shift_y) if i == 0 else p for i, p in enumerate(taken(places))]
    asked = [q for q in questions(points, step=0.1) if q.kind == "sign"]
    assert [(q.index, q.suggestion) for q in asked] == [(0, (0.0, -3.0))]
    assert "Is the sign of Y right?" in asked[0].sentence


# --- guide ------------------------------------------------------------------------------------------------------------
def test_the_guide_says_each_step_in_whole_sentences():
    console = Console(shift_step=0.1, name_x="knob 1")
    guide = Guide(console)
    first = guide.suggestion()
    assert (first.kind, first.shift_x, first.shift_y) == ("first", None, None)
    assert first.sentence == (
        "Take a picture at the present readings, with both edges in view, and note both gun shift readings."
    )
    assert guide.quality() is None
    points = taken([(0.0, 0.0), (6.0, 0.0), (0.0, 6.0), (6.0, 6.0), (-6.0, 4.0)], sigma=0.05)
    tried = guide.add(points[0]).suggestion()
    assert (tried.kind, tried.shift_x, tried.shift_y) == ("trial", 1.5, 0.0)
    assert tried.sentence.startswith("Trial move: change knob 1 by +1.5, then take a picture.")
    assert " It may go the wrong way" in tried.sentence
    three = Guide(console, tuple(points[:3]))
    best = next_point(estimate(points[:3], step=0.1), -100.0, 100.0, 15.0)
    wish = three.suggestion()
    assert (wish.kind, wish.shift_x, wish.shift_y) == ("point", best.shift_x, best.shift_y)
    assert wish.sentence == (
        f"Set X {best.shift_x:g}, Y {best.shift_y:g}, then take a picture (offset there about {best.offset_percent:.0f} %; "
        f"it divides the doubt by {best.sharper:.2f})."
    )
    assert best.offset_percent < 15.5
    done = Guide(console, tuple(points)).suggestion()
    assert (done.kind, done.shift_x) == ("finished", None)
    assert done.sentence == "5 points: the calibration is good. It can be saved."
    assert Guide(console, tuple(points[:4])).suggestion().kind == "point"
    for low, high in ((-2.0, 100.0), (-100.0, 2.0)):
        within = Guide(Console(shift_min=low, shift_max=high), tuple(points)).quality().next_point
        assert low <= min(within.shift_x, within.shift_y) <= max(within.shift_x, within.shift_y) <= high
    nowhere = Guide(Console(shift_min=50.0, shift_max=60.0), tuple(points[:4])).suggestion()
    assert (nowhere.kind, nowhere.sentence) == ("finished", "No further point lies within the console's range.")


def test_the_guide_ends_at_twelve_points_however_poor_they_are():
    rng = np.random.default_rng(0)
    places = [tuple(s) for s in rng.uniform(-2.0, 2.0, (12, 2))]
    points = tuple(taken(places, sigma=2.0, noise=1.5))
    assert Guide(points=points[:11]).suggestion().kind == "point"
    done = Guide(points=points).suggestion()
    assert done.kind == "finished"
    assert done.sentence == f"12 points: the calibration is {Guide(points=points).quality().word}. It can be saved."
    assert Guide(points=points).quality().word != "good"


def test_the_guide_takes_no_point_without_its_doubt():
    for label, said in (("", "this point"), ("b.tif", "b.tif")):
        with pytest.raises(CalibrationError) as caught:
            Guide().add(Point(0.0, 0.0, 1.0, 1.0, label=label))
        assert str(caught.value) == f"{said}: its 1σ is not known"


def test_a_question_stands_until_it_is_answered():
    wrong = tuple(replace(p, shift_x=-4.5) if i == 1 else p for i, p in enumerate(taken()))
    guide = Guide(Console(shift_step=0.1), wrong)
    held = guide.suggestion()
    asked = guide.open_question()
    assert held.sentence == (
        f"{asked.sentence} Undo the points from there and give them again; or accept them if they are right."
    )
    assert guide.accept().open_question() is None
    assert guide.accept().undo().open_question() is not None
    assert len(guide.undo().points) == 5
    # Unlike effects alone are left to the next point.
    gains = Guide(points=tuple(taken([(0.0, 0.0), (4.0, 0.0), (0.0, 4.0)], matrix=np.diag([9.0, 1.0]), sigma=0.05)))
    assert [q.kind for q in gains.questions()] == ["gain"]
    assert gains.open_question() is None


# --- learning ---------------------------------------------------------------------------------------------------------
PLAIN = Calibration(((3.0, 0.0), (0.0, -3.0)), tuple(map(tuple, (0.0025 * np.eye(4)).tolist())))


@pytest.mark.parametrize(
    ("wander", "minutes", "variance"),
    [
        (0.0, (0.0, 30.0), 0.03),
        (1.0, (0.0, 30.0), 0.53),
        (2.0, (0.0, 30.0), 2.03),
        (1.0, (0.0, None), 0.03 + 1 / 60),
        (1.0, (None, 30.0), 0.03 + 1 / 60),
        (1.0, (30.0, 0.0), 0.03),  # a clock set back is no time
    ],
)
def test_the_surprise_of_a_move_is_its_probability(wander, minutes, variance):
    """2 units of X, seen 6.3 for 6 %: both pictures' 0.01, the calibration's 2² · 0.0025, and the wander between."""
    first = Point(5.0, 7.0, 1.0, -2.0, 0.1, 0.1, minutes=minutes[0])
    second = Point(7.0, 7.0, 7.3, -2.0, 0.1, 0.1, minutes=minutes[1])
    got = learner(PLAIN, wander=wander, points=[first, second])
    assert got.surprise == pytest.approx(exp(-0.09 / variance / 2), rel=1e-4)
    assert got.points == (first, second)
    assert got.minutes == (minutes[1] if minutes[1] is not None else minutes[0])
    assert got.origin == (5.0, 7.0)
    assert (got.wander, got.step) == (wander, 0.0)


def test_an_offset_elsewhere_is_told_with_its_doubt():
    known = learner(PLAIN, points=[Point(5.0, 7.0, 1.0, -2.0, 0.1, 0.2)])
    value, cov = known.offset_at(np.array([7.0, 8.0]))
    assert value == pytest.approx([1.0 + 6.0, -2.0 - 3.0])
    assert cov == pytest.approx(np.diag([0.01, 0.04]) + 0.0025 * 5 * np.eye(2), rel=1e-4, abs=1e-9)
    with pytest.raises(CalibrationError) as caught:
        learner(PLAIN).offset_at(np.zeros(2))
    assert str(caught.value) == "no picture yet: the offset is not known"


def test_an_axis_is_known_by_its_worse_component():
    cov = np.diag([0.01, 0.04, 0.09, 0.16])
    known = learner(Calibration(((3.0, 0.0), (4.0, 2.0)), tuple(map(tuple, cov.tolist()))))
    for axis, value, relative in ((0, [3.0, 4.0], 0.3 / 5), (1, [0.0, 2.0], 0.4 / 2)):
        column, doubt = known.column(axis)
        assert column == pytest.approx(value)
        assert doubt == pytest.approx(relative)
    assert learner().column(0)[1] == float("inf")


@pytest.mark.parametrize(("label", "said"), [("", "a point"), ("b.tif", "b.tif")])
def test_nothing_is_learned_from_a_point_without_its_doubt(label, said):
    with pytest.raises(CalibrationError) as caught:
        learner().observe(Point(0.0, 0.0, 1.0, 1.0, label=label))
    assert str(caught.value) == f"{said}: its 1σ is not known"


def test_what_was_learned_is_kept_with_its_source():
    points = [
        Point(0.0, 0.0, 1.0, 1.0, 0.1, 0.1),
        Point(2.0, 0.0, 7.0, 3.0, 0.1, 0.1),
        Point(2.0, 2.0, 5.0, 8.0, 0.1, 0.1),
    ]
    got = learner(points=points, wander=0.0).calibration()
    assert got.matrix == (pytest.approx((3.0, -1.0), abs=1e-4), pytest.approx((1.0, 2.5), abs=1e-4))
    assert (got.note, got.step, got.n_points, got.state) == ("learned from nudges", 0.0, 3, StateKey())
    assert learner(points=points, step=0.2).calibration().step == 0.2
    with pytest.raises(CalibrationError) as caught:
        learner(points=points[:2]).calibration()
    assert str(caught.value) == "not enough is known of both axes yet: move the other axis as well"
    # Half of the length is the limit.
    for relative, enough in ((0.49, True), (0.51, False)):
        doubtful = Calibration(((3.0, 0.0), (0.0, 3.0)), tuple(map(tuple, ((3 * relative) ** 2 * np.eye(4)).tolist())))
        if enough:
            assert learner(doubtful).calibration(doubtful).n_points == 0
        else:
            with pytest.raises(CalibrationError):
                learner(doubtful).calibration()


def test_rounded_readings_of_a_new_axis_are_doubted_by_what_was_seen():
    """Nothing is known yet: 2 units moved the beam by 8 %, so that a step of slack and rounding is worth 4 % a unit."""
    points = [Point(0.0, 0.0, 0.0, 0.0, 0.1, 0.1), Point(2.0, 0.0, 8.0, 0.0, 0.1, 0.1)]
    got = learner(points=points, step=0.5, wander=0.0)
    _, doubt = got.column(0)
    reading = (0.5**2 / 12 + 0.5**2) * 4.0**2
    assert doubt == pytest.approx(sqrt(0.01 + 0.01 + reading) / 2 / 4, rel=1e-3)
    # Both axes at once: the displacement a unit turned is taken for either.
    both = learner(points=[points[0], Point(1.0, 1.0, 8.0, 0.0, 0.1, 0.1)], step=0.5, wander=0.0)
    assert np.diag(both.offset_at(np.array([1.0, 1.0]))[1]) == pytest.approx([0.01 + 2 * reading, 0.01], rel=1e-3)


def test_an_axis_that_goes_on_the_same_way_has_no_slack_whatever_it_did_before():
    """X up, up, down and down again: the last move lacks rounding only, the one that turned back a step beside it."""
    step, known = 0.5, Calibration(PLAIN.matrix, tuple(map(tuple, (1e-12 * np.eye(4)).tolist())))
    points = [Point(x, 0.0, 3.0 * x, 0.0, 0.1, 0.1) for x in (0.0, 2.0, 4.0, 3.0, 2.0)]
    before, after = (learner(known, step=step, wander=0.0, points=points[:n]) for n in (4, 5))
    noise = 0.01 + step**2 / 12 * 9.0
    old, new = (known.covariance[0, 0] for known in (before, after))
    assert 1 / new - 1 / old == pytest.approx(1 / noise, rel=1e-3)
    turned = learner(known, step=step, wander=0.0, points=points[:3]).covariance[0, 0]
    assert 1 / old - 1 / turned == pytest.approx(1 / (noise + step**2 * 9.0), rel=1e-3)


# --- past moves -------------------------------------------------------------------------------------------------------
def session(turns, seen, *, hours=0.5, sigma=0.1):
    """One run: a picture before and after each move."""
    at, out = [np.zeros(2), np.zeros(2)], []
    for k, (s, o) in enumerate([((0.0, 0.0), (0.0, 0.0)), *zip(turns, seen, strict=True)]):
        at = [at[0] + s, at[1] + o]
        out.append(Point(*map(float, at[0]), *map(float, at[1]), sigma, sigma, minutes=600.0 + 60 * hours * k))
    return out


TURNS = [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)] * 2


def test_eight_moves_tell_a_calibration_with_the_wander_in_its_doubt():
    """Four moves of each axis by one unit, each with the variance of two pictures and half an hour of usual wander."""
    seen = [A @ np.array(s) for s in TURNS]
    got = calibration_from_moves([session(TURNS, seen)])
    assert got.a == pytest.approx(A)
    assert got.cov == pytest.approx((0.02 + 0.5) / 4 * np.eye(4), abs=1e-9)
    assert (got.n_points, got.dof, got.note, got.state) == (8, 12, "from the moves of past sessions", StateKey())
    assert got.chi2 == pytest.approx(0.0, abs=1e-12)
    assert calibration_from_moves([session(TURNS[:7], seen[:7])]) is None
    # Runs are not joined, pictures more than four hours apart not compared.
    assert calibration_from_moves([session(TURNS[:4], seen[:4]), session(TURNS[4:], seen[4:])]).n_points == 8
    assert calibration_from_moves([session(TURNS, seen, hours=4.0)]).cov[0, 0] == pytest.approx((0.02 + 4.0) / 4)
    assert calibration_from_moves([session(TURNS, seen, hours=4.01)]) is None
    assert calibration_from_moves([session(TURNS, seen, hours=0.0)]) is None
    # Half a percent a unit drowns in that doubt: √(0.52 / 4) = 0.36 is more than half of it.
    assert calibration_from_moves([session(TURNS, [0.5 * np.array(s) for s in TURNS])]) is None


def test_moves_that_disagree_enlarge_the_doubt():
    signs = [(1, 1), (1, -1), (1, 1), (1, -1), (-1, -1), (-1, 1), (-1, -1), (-1, 1)]  # cancel within each kind of move
    seen = [A @ np.array(s) + np.array(e) for s, e in zip(TURNS, signs, strict=True)]
    got = calibration_from_moves([session(TURNS, seen)])
    assert got.n_points == 8
    assert got.a == pytest.approx(A)
    assert got.chi2 == pytest.approx(16 / 0.52)
    assert got.cov == pytest.approx(0.52 / 4 * got.chi2 / 12 * np.eye(4), abs=1e-9)


def test_a_move_that_contradicts_the_others_is_left_out():
    turns = [*TURNS, (1.0, 1.0)]
    for off, kept in ((2.5, 9), (20.0, 8)):
        seen = [A @ np.array(s) for s in TURNS] + [A @ np.array([1.0, 1.0]) + [off, 0.0]]
        got = calibration_from_moves([session(turns, seen)])
        assert got.n_points == kept
        if kept == 8:
            assert got.a == pytest.approx(A)
