"""Recalls of stored settings and switches of the side against sums done by hand; limits, records and whole sentences."""

from datetime import UTC, datetime, timedelta
from math import ceil, hypot, sqrt

import numpy as np
import pytest

from apertrue.current.entries import offset_of, readings_of, side_of_entry
from apertrue.current.recall import centering_minutes, first_after_recall, summarize_recalls
from apertrue.current.summary import recall_record, switching_record
from apertrue.current.switching import switching
from apertrue.instrument.settings import Costs, Limits

T0 = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
#: X moves the beam by 4 % a unit to the right, Y by 2 % downward.
MATRIX = np.diag([4.0, 2.0])
SURE = np.zeros((4, 4))
STORED = (10.0, 5.0)


def look(minutes, x, y=0.0, side="positive", readings=None, **more):
    return {
        "kind": "picture", "at": T0 + timedelta(minutes=minutes), "focus_side": side,
        "offset_x_percent": x, "offset_y_percent": y, "offset_x_percent_sigma": 0.3, "offset_y_percent_sigma": 0.2,
        "gun_shift_x": None if readings is None else readings[0], "gun_shift_y": None if readings is None else readings[1],
        **more,
    }  # fmt: skip


def event(kind, minutes, **more):
    return {"kind": kind, "at": T0 + timedelta(minutes=minutes), **more}


def recalls(*offsets, every=7, setting="a", readings=STORED):
    """A recall every so many days and its picture three minutes later."""
    out = []
    for k, (x, y) in enumerate(offsets):
        at = 24 * 60 * every * k
        out += [event("recall", at, setting=setting), look(at + 3, x, y, readings=readings)]
    return out


def told(entries, calibration=(MATRIX, SURE), **more):
    (got,) = summarize_recalls(
        entries, calibration_for=None if calibration is None else lambda side: calibration, **more
    )
    return got


# --- entries ----------------------------------------------------------------------------------------------------------
def test_an_entrys_side_is_stated_or_its_focus_sign():
    assert side_of_entry({"focus_side": "negative", "gun_focus": 5.0}) == "negative"
    assert side_of_entry({"focus_side": "left", "gun_focus": 5.0}) == "positive"
    assert side_of_entry({"gun_focus": -5.0}) == "negative"
    assert side_of_entry({"gun_focus": 0.5}) == "positive"
    assert side_of_entry({"gun_focus": 0.0}) is None
    assert side_of_entry({}) is None
    assert readings_of({"gun_shift_x": 1.0}) is None
    assert readings_of({"gun_shift_y": 1.0}) is None
    assert readings_of({"gun_shift_x": 1.0, "gun_shift_y": 2.0}).tolist() == [1.0, 2.0]
    for missing in ("offset_x_percent", "offset_y_percent", "offset_x_percent_sigma", "offset_y_percent_sigma"):
        assert offset_of(look(0, 1.0, **{missing: None})) is None


# --- the first picture after a recall ---------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("between", "minutes", "seen"),
    [
        ((), 60.0, True),
        ((), 60.1, False),
        ((event("nudge", 1),), 3, False),
        ((event("routine-start", 1),), 3, False),
        ((event("routine-end", 1),), 3, False),
        ((event("service", 1),), 3, False),
        ((event("note", 1, setting="b"),), 3, True),
        ((event("state", 1, changed=("kv",)),), 3, True),
        ((look(1, None),), 3, True),
    ],
)
def test_a_picture_is_the_recalls_own_for_an_hour_and_until_something_moves(between, minutes, seen):
    entries = [event("recall", 0, setting="a"), *between, look(minutes, 3.0, 4.0, readings=STORED, setting="a")]
    found, unseen = first_after_recall(entries)
    assert len(found) == seen
    assert unseen == ([] if seen else [("a", T0)])
    if seen:
        (r,) = found
        assert (r.setting, r.side, r.at, r.wait_min, r.age_days) == ("a", "positive", T0, minutes, None)
        assert (r.length, r.readings.tolist(), r.offset.tolist()) == (5.0, [10.0, 5.0], [3.0, 4.0])
        assert r.covariance == pytest.approx(np.diag([0.09, 0.04]))


