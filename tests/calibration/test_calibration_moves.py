"""A calibration from the moves of past sessions: truth, coverage, mistakes in the log, and when it says nothing."""

import numpy as np
import pytest

from apertrue.calibration import Point, StateKey
from apertrue.calibration.moves import LEAST_MOVES, calibration_from_moves

A = np.array([[8.0, 2.5], [-2.0, 7.4]])  # % of the aperture radius per console unit


def runs(rng, sessions=8, pictures=8, wander=2.0, sigma=0.1, turns=0.6, typo=None):
    """Sessions of pictures every half hour; moves by hand toward the center, a gun that wanders (% per root hour)."""
    out = []
    for s in range(sessions):
        readings, gun, run = np.array([10.0, -5.0]), rng.normal(0, 8.0, 2), []
        for k in range(pictures):
            gun = gun + rng.normal(0, wander * np.sqrt(0.5), 2)
            offset = gun + A @ (readings - [10.0, -5.0]) + rng.normal(0, sigma, 2)
            noted = readings + (3.0 if typo == (s, k) else 0.0)
            run.append(Point(*noted, *offset, sigma, sigma, minutes=600.0 * s + 30.0 * k))
            if rng.random() < turns:
                readings = readings - np.linalg.solve(A, offset) + rng.normal(0, 0.4, 2)
        out.append(run)
    return out


def test_it_finds_the_matrix_within_its_doubt():
    """Of 60 histories the χ² of the four entries lies in the central 95 %; 99.9 % acceptance is at least 49."""
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(60):
        found = calibration_from_moves(runs(rng), StateKey(focus_side="positive"))
        assert found is not None
        d = (found.a - A).ravel()
        hits += float(d @ np.linalg.solve(found.cov, d)) < 11.143  # χ² with four degrees of freedom, 97.5 %
    assert hits >= 49


def test_state_and_number_of_moves_are_kept():
    found = calibration_from_moves(runs(np.random.default_rng(4)), StateKey(focus_side="negative"))
    assert found is not None
    assert found.state.focus_side == "negative"
    assert LEAST_MOVES <= found.n_points <= 56


def test_one_mistyped_reading_hardly_matters():
    clean = calibration_from_moves(runs(np.random.default_rng(5)))
    dirty = calibration_from_moves(runs(np.random.default_rng(5), typo=(2, 3)))
    assert clean is not None
    assert dirty is not None
    assert np.abs(dirty.a - clean.a).max() < 0.5
    assert np.abs(dirty.a - A).max() < 1.0


@pytest.mark.parametrize("why", ["few", "collinear", "no times", "far apart"])
def test_it_says_nothing_where_nothing_tells(why):
    rng = np.random.default_rng(6)
    history = runs(rng, sessions=1 if why == "few" else 8)
    if why == "collinear":
        history = [
            [Point(p.shift_x, 0.0, p.offset_x, p.offset_y, 0.1, 0.1, minutes=p.minutes) for p in r] for r in history
        ]
    if why == "no times":
        history = [[Point(*p.readings, *p.offset, 0.1, 0.1) for p in r] for r in history]
    if why == "far apart":
        history = [
            [Point(*p.readings, *p.offset, 0.1, 0.1, minutes=(p.minutes or 0.0) * 20) for p in r] for r in history
        ]
    assert calibration_from_moves(history) is None
