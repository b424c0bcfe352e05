"""What the history tells the decision, and only where it can."""

from datetime import timedelta

import numpy as np
import pytest

from apertrue.calibration import Calibration, StateKey
from apertrue.frame import Frame, State
from apertrue.instrument import Instrument
from apertrue.session import add_event, add_picture, context_for, events
from apertrue.session.history import learned_instrument, nudges_failed, recalled, running_since, runs
from apertrue.session.stand import standing


def _frame(at, file="new.tif", digest="new", **state):
    return Frame(
        np.zeros((16, 16)), file=file, taken_at=at, taken_at_source="file", state=State(**state), digest=digest
    )


def _picture(log, make, at, x, k, **more):
    add_picture(log, make(x, 0.5, at=at, file=f"{k}.tif", **more), at, digest=str(k))


def test_an_empty_log_says_nothing_it_does_not_know(log, start):
    found = context_for(log, _frame(start), Instrument(), start + timedelta(minutes=3))
    assert found.age_min == pytest.approx(3.0)
    assert not found.frozen
    assert (found.state_changed, found.nudges_failed, found.hangs_today) == ((), 0, 0)
    assert found.drift_percent_per_h is None
    assert found.minutes_to_limit is None
    assert found.current_expected_pa is None
    assert found.nudge is None


def test_drift_and_crossing_come_with_two_pictures_not_with_one(log, start, make_assessment):
    frame = _frame(start + timedelta(hours=1))
    now = start + timedelta(hours=1)
    own = make_assessment(2.0, 0.5, at=now, file="new.tif")
    assert context_for(log, frame, Instrument(), now, assessment=own).minutes_to_limit is None
    _picture(log, make_assessment, start, 1.0, 0)
    found = context_for(log, frame, Instrument(), now, assessment=own)
    speed, sigma = found.drift_percent_per_h
    assert abs(speed - 1.0) < 3 * sigma
    early, median, late = found.minutes_to_limit
    assert early < median < late
    # The picture at hand counts once, whether it is in the log already or not.
    add_picture(log, own, now, digest="new")
    again = context_for(log, frame, Instrument(), now, assessment=own)
    assert again.minutes_to_limit == found.minutes_to_limit


def test_a_frozen_frame_is_known_by_its_pixels(log, start, make_assessment):
    _picture(log, make_assessment, start, 1.0, 0)
    later = start + timedelta(minutes=1)
    assert context_for(log, _frame(later, digest="0"), Instrument(), later).frozen
    assert not context_for(log, _frame(start, file="0.tif", digest="0"), Instrument(), later).frozen
    assert not context_for(log, _frame(later, digest="other"), Instrument(), later).frozen


def test_state_changes_are_named(log, start, make_assessment):
    _picture(log, make_assessment, start, 1.0, 0, kv=200.0, spot="5")
    later = start + timedelta(minutes=5)
    assert context_for(log, _frame(later, kv=200.0, spot="5"), Instrument(), later).state_changed == ()
    assert context_for(log, _frame(later, kv=300.0, spot="3"), Instrument(), later).state_changed == ("kv", "spot")
    add_event(log, "state", start + timedelta(minutes=1), changed=["emission"])
    assert context_for(log, _frame(later, kv=200.0), Instrument(), later).state_changed == ("emission",)


def test_failed_nudges_are_counted_until_the_beam_is_centered(log, start, make_assessment):
    def at(m):
        return start + timedelta(minutes=m)

    _picture(log, make_assessment, at(0), 20.0, 0)
    counts = []
    for m, x in ((1, 14.0), (3, 9.0), (5, 1.0), (7, 8.0)):
        add_event(log, "nudge", at(m), values={"nudge_x": 1.0})
        add_event(log, "nudge", at(m + 0.1), values={"nudge_y": 1.0})  # both axes: one move
        _picture(log, make_assessment, at(m + 1), x, m)
        counts.append(nudges_failed(events(log), 5.0))
    assert counts == [1, 2, 0, 1]
    add_event(log, "routine-end", at(20), outcome="done")
    assert nudges_failed(events(log), 5.0) == 0


def test_hangs_count_for_the_day_only(log, start):
    instrument = Instrument(timezone="Europe/Berlin")
    for when in (start - timedelta(days=1), start, start + timedelta(hours=1)):
        add_event(log, "routine-end", when, outcome="hung")
    add_event(log, "routine-end", start, outcome="done")
    now = start + timedelta(hours=2)
    assert context_for(log, _frame(now), instrument, now).hangs_today == 2