def test_recalls_without_a_picture_are_counted_each():
    entries = [event("recall", 0, setting="a"), event("recall", 5, setting="b"), event("recall", 9), look(12, 1.0)]
    assert first_after_recall(entries) == ([], [("a", T0), ("b", T0 + timedelta(minutes=5))])
    entries = [
        *recalls((3.0, 4.0), (3.0, 4.0)),
        event("recall", 99999, setting="a"),
        event("recall", 100100, setting="b"),
    ]
    assert told(entries).unseen == 1
    twice = [event("recall", 0, setting="a"), look(3, 1.0), look(4, 2.0)]
    assert [r.offset[0] for r in first_after_recall(twice)[0]] == [1.0]


def test_a_settings_age_counts_from_when_it_was_stored():
    day = 24 * 60
    entries = [event("recall", 2 * day, setting="a"), look(2 * day + 3, 1.0)]
    for before, age in (
        ([event("state", 0, changed=("setting",), setting="a")], 2.0),
        ([event("state", 0, changed=("setting",), setting="b")], None),
        ([event("state", 0, changed=("kv",), setting="a")], None),
        ([event("state", 0, changed=("setting",))], None),
        ([], None),
    ):
        ((r,), _) = first_after_recall([*before, *entries])
        assert r.age_days == age
    ((r,), _) = first_after_recall(entries, {"a": T0 - timedelta(days=1)})
    assert r.age_days == 3.0
    ((r,), _) = first_after_recall(entries, {"a": T0 + timedelta(days=3)})
    assert r.age_days is None  # stored after this recall
    # Only what followed the last storing counts.
    again = event("state", 10 * day, changed=("setting",), setting="a")
    late = [event("recall", 11 * day, setting="a"), look(11 * day + 3, 7.0)]
    got = told([*entries, again, *late], None)
    assert [r.offset[0] for r in got.recalls] == [7.0]


# --- sums -------------------------------------------------------------------------------------------------------------
def test_offsets_are_summed_up_with_their_scatter():
    got = told(recalls((4.0, 0.0), (8.0, 2.0), (12.0, 4.0)))
    assert got.rms_percent == pytest.approx(sqrt((16 + 68 + 160) / 3))
    assert got.mean.tolist() == [8.0, 2.0]
    assert got.mean_sigma == pytest.approx([4 / sqrt(3), 2 / sqrt(3)])
    one = told(recalls((3.0, 4.0)))
    assert one.mean_sigma == pytest.approx([0.3, 0.2])  # of one recall only its picture's doubt is known
    # And its spread is taken as large as it is itself, or 1 % at least.
    around = centering_minutes(np.array([3.0, 4.0]), 25.0 * np.eye(2), Limits(), Costs())
    assert one.minutes_per_recall == pytest.approx(around)
    small = told(recalls((0.3, 0.4)))
    assert small.minutes_per_recall == pytest.approx(
        centering_minutes(np.array([0.3, 0.4]), np.eye(2), Limits(), Costs())
    )
    three = np.cov([[4.0, 8.0, 12.0], [0.0, 2.0, 4.0]]) + 1e-7 * np.eye(2)
    assert got.minutes_per_recall == pytest.approx(
        centering_minutes(np.array([8.0, 2.0]), three, Limits(), Costs()), abs=0.02
    )


def test_better_start_values_are_what_would_have_centered():
    """Readings (10, 5) less (1, 0), (2, 1) and (3, 2) units: (8, 4) in the mean, and their scatter for the next one."""
    doubt = 0.04
    got = told(recalls((4.0, 0.0), (8.0, 2.0), (12.0, 4.0)), (MATRIX, doubt * np.eye(4))).start
    assert got.readings == pytest.approx([8.0, 4.0])
    assert got.trend is False
    # The calibration's doubt moves them all by the mean move (2, 1): (2² + 1²) · 0.04 over the squared gains.
    x, y = 4 / 3 + 5 * doubt / 16, 4 / 3 + 5 * doubt / 4
    assert got.covariance == pytest.approx(np.array([[x, 4 / 3], [4 / 3, y]]), rel=1e-6)
    assert got.expected_offset_percent == pytest.approx(sqrt(16 * x + 4 * y), rel=1e-6)
    # Of one or two the scatter is not known: as large as the moves themselves, and the picture's doubt.
    one = told(recalls((8.0, 2.0))).start
    own = np.diag([0.09 / 16, 0.04 / 4])
    assert one.covariance == pytest.approx(2 * (5.0 * np.eye(2) + own), rel=1e-6)
    two = told(recalls((8.0, 2.0), (4.0, 0.0))).start
    assert two.covariance == pytest.approx(1.5 * (3.0 * np.eye(2) + own), rel=1e-6)
    assert told(recalls((8.0, 2.0)), None).start is None
    assert told(recalls((8.0, 2.0), readings=None)).start is None


