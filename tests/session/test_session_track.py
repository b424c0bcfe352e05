"""From the log to the drift: nudges through the calibration, readings, state changes, bursts."""

from datetime import timedelta

import numpy as np
import pytest

from apertrue.calibration import Calibration, StateKey
from apertrue.instrument import Instrument
from apertrue.session import add_event, add_picture, events, standing
from apertrue.session.track import Follower

MATRIX = ((2.0, 0.3), (-0.2, 1.8))
CAL = Calibration(MATRIX, tuple(tuple(float(v) for v in r) for r in np.eye(4) * 4e-4), StateKey())
RATE = (0.9, -0.6)


def _fill(log, start, make_assessment, *, jump=None, log_nudge=True, readings=False, sigma=0.05, seed=3):
    """Twelve pictures of a steady creep; at 1.6 h the shift is turned by ``jump`` console units."""
    rng = np.random.default_rng(seed)
    moved = np.zeros(2)
    turned = np.zeros(2)
    for k in range(12):
        h = 0.25 * k
        at = start + timedelta(hours=h)
        if jump is not None and k == 7:
            turned = np.array(jump)
            moved = np.array(MATRIX) @ turned
            if log_nudge:
                values = {"nudge_x": float(turned[0]), "nudge_y": float(turned[1])}
                add_event(log, "nudge", at - timedelta(minutes=3), values=values)
        seen = np.array(RATE) * h + moved + rng.normal(0, sigma, 2) + (0.3, 0.2)
        more = {"gun_shift_x": 10 + turned[0], "gun_shift_y": -4 + turned[1]} if readings else {}
        picture = make_assessment(float(seen[0]), float(seen[1]), sigma, at=at, file=f"{k}.tif", **more)
        add_picture(log, picture, at, digest=str(k))
    return start + timedelta(hours=2.75)


def _rate(log, now, calibrations=()):
    return standing(log, Instrument(), now, calibrations=calibrations).outlook.rate


def _agrees(found, sigmas=3.0):
    return abs(found.x - RATE[0]) < sigmas * found.x_sigma and abs(found.y - RATE[1]) < sigmas * found.y_sigma


def test_a_nudge_is_taken_out_through_the_calibration(log, start, make_assessment):
    now = _fill(log, start, make_assessment, jump=(-1.5, 2.0))
    through, around = _rate(log, now, [CAL]), _rate(log, now)
    assert _agrees(through)
    assert _agrees(around)  # without a calibration it is fitted around
    assert through.speed_sigma < around.speed_sigma
    here = standing(log, Instrument(), now, calibrations=[CAL])
    assert here.outlook.unexplained == 0


@pytest.mark.parametrize("calibrations", [(), (CAL,)])
def test_readings_tell_of_a_nudge_that_nobody_wrote_down(log, start, make_assessment, calibrations):
    now = _fill(log, start, make_assessment, jump=(-1.5, 2.0), log_nudge=False, readings=True)
    here = standing(log, Instrument(), now, calibrations=calibrations)
    assert _agrees(here.outlook.rate)
    assert here.outlook.unexplained == 0


def test_readings_and_entry_of_the_same_nudge_count_once(log, start, make_assessment):
    now = _fill(log, start, make_assessment, jump=(-1.5, 2.0), readings=True)
    here = standing(log, Instrument(), now, calibrations=[CAL])
    assert _agrees(here.outlook.rate)
    assert here.outlook.unexplained == 0


def test_a_nudge_of_which_nothing_tells_is_noticed(log, start, make_assessment):
    now = _fill(log, start, make_assessment, jump=(-1.5, 2.0), log_nudge=False)
    here = standing(log, Instrument(), now)
    assert here.outlook.unexplained == 1
    assert _agrees(here.outlook.rate)
    assert any("jumped once" in s for s in here.sentences)


