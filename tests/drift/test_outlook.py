"""What people and the decision are told about later."""

import numpy as np
import pytest

from apertrue.drift import HOLDS_H, Bank, Restart, Settling, Sighting, Step, outlook, passage_times, sentences

RNG = 11


def _clock(h: float) -> str:
    minutes = round(h * 60)
    return f"{9 + minutes // 60:02d}:{minutes % 60:02d}"


def _look(events, now, **more):
    return outlook(Bank.of(events), now, np.random.default_rng(RNG), **more)


def _sight(t, x, y=0.0, s=0.05):
    return Sighting(t, x, y, s * s, 0.0, s * s)


CREEP = [_sight(t, 0.9 * t) for t in np.linspace(0, 2.5, 8)]


def test_two_to_three_hours_for_a_good_center():
    # Check value: a good center holds 2–3 h on a settled gun. Common practice, no source.
    assert HOLDS_H == (2.0, 2.5, 3.0)
    times = passage_times(Bank.of([_sight(0.0, 0.0)]), 5.0, np.random.default_rng(0), n=4000)
    assert 2.0 <= np.median(times) <= 3.0


def test_one_picture_gives_common_practice_and_says_so():
    view = _look([_sight(0.0, 0.0)], 0.0)
    assert view.basis == "common-practice"
    assert view.minutes_to_limit == pytest.approx((120, 150, 180), abs=1)
    (text,) = sentences(view, _clock)
    assert text.startswith("Common practice, not measured: a good center holds about 2–3 h on a settled gun")
    assert "check again by 11:00" in text


def test_one_picture_far_off_or_old_leaves_less_time():
    half = _look([_sight(0.0, 2.4)], 0.0)
    assert 50 < half.minutes_to_limit[0] < 70
    old = _look([_sight(0.0, 0.0)], 1.5)
    assert old.minutes_to_limit[0] == pytest.approx(30, abs=2)
    over = _look([_sight(0.0, 9.0)], 0.0)
    assert over.minutes_to_limit == (0.0, 0.0, 0.0)
    assert sentences(over, _clock) == ("Working score is below 97 already: center now.",)
    assert sentences(over, _clock, fresh=False) == ("Working score is below 97 already: check again now.",)
    stale = _look([_sight(0.0, 0.0)], 4.0)
    assert "check again now" in sentences(stale, _clock)[0]


def test_after_a_gun_change_one_picture_holds_minutes():
    view = _look([Settling(0.0), _sight(0.1, 0.0)], 0.1)
    assert view.settling
    assert view.minutes_to_limit[1] == pytest.approx(10)
    assert "minutes only" in sentences(view, _clock)[0]


def test_while_the_gun_settles_the_next_look_is_at_most_half_an_hour_away():
    events = [Settling(0.0, "kv"), _sight(0.2, 0.1), _sight(0.5, 0.1), _sight(0.8, 0.1)]
    view = _look(events, 0.8)
    assert (view.basis, view.settling) == ("pictures", True)
    assert view.check_h == min(0.5, view.early_h or 0.5)
    settled = _look(events[1:], 0.8)
    assert not settled.settling
    assert settled.check_h == min(HOLDS_H[2], settled.early_h or HOLDS_H[2]) > 0.5


def test_the_sentence_names_limit_times_and_when_to_look_again():
    view = _look(CREEP, 2.5)
    assert view.basis == "pictures"
    assert view.limit_name == "working_score"
    early, median, late = view.minutes_to_limit
    # 4.71 % − 2.25 % at 0.9 %/h is 2.7 h
    assert early < 2.7 * 60 < late
    assert median == pytest.approx(2.7 * 60, rel=0.25)
    text = sentences(view, _clock)[0]
    assert text.startswith("Working score falls below 97 around 14:")
    assert text.endswith(f"check again by {_clock(2.5 + view.check_h)}.")
    assert view.check_h == pytest.approx(early / 60)


def test_the_offset_limit_counts_when_it_is_the_tighter_one():
    view = _look(CREEP, 2.5, offset_limit=3.0)
    assert (view.limit_name, view.limit_value) == ("offset_percent", 3.0)
    assert sentences(view, _clock)[0].startswith("Offset exceeds 3 % of the aperture radius around")


def test_over_the_limit_already():
    view = _look([_sight(t, 8 + 0.1 * t) for t in (0.0, 0.5, 1.0)], 1.0)
    assert view.late_h == 0.0
    assert sentences(view, _clock)[0] == "Working score is below 97 already: center now."
    assert sentences(view, _clock, fresh=False)[0] == "Working score is below 97 already: check again now."


def test_after_a_move_of_unknown_effect_no_place_is_claimed():
    for seen in ([_sight(0.0, 9.0)], CREEP):
        view = _look([*seen, Step(2.6)], 2.7)
        assert view.lost
        (text,) = sentences(view, _clock)
        assert "not known" in text
        assert "Take a picture" in text
        assert not _look([*seen, Step(2.6, 0.3, 0.0, 0.01, 0.0, 0.01)], 2.7).lost
        assert not _look([*seen, Step(2.6), _sight(2.65, 0.5)], 2.7).lost


def test_steady_beam_is_looked_at_again_after_common_practice_at_the_latest():
    still = [_sight(t, 0.0, 0.0, 0.02) for t in np.linspace(0, 10, 120)]
    view = _look(still, 10.0)
    assert view.check_h <= HOLDS_H[2]
    assert view.early_h is None or view.early_h > 3.0
    assert "common practice" in sentences(view, _clock)[0] or "check again by" in sentences(view, _clock)[0]


def test_nothing_seen_since_the_state_changed():
    view = _look([*CREEP, Restart(2.6)], 3.0)
    assert view.basis == "none"
    assert view.minutes_to_limit is None
    assert view.check_h is None
    assert sentences(view, _clock)[0].startswith("No forecast")


def test_jumps_are_told():
    view = _look([*CREEP, *(_sight(t, 20.0) for t in (2.6, 2.8))], 2.8)
    assert view.unexplained == 1
    assert any("jumped once" in s for s in sentences(view, _clock))


def test_same_seed_same_numbers():
    assert _look(CREEP, 2.5) == _look(CREEP, 2.5)