def drifting():
    """Right readings that fall by 0.1 a day in X, with residuals at right angles to the line: 5 weeks."""
    ex, ey = 0.05 * np.array([1, -2, 0, 2, -1]), 0.05 * np.array([1, 0, -2, 0, 1])
    right = np.stack([9.0 - 0.7 * np.arange(5) + ex, 5.0 + ey], axis=1)
    return recalls(*((np.array(STORED) - right) @ MATRIX).tolist())


@pytest.mark.parametrize(("now", "day", "factor"), [(None, 28, 1.2 + 0.4), (35, 35, 1.2 + 0.9)])
def test_start_values_follow_a_drift_to_the_day(now, day, factor):
    """A line through five points: variance of a new one 1 + 1/5 + t²/490, t from the middle of the four weeks."""
    got = told(drifting(), now=None if now is None else T0 + timedelta(days=now))
    assert got.growth_significant
    assert got.growth_percent_per_week[0] == pytest.approx(4 * 0.7)
    assert got.growth_percent_per_week[1] == pytest.approx(4 * sqrt(0.025 / 3 / 490) * 7)
    assert got.start.trend
    assert got.start.readings == pytest.approx([9.0 - 0.1 * day, 5.0])
    assert got.start.covariance == pytest.approx(np.diag([0.025, 0.015]) / 3 * factor, rel=1e-6, abs=1e-9)


def test_a_drift_is_judged_from_five_recalls_on():
    """Five recalls, T² · 2/6 follows F(2, 2), whose 95 % point is 19.0."""
    ex, ey = np.array([1, -2, 0, 2, -1]) / sqrt(10), np.array([1, 0, -2, 0, 1]) / sqrt(6)
    for f, significant in ((18.0, False), (20.0, True)):
        slope = sqrt(f * 3 / 10 / 3)  # residuals of variance 1/3; Σt² = 10 weeks²: T² = 30 slope² = 3 F
        x = slope * np.arange(5.0) + ex
        got = told(recalls(*np.stack([x, ey], axis=1).tolist()), None)
        assert got.growth_percent_per_week == pytest.approx((slope, sqrt(1 / 30)))
        assert got.growth_significant is significant
    four = told(recalls(*[(2.0 * k + 0.01 * (-1) ** k, 0.0) for k in range(4)]), None)
    assert four.growth_percent_per_week[0] == pytest.approx(2.0, abs=0.01)
    assert not four.growth_significant
    assert told(recalls((1.0, 0.0), (2.0, 0.0)), None).growth_percent_per_week is None
    assert told(recalls(*[(float(k), 0.0) for k in range(6)], every=0), None).growth_percent_per_week is None


def minutes(x, y=0.0, limits=None, **costs):
    given = Costs(**{"nudge_min": 1.0, "auto_min": 4.0, "hang_probability": 0.1, "hang_min": 10.0, **costs})
    return centering_minutes(np.array([x, y]), 1e-8 * np.eye(2), limits or Limits(), given)


def test_centering_costs_by_the_offset():
    """Nothing up to 5 %, a nudge for each factor of five; beyond 25 % one more by hand or the routine with its hangs."""
    assert minutes(4.9) == pytest.approx(0.0, abs=1e-9)
    assert minutes(5.1) == pytest.approx(1.0)
    assert minutes(3.0, 4.1) == pytest.approx(1.0)
    assert minutes(24.9, nudge_min=0.5) == pytest.approx(0.5)
    assert minutes(25.1, nudge_min=0.5) == pytest.approx(1.5)
    assert minutes(126.0, nudge_min=0.5) == pytest.approx(2.0)
    assert minutes(30.0, nudge_min=2.0) == pytest.approx(4.0 + 0.1 * 10.0)
    assert minutes(30.0, limits=Limits(offset_leave=10.0, offset_nudge=40.0)) == pytest.approx(1.0)
    assert minutes(0.0) == pytest.approx(0.0, abs=1e-9)