@pytest.mark.parametrize(
    ("kind", "more", "seen", "settling"),
    [
        ("state", {"values": {"kv": 300.0}, "changed": ["kv"]}, 0, True),
        ("state", {"values": {"spot": "3"}, "changed": ["spot"]}, 0, False),
        ("state", {"changed": ["emission"]}, 12, True),
        ("state", {"changed": ["monochromator"]}, 12, True),
        ("service", {}, 0, True),
        ("recall", {"values": {"setting": "a"}}, 12, False),
        ("routine-end", {"outcome": "done"}, 12, False),
        ("note", {"values": {"note": "x"}}, 12, False),
        ("current", {"values": {"current_pa": 3.0}}, 12, False),
    ],
)
def test_what_ends_the_forecast_and_what_lets_the_gun_settle(log, start, make_assessment, kind, more, seen, settling):
    now = _fill(log, start, make_assessment) + timedelta(minutes=1)
    add_event(log, kind, now, **more)
    here = standing(log, Instrument(), now)
    assert here.follower.settled.seen == seen
    assert here.outlook.settling is (settling and seen > 0)
    assert (here.follower.settled.settling_h is not None) is settling
    assert (here.outlook.basis == "none") is (seen == 0)


def test_a_state_that_differs_between_two_pictures_ends_it_too(log, start, make_assessment):
    for k, (spot, focus) in enumerate([("5", 40.0), ("5", 40.5), ("3", 40.0)]):
        at = start + timedelta(minutes=20 * k)
        picture = make_assessment(1, 1, at=at, file=f"{k}.tif", spot=spot, gun_focus=focus)
        add_picture(log, picture, at, digest=str(k))
        found = Follower.of(events(log)).settled.seen
        assert found == (1, 2, 1)[k]


def test_another_focus_asks_for_the_place_anew_but_keeps_the_creep(log, start, make_assessment):
    now = _fill(log, start, make_assessment)
    at = now + timedelta(minutes=10)
    before = Follower.of(events(log)).settled.velocity().moments[1][0, 0]
    for k, focus in enumerate((40.0, 60.0)):
        picture = make_assessment(30.0 * k + 2.9, -1.6, at=at, file=f"f{k}.tif", gun_focus=focus)
        add_picture(log, picture, at + timedelta(minutes=k), digest=f"f{k}")
    follower = Follower.of(events(log))
    assert follower.settled.unexplained == ()
    assert follower.settled.velocity().moments[1][0, 0] < 4 * before


def test_a_move_within_seconds_is_no_burst(log, start, make_assessment):
    """Turned by hand from one picture to the next, no entry: their mean would be a place where the beam never was."""
    for k, x in enumerate((1.8, 11.2)):
        at = start + timedelta(seconds=8 * k)
        add_picture(log, make_assessment(x, 0.0, 0.05, at=at, file=f"{k}.tif"), at, digest=str(k))
    here = standing(log, Instrument(), start + timedelta(minutes=1))
    assert here.outlook.offset.x == pytest.approx(11.2, abs=0.1)
    assert "already" in here.sentences[0]


def test_a_burst_is_merged(log, start, make_assessment):
    with log.transaction():
        for k in range(50):
            at = start + timedelta(seconds=0.5 * k)
            picture = make_assessment(1.0, 1.0, 0.2, at=at, file=f"{k}.tif")
            add_picture(log, picture, at, digest=str(k))
    follower = Follower.of(events(log))
    assert follower.pictures == 50
    assert follower.settled.seen == 2  # 25 s are two of the 20 s in which pictures are merged
    mean, cov = follower.settled.offset_at(follower.settled.t_h).moments
    assert mean == pytest.approx([1.0, 1.0], abs=0.05)
    assert np.sqrt(cov[0, 0]) < 0.12


def test_frozen_and_other_views_say_nothing(log, start, make_assessment):
    for k, more in enumerate(({"flags": ("frozen",)}, {"scene": "crossover"}, {"scene": "other-view"})):
        at = start + timedelta(minutes=k)
        add_picture(log, make_assessment(1, 1, at=at, file=f"{k}.tif", **more), at, digest=str(k))
    assert Follower.of(events(log)).settled.seen == 0
