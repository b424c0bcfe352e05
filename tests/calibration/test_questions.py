"""Typing errors are caught before they enter a calibration."""

from dataclasses import replace

import numpy as np
import pytest

from apertrue.calibration import Guide, Point, questions
from apertrue.calibration.questions import unlike_suggested
from apertrue.instrument import Console

A = np.array([[3.0, -1.2], [1.0, 2.5]])
PLACES = [(0.5, -1.0), (4.5, -1.0), (0.5, 3.0), (4.5, 3.0), (-3.0, -4.0), (2.0, 1.5)]


def make(seed=0, sigma=0.2, places=PLACES):
    rng = np.random.default_rng(seed)
    out = []
    for i, s in enumerate(places):
        o = np.array([5.0, -3.0]) + A @ s + rng.normal(0.0, sigma, 2)
        out.append(Point(*s, float(o[0]), float(o[1]), sigma, sigma, label=f"row {i + 1}"))
    return out


def test_consistent_points_raise_no_question():
    # At a threshold of 1e-4 no more than one false alarm in 100 honest calibrations is credible (Poisson 0.01).
    assert sum(bool(questions(make(seed), step=0.1)) for seed in range(100)) <= 1


@pytest.mark.parametrize(
    ("index", "typed", "kind"),
    [
        (1, {"shift_x": -4.5}, "sign"),
        (4, {"shift_y": 4.0}, "sign"),
        (2, {"shift_x": 3.0, "shift_y": 0.5}, "swapped"),
        (3, {"shift_x": 45.0}, "factor"),
        (4, {"shift_y": -40.0}, "factor"),
        (3, {"shift_y": 300.0}, "factor"),
        (1, {"shift_x": 0.45}, "factor"),
    ],
)
def test_typing_error_is_asked_about_with_the_right_reading(index, typed, kind):
    points = make()
    right = (points[index].shift_x, points[index].shift_y)
    points[index] = replace(points[index], **typed)
    asked = questions(points, step=0.1)
    assert asked, "no question was asked"
    fitting = [q for q in asked if q.index == index and q.suggestion is not None]
    assert any(q.kind == kind and q.suggestion == pytest.approx(right) for q in fitting)
    assert f"Point {index + 1} (row {index + 1})" in fitting[0].sentence


def test_first_question_is_the_true_error_with_six_points():
    for index, typed in ((1, {"shift_x": -4.5}), (3, {"shift_x": 45.0}), (5, {"shift_x": 1.5, "shift_y": 2.0})):
        points = make()
        points[index] = replace(points[index], **typed)
        assert questions(points, step=0.1)[0].index == index


def test_misread_value_without_an_explanation_is_an_outlier():
    points = make()
    points[4] = replace(points[4], shift_x=-7.3)
    asked = questions(points, step=0.1)
    assert [(q.index, q.kind, q.suggestion) for q in asked] == [(4, "outlier", None)]


def test_view_changed_in_between_is_no_typing_error():
    points = make()
    turned = [replace(p, offset_x=-p.offset_y, offset_y=p.offset_x) for p in points[3:]]
    asked = questions(points[:3] + turned, step=0.1)
    assert asked
    assert "no single typing error explains it" in asked[0].sentence
    assert asked[0].suggestion is None


def test_three_points_show_a_digit_too_many_by_leverage_or_gain():
    points = make(places=[(0.0, 0.0), (4.0, 0.0), (0.0, 4.0)])
    points[1] = replace(points[1], shift_x=40.0)
    asked = questions(points, step=0.1)
    assert asked
    assert asked[0].kind in ("factor", "gain")


@pytest.mark.parametrize(
    ("typed", "kind", "suggestion"),
    [
        ((18.2, -7.9), "sign", (18.2, 7.9)),
        ((7.7, 17.2), "swapped", (17.2, 7.7)),
        ((17.2, 77.0), "factor", (17.2, 7.7)),
        ((172.0, 7.7), "factor", (17.2, 7.7)),
        ((60.0, 55.0), "outlier", None),
        ((17.2, 7.7), None, None),
        ((19.0, 6.0), None, None),  # somewhere else on purpose
    ],
)
def test_readings_far_from_the_suggested_ones_are_asked_about(typed, kind, suggestion):
    asked = unlike_suggested(typed, (17.2, 7.7), (18.2, 4.9), 2)
    assert (None if asked is None else asked.kind) == kind
    if suggestion is not None:
        assert asked.suggestion == pytest.approx(suggestion)
        assert asked.sentence.startswith("Point 3: ")


def test_no_move_is_suggested_on_readings_that_look_wrong():
    guide = Guide(Console(shift_step=0.1))
    for p in make():
        guide = guide.add(p)
    assert guide.suggestion().kind in ("point", "finished")
    wrong = Guide(guide.console)
    for i, p in enumerate(make()):
        wrong = wrong.add(replace(p, shift_y=-p.shift_y) if i == 4 else p)
    held = wrong.suggestion()
    assert (held.kind, held.shift_x) == ("question", None)
    assert "sign of Y" in held.sentence
    assert wrong.accept().suggestion().kind in ("point", "finished")
    assert wrong.accept().add(make()[0]).suggestion().kind == "question"  # accepted once, not for good


def test_points_without_sigma_are_checked_for_leverage_only():
    points = [replace(p, x_sigma=None, y_sigma=None) for p in make()]
    assert questions(points) == ()
    points[4] = replace(points[4], shift_y=-400.0)
    assert questions(points)[0].suggestion == pytest.approx((-3.0, -4.0))