def test_a_doubtful_offset_costs_its_expectation():
    """σ 10 % in x alone: the offset exceeds 5 % with probability 0.617 (normal table); by plain averaging the same."""
    x = 10.0 * np.random.default_rng(1).normal(size=100_000)
    costs = Costs(nudge_min=1.0, auto_min=1e3)
    for covariance in (np.diag([100.0, 1e-6]), np.array([[50.0, 50.0 - 1e-7], [50.0 - 1e-7, 50.0]])):
        got = centering_minutes(np.zeros(2), covariance, Limits(), costs)
        size = np.abs(x)
        expected = np.where(size > 25, 3.0, np.where(size > 5, 1.0, 0.0)).mean()
        assert got == pytest.approx(expected, abs=0.12)


# --- words and records ------------------------------------------------------------------------------------------------
def test_recalls_are_told_in_whole_sentences():
    got = told(recalls((12.0, 0.0), (12.4, 0.0), (12.0, 0.4)), store_min=2.0)
    start = got.start
    sx, sy = np.sqrt(np.diag(start.covariance))
    value, sigma = got.growth_percent_per_week
    assert got.pays_after == ceil(2.0 / (got.minutes_per_recall - got.minutes_with_start)) == 2
    assert got.sentences == (
        "Setting a on the positive side, recalled 3 times: the beam was off by 12.1 % (root mean square).",
        f"No drift beyond chance: {value:.1f} ± {sigma:.1f} % a week.",
        f"Better start values: gun shift X {start.readings[0]:.2f} ± {sx:.2f}, Y {start.readings[1]:.2f} ± {sy:.2f}; "
        f"expected offset then {start.expected_offset_percent:.1f} %.",
        "Storing it anew (2 min) pays after 2 recalls: 1.0 min of centering a recall now, 0.0 min then. "
        "Ask whoever keeps the settings before overwriting one.",
    )
    once = told(recalls((12.0, 0.0), (12.4, 0.0), (12.0, 0.4)), store_min=0.5)
    assert "pays after 1 recall: 1.0 min" in once.sentences[3]
    drift = told(drifting())
    assert drift.sentences[1] == (
        "It drifts away by 2.8 ± 0.1 % a week: stored centered, it reaches the limit of 5 % after about 1.8 weeks."
    )
    assert " (following the drift); expected offset then " in drift.sentences[2]
    unlimited = told(drifting(), limits=Limits(offset_leave=7.0))
    assert "reaches the limit of 7 % after about 2.5 weeks." in unlimited.sentences[1]


def test_a_first_impression_and_a_good_setting_are_called_so():
    sideless = [{**e, "focus_side": None} for e in recalls((0.1, 0.0), (0.2, 0.0))]
    (got,) = summarize_recalls(sideless)
    assert got.side is None
    assert got.sentences == (
        "Setting a, recalled 2 times: the beam was off by 0.2 % (root mean square).",
        "Better start values need a shift calibration on this side and the shift readings of the pictures.",
        "Few recalls so far: take it as a first impression.",
    )
    good = told(recalls((0.1, 0.0), (0.2, 0.0), (0.1, 0.1)))
    assert good.pays_after is None
    assert good.sentences[-1] == "Storing the setting anew would not save time."


def test_settings_are_listed_by_their_recalls_then_by_name_and_side():
    other = [{**e, "focus_side": "negative"} if e["kind"] == "picture" else e for e in recalls((1.0, 0.0), setting="a")]
    entries = [
        *recalls((1.0, 0.0), setting="b"),
        *recalls((1.0, 0.0), setting="a"),
        *other,
        *recalls((1.0, 0.0), (2.0, 0.0), setting="c"),
    ]
    assert [(s.setting, s.side) for s in summarize_recalls(entries)] == [
        ("c", "positive"), ("a", "negative"), ("a", "positive"), ("b", "positive")
    ]  # fmt: skip


