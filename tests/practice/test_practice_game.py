"""Practice: tasks, actions, review, pictures as text."""

import numpy as np
import pytest

from apertrue.advise.cautions import CAUTIONS
from apertrue.practice import text_picture
from apertrue.practice.game import Practice
from apertrue.practice.tasks import TASKS, prepare


@pytest.mark.parametrize("task", TASKS)
def test_each_task_starts_away_from_its_goal_and_repeats_by_seed(task):
    for seed in (1, 2):
        scope = prepare(task, seed)
        truth = scope.truth()
        assert truth.offset_percent > TASKS[task].goal_percent
        assert prepare(task, seed).truth() == truth
        assert (scope.moves, scope.snapshots, scope.routine_runs) == (0, 0, 0)
    match task:
        case "half-cut":
            assert truth.clipped_fraction > 0.4
        case "overfilled":
            assert truth.beam_ratio > 1.3
        case "other-side":
            assert scope.focus < 0


def test_unknown_task_is_refused():
    with pytest.raises(KeyError):
        prepare("nothing", 1)


def test_advice_followed_to_the_end_reaches_the_goal():
    game = Practice("creep", 4)
    first = game.picture()
    assert first.move is not None
    assert first.move.kind == "trial"
    assert CAUTIONS["beam-lost"] in first.cautions
    assert "which detector" in first.cautions[0].lower() or first.cautions[0].startswith("Detector:")
    for _ in range(4):
        move = game.picture().move
        if move is None or move.kind == "centered":
            break
        game.set_shift(move.shift_x, move.shift_y)
    review = game.review()
    assert review.reached
    assert review.end.offset_percent <= 1.0
    assert review.moves == sum(a.kind == "move" for a in game.actions) > 0
    assert review.pictures == sum(a.kind == "picture" for a in game.actions)
    assert review.minutes == pytest.approx(review.moves * 0.4 + review.pictures * 0.3)
    assert review.advised.offset_percent <= 1.0
    assert review.sentences[0].startswith("Reached")
    assert "not yet been verified" in review.sentences[-1]


def test_without_advice_nothing_is_given_away():
    game = Practice("creep", 4, advice=False)
    look = game.picture()
    assert look.move is None
    assert look.sentences == ()
    assert look.cautions == ()


def test_review_counts_what_was_done_and_names_what_cost():
    game = Practice("half-cut", 2)
    for _ in range(4):
        game.move(1.0, 0.0)
        game.move(-3.0, 0.0)
    game.current()
    game.scope.hidden = type(game.scope.hidden)(
        **{f: getattr(game.scope.hidden, f) for f in game.scope.hidden.__slots__} | {"hang_probability": 1.0}
    )
    run = game.automatic()
    assert run.outcome == "hung"
    review = game.review()
    assert (review.moves, review.readings, review.routine_runs, review.pictures) == (8, 1, 1, 0)
    said = " ".join(review.sentences)
    assert "made it worse" in said
    assert "without a picture in between" in said
    assert "The routine hung" in said
    assert not review.reached


def test_change_of_focus_ends_what_was_learned():
    game = Practice("creep", 5)
    game.picture()
    assert len(game._known.points) == 1
    game.set_focus(game.scope.focus * 0.9)
    assert game._known.points == ()


def test_refused_moves_leave_no_trace():
    game = Practice("creep", 5)
    for bad in (lambda: game.move(1e6, 0.0), lambda: game.set_focus(1e4), lambda: game.wait(-1.0)):
        with pytest.raises(ValueError):
            bad()
    assert game.actions == []


# --- pictures as text ---
def test_text_shows_beam_surround_and_dark():
    y, x = np.mgrid[0:100, 0:100]
    r = np.hypot(x - 50, y - 50)
    picture = np.where(r < 20, 1000.0, np.where(r < 35, 60.0, 10.0))
    lines = text_picture.as_text(picture, 50).split("\n")
    assert len(lines) == 25
    assert lines[12][25] == "@"
    assert lines[12].strip()[0] in ".:-"  # the faint surround shows
    assert lines[0].strip() == ""
    blocks = text_picture.as_half_blocks(picture, 50)
    assert blocks.count("\n") == 24
    assert blocks.endswith("\x1b[0m")
    assert "▀" in blocks


def test_text_of_a_dark_or_small_picture_does_not_fail():
    assert set(text_picture.as_text(np.zeros((8, 8), np.uint16), 20)) <= set(" \n")
    grid = text_picture.levels(np.arange(12.0).reshape(3, 4), 2, 4)
    assert grid.shape == (2, 4)
    assert 0.0 <= grid.min() <= grid.max() <= 1.0