def test_runs_are_paired_and_teach_the_costs(log, start, make_assessment):
    def at(m):
        return start + timedelta(minutes=m)

    add_event(log, "routine-start", at(0))
    add_event(log, "routine-end", at(4), outcome="done")
    _picture(log, make_assessment, at(5), 1.2, 1)
    add_event(log, "routine-start", at(30))
    assert running_since(events(log), at(31)) == at(30)
    add_event(log, "routine-end", at(50), outcome="hung")
    found = runs(events(log))
    assert [(r.minutes, r.outcome) for r in found] == [(4.0, "done"), (20.0, "hung")]
    assert found[0].offset_after_percent == pytest.approx(1.3, abs=0.01)
    assert running_since(events(log), at(51)) is None
    plain = Instrument()
    learned = learned_instrument(log, plain, at(60))
    assert learned.costs.auto_min > plain.costs.auto_min
    assert plain.costs.hang_probability < learned.costs.hang_probability < 0.2  # one hang is not a law
    assert context_for(log, _frame(at(60)), plain, at(60)).auto_residual_percent is not None


def test_a_constant_left_by_the_routine_is_learned_once_it_is_sure(log, start, make_assessment):
    def at(m):
        return start + timedelta(minutes=m)

    def known(m):
        return context_for(log, _frame(at(m)), Instrument(), at(m))

    for i in range(4):
        add_event(log, "routine-start", at(60 * i))
        add_event(log, "routine-end", at(60 * i + 2), outcome="done")
        _picture(log, make_assessment, at(60 * i + 3), 4.0, i)
        if i == 0:
            assert known(4).learned_offset_percent is None  # one run is not a law
    # A hang leaves the beam anywhere.
    add_event(log, "routine-end", at(260), outcome="hung")
    _picture(log, make_assessment, at(261), -30.0, 9)
    found = known(280)
    x, y = found.learned_offset_percent
    assert x == pytest.approx(4.0, abs=0.6)  # the prior still pulls a little
    assert abs(y) < 1.0
    assert 3.0 < found.auto_residual_percent < 5.0


def test_what_recalled_settings_were_off_is_learned_and_said_until_a_picture_shows(log, start, make_assessment):
    def at(m):
        return start + timedelta(minutes=m)

    _picture(log, make_assessment, at(0), 1.0, 0)
    add_event(log, "recall", at(1), values={"setting": "stem"})
    first = standing(log, Instrument(), at(2)).sentences[0]
    assert "common practice, none in this log" in first
    assert "by 15 ± 4 %" in first
    for i in range(6):
        add_event(log, "recall", at(10 * i + 10), values={"setting": "stem"})
        if i == 5:
            add_event(log, "nudge", at(10 * i + 11), values={"nudge_x": 1.0})  # moved before it was looked at
        _picture(log, make_assessment, at(10 * i + 12), 4.0, i + 1)
    assert "recalled" not in " ".join(standing(log, Instrument(), at(63)).sentences)
    off = recalled(log, at(63))
    assert off.observations == 5
    assert 4.0 < off.rms_percent < 15.0  # the prior still counts for three
    add_event(log, "recall", at(64), values={"setting": "stem"})
    assert "(5 recalls in this log)" in standing(log, Instrument(), at(65)).sentences[0]


def test_the_usual_current_needs_two_readings_of_the_same_state(log, start, make_assessment):
    def at(m):
        return start + timedelta(minutes=m)

    frame = _frame(at(60), gun_focus=40.0, spot="5")
    _picture(log, make_assessment, at(0), 1.0, 0, current_pa=24.0, gun_focus=40.0, spot="5")
    assert context_for(log, frame, Instrument(), at(60)).current_expected_pa is None
    _picture(log, make_assessment, at(1), 20.0, 1, current_pa=12.0, gun_focus=40.0, spot="5")  # not centered
    add_event(log, "current", at(2), values={"current_pa": 99.0, "gun_focus": 70.0})  # another focus
    assert context_for(log, frame, Instrument(), at(60)).current_expected_pa is None
    add_event(log, "current", at(3), values={"current_pa": 25.0, "gun_focus": 40.0})
    value, sigma = context_for(log, frame, Instrument(), at(60)).current_expected_pa
    assert value == pytest.approx(24.5)
    assert sigma >= 0.03 * value


def test_a_calibration_gives_the_move(log, start, make_assessment):
    matrix = ((2.0, 0.0), (0.0, 2.0))
    cov = tuple(tuple(float(v) for v in r) for r in np.eye(4) * 1e-4)
    holds = Calibration(matrix, cov, StateKey(spot="5"), made_at=start)
    own = make_assessment(6.0, -3.0, at=start, file="new.tif")
    found = context_for(log, _frame(start, spot="5"), Instrument(), start, calibrations=[holds], assessment=own).nudge
    assert (found.x, found.y) == pytest.approx((-3.0, 1.5), abs=0.11)
    other = context_for(log, _frame(start, spot="3"), Instrument(), start, calibrations=[holds], assessment=own)
    assert other.nudge is None