def test_a_recalls_record_holds_every_number():
    got = told(drifting(), store_min=5.0)
    record = recall_record(got)
    sigma = np.sqrt(np.diag(got.start.covariance))
    history = record.pop("history")
    assert record == {
        "setting": "a", "focus_side": "positive", "recalls": 5, "unseen": 0, "offset_rms_percent": got.rms_percent,
        "offset_x_percent": got.mean[0], "offset_x_percent_sigma": got.mean_sigma[0],
        "offset_y_percent": got.mean[1], "offset_y_percent_sigma": got.mean_sigma[1],
        "growth_percent_per_week": got.growth_percent_per_week[0],
        "growth_percent_per_week_sigma": got.growth_percent_per_week[1], "growth_significant": True,
        "start_gun_shift_x": got.start.readings[0], "start_gun_shift_x_sigma": sigma[0],
        "start_gun_shift_y": got.start.readings[1], "start_gun_shift_y_sigma": sigma[1],
        "start_expected_offset_percent": got.start.expected_offset_percent,
        "minutes_per_recall": got.minutes_per_recall, "minutes_with_start": got.minutes_with_start,
        "pays_after_recalls": got.pays_after, "sentences": list(got.sentences),
    }  # fmt: skip
    first = got.recalls[0]
    assert history[0] == {
        "at": "2026-01-05T08:00:00+00:00", "age_days": None, "offset_x_percent": first.offset[0],
        "offset_y_percent": first.offset[1], "offset_percent": hypot(*first.offset),
    }  # fmt: skip
    bare = recall_record(told(recalls((1.0, 0.0)), None))
    for name in ("start_gun_shift_x", "start_gun_shift_y", "start_gun_shift_x_sigma", "start_gun_shift_y_sigma",
                 "start_expected_offset_percent", "growth_percent_per_week", "growth_percent_per_week_sigma"):  # fmt: skip
        assert bare[name] is None


# --- switching sides --------------------------------------------------------------------------------------------------
NOISE = 2 * (0.09 + 0.04)  # %², of both pictures


def visits(extra, *, controls=12, switches=4, drift=0.74, hours=1.0):
    """Changes of √(drift + noise) %; with a stay on the other side in between, larger by ``extra`` in square."""
    out, x, at = [look(0, 0.0)], 0.0, 0.0
    for k in range(controls + switches):
        if k >= controls:
            out.append(event("current", at + 1, gun_focus=-20.0))
        at += 60 * hours
        x += sqrt(NOISE + drift * hours + (extra if k >= controls else 0.0))
        out.append(look(at, x))
    return out


def test_a_switch_is_told_with_size_chance_and_numbers():
    """12 changes of 0.74 %² beyond noise and 4 of 8.74: √8 = 2.8 % more, by chance once in C(16, 4) = 1820."""
    found = switching(visits(8.0), rng=np.random.default_rng(0), permutations=4000)
    assert (found.n_switched, found.n_control) == (4, 12)
    assert found.rms_switched_percent == pytest.approx(sqrt(8.74))
    assert found.rms_control_percent == pytest.approx(sqrt(0.74))
    assert found.extra_percent == pytest.approx(sqrt(8.0))
    assert found.p_value < 0.003
    assert found.disturbs is True
    assert found.sentences == (
        f"Switching sides moved the beam by about 2.8 % of the aperture radius beyond the usual drift (4 switches, 12 "
        f"comparisons without, chance {found.p_value:.3f}). Center again after each switch.",
    )
    once = switching(visits(8.0), rng=np.random.default_rng(0), permutations=9)
    assert once.p_value == 0.1  # none of nine arrangements had as much: one in ten with the one seen
    record = switching_record(found)
    assert record["sentences"] == list(found.sentences)
    assert (record["n_switched"], record["extra_percent"]) == (4, found.extra_percent)
    # Drift grows with time: half-hourly changes of as much drift an hour tell the same.
    half = switching(visits(8.0, hours=0.5), rng=np.random.default_rng(0))
    assert half.rms_control_percent == pytest.approx(sqrt(0.74))
    assert half.extra_percent == pytest.approx(sqrt(8.0))


@pytest.mark.parametrize(("extra", "disturbs"), [(0.98, False), (1.02, True)])
def test_under_one_percent_a_switch_does_not_matter(extra, disturbs):
    found = switching(visits(extra), rng=np.random.default_rng(0))
    assert found.p_value < 0.05
    assert found.disturbs is disturbs
    if not disturbs:
        assert found.sentences == (
            "Switching sides moved the beam by under 1 % of the aperture radius (4 switches): no matter.",
        )


def test_no_effect_is_told_as_it_should_be():
    found = switching(visits(-0.3), rng=np.random.default_rng(0))
    assert (found.disturbs, found.extra_percent) == (False, 0.0)
    assert found.p_value == 1.0  # no arrangement has less of it than the switches
    assert found.sentences == (
        f"Switching sides did not disturb the shift beyond the usual drift (4 switches, 12 without, chance "
        f"{found.p_value:.2f}), as it should be.",
    )
    few = switching(visits(0.0)[:-2], rng=np.random.default_rng(0))
    assert (few.n_switched, few.n_control, few.p_value, few.disturbs, few.extra_percent) == (3, 12, None, None, None)
    assert few.rms_switched_percent == pytest.approx(sqrt(0.74))
    assert few.sentences == (
        "The log can't tell yet whether switching sides disturbs the shift: 3 comparisons with a switch in between, 12 "
        "without; four of each are needed.",
    )
    assert switching(visits(0.0, controls=3), rng=np.random.default_rng(0)).p_value is None
    assert switching(visits(0.0, controls=4), rng=np.random.default_rng(0)).p_value is not None
    none = switching([], rng=np.random.default_rng(0))
    assert (none.rms_switched_percent, none.rms_control_percent) == (None, None)


@pytest.mark.parametrize(("minutes_apart", "compared"), [(360, 1), (361, 0), (0, 0)])
def test_pictures_up_to_six_hours_apart_are_compared(minutes_apart, compared):
    found = switching([look(0, 1.0), look(minutes_apart, 2.0)], rng=np.random.default_rng(0))
    assert found.n_control == compared


def test_a_quick_pair_counts_as_six_minutes():
    found = switching([look(0, 0.0), look(1, 2.0)], rng=np.random.default_rng(0))
    assert found.rms_control_percent == pytest.approx(sqrt((4 - NOISE) / 0.1))


def test_a_nudge_is_taken_out_through_the_calibration_or_ends_the_comparison():
    moved = [look(0, 1.0, readings=(0.0, 0.0)), event("nudge", 5), look(60, 1.0 + 8.0 + 2.0, 3.0, readings=(2.0, 1.5))]
    found = switching(moved, rng=np.random.default_rng(0), calibration_for=lambda side: (MATRIX, SURE))
    assert found.rms_control_percent == pytest.approx(sqrt(4.0 - NOISE))  # of (10, 3) the move made (8, 3)
    assert switching(moved, rng=np.random.default_rng(0)).n_control == 0
    assert switching(moved, rng=np.random.default_rng(0), calibration_for=lambda side: None).n_control == 0
    blind = [look(0, 1.0), event("nudge", 5), look(60, 3.0)]
    assert switching(blind, rng=np.random.default_rng(0)).n_control == 0
    same = [look(0, 1.0, readings=(0.1 + 0.2, 0.0)), event("nudge", 5), look(60, 3.0, readings=(0.3, 0.0))]
    assert switching(same, rng=np.random.default_rng(0)).n_control == 1  # equal but for rounding
    little = [look(0, 1.0, readings=(0.0, 0.0)), look(60, 3.0, readings=(1e-8, 0.0))]
    assert switching(little, rng=np.random.default_rng(0)).n_control == 0


def test_the_other_side_counts_whether_seen_or_only_noted():
    for between, switched in (
        (look(10, 9.0, side="negative"), 1),
        (look(10, None, side="negative"), 1),
        (event("state", 10, gun_focus=-20.0), 1),
        (event("state", 10, gun_focus=20.0), 0),
        (event("note", 10), 0),
    ):
        found = switching([look(0, 1.0), between, look(60, 3.0), look(120, 5.0)], rng=np.random.default_rng(0))
        assert (found.n_switched, found.n_control) == (switched, 2 - switched)
    # Each kind of end parts what is compared.
    for kind in ("recall", "routine-start", "routine-end", "service"):
        found = switching([look(0, 1.0), event(kind, 10), look(60, 3.0)], rng=np.random.default_rng(0))
        assert found.n_control == 0
