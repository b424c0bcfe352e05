"""A calibration as kept: its state, its end, foci, and the file."""

import json
from dataclasses import fields, replace
from datetime import timedelta
from functools import partial
from typing import get_type_hints

import calibration_samples
import msgspec
import numpy as np
import pytest
from calibration_samples import MADE, STATE, A

from apertrue.advice import Context
from apertrue.assessment import Assessment
from apertrue.calibration import (
    Calibration,
    StateKey,
    add_calibration,
    at_focus,
    calibration_path,
    choose,
    load_calibrations,
    save_calibrations,
    why_none,
    with_nudge,
)
from apertrue.calibration.files import _Entry, _State
from apertrue.errors import CalibrationError
from apertrue.frame import State
from apertrue.instrument import Instrument

make = partial(calibration_samples.make, variance=0.03**2)  # 1 % of the largest element


def test_holds_in_its_own_state_and_where_nothing_is_known_against_it():
    now = MADE + timedelta(hours=3)
    assert make().valid_for(STATE, now).valid
    assert make().valid_for(StateKey(), now).valid
    assert make().valid_for(State(gun_focus=14.2, focus_side="positive", kv=200.0), now).valid


def test_what_nobody_can_tell_is_left_to_the_operator():
    got = make().valid_for(State(gun_focus=14.2, focus_side="positive", kv=200.0), MADE, mode="STEM")
    assert got.unknown == ("aperture_um", "spot", "magnification", "camera")
    assert "Check yourself: the condenser aperture 70, the spot setting 5" in got.sentences[-1]
    assert make().valid_for(STATE, MADE).sentences == ()


def test_why_none_holds_names_the_nearest():
    other = make(state=replace(STATE, kv=80.0, spot="2"))
    assert "made yet" in why_none((), STATE)
    said = why_none((other, make(state=replace(STATE, spot="4"))), STATE)
    assert "the spot setting changed since" in said
    assert "high tension" not in said


def test_the_move_comes_with_what_to_mind_of_it():
    seen = Assessment(
        offset_x_percent=6.0,
        offset_y_percent=-3.0,
        offset_x_percent_sigma=0.1,
        offset_y_percent_sigma=0.1,
        gun_shift_x=1.0,
        gun_shift_y=2.0,
    )
    state = State(gun_focus=14.0, focus_side="positive", kv=200.0)
    late = with_nudge(Context(), seen, state, Instrument(), MADE + timedelta(days=3), (make(),))
    assert late.nudge is not None
    assert "3 days old" in late.nudge_notes[0]
    other = with_nudge(Context(), seen, replace(state, kv=80.0), Instrument(), MADE, (make(),))
    assert other.nudge is None
    assert "the high tension changed" in other.nudge_notes[0]
    assert with_nudge(Context(), seen, state, Instrument(), MADE, ()).nudge_notes == ()


@pytest.mark.parametrize(
    ("field", "value", "word"),
    [
        ("focus_side", "negative", "side of the gun-lens focus"),
        ("gun_focus", 18.0, "gun-lens focus"),
        ("aperture_um", 50.0, "condenser aperture"),
        ("kv", 80.0, "high tension"),
        ("spot", "6", "spot setting"),
        ("magnification", 200.0, "magnification"),
        ("camera", "other camera", "camera"),
        ("mode", "TEM", "mode"),
    ],
)
def test_each_change_of_state_ends_it_with_its_reason(field, value, word):
    got = make().valid_for(replace(STATE, **{field: value}), MADE)
    assert not got.valid
    assert got.changed == (field,)
    assert word in got.sentences[0]


@pytest.mark.parametrize("field", ["kv", "spot", "camera"])
def test_what_was_not_noted_at_the_calibration_and_is_told_now_is_left_to_the_operator(field):
    got = make(state=replace(STATE, **{field: None})).valid_for(STATE, MADE)
    assert got.valid
    assert got.unknown == (field,)
    value = getattr(STATE, field)
    told = f"{value:g}" if isinstance(value, float) else value
    assert f"{told} (not noted when it was made)" in got.sentences[-1]


VIEW = replace(STATE, aperture_radius_px=(118.0, 0.03))


def test_another_view_ends_it_by_the_apertures_radius():
    kept = make(state=VIEW)
    got = kept.valid_for(replace(STATE, aperture_radius_px=(178.02, 0.03)), MADE)
    assert got.changed == ("aperture_radius_px",)
    assert "the view (the aperture's radius was 118.00 ± 0.03 px and is 178.02 ± 0.03 px" in got.sentences[0]
    assert kept.valid_for(replace(STATE, aperture_radius_px=(121.0, 0.03)), MADE).sentences == ()
    # A difference within its doubt is none, nor is an unknown radius, as in files of before.
    assert kept.valid_for(replace(STATE, aperture_radius_px=(130.0, 4.0)), MADE).valid
    assert kept.valid_for(STATE, MADE).sentences == make().valid_for(VIEW, MADE).sentences == ()


def test_another_aperture_or_focus_is_not_taken_for_another_view():
    # As much larger as the aperture: the same view, and the aperture alone is named.
    larger = replace(STATE, aperture_um=105.0, aperture_radius_px=(177.0, 0.03))
    assert make(state=VIEW).valid_for(larger, MADE).changed == ("aperture_um",)
    odd = replace(larger, aperture_radius_px=(118.0, 0.03))
    assert make(state=VIEW).valid_for(odd, MADE).changed == ("aperture_um", "aperture_radius_px")
    # Between foci the size of the aperture's shadow may change along.
    foci = [
        make(state=replace(STATE, gun_focus=f, aperture_radius_px=(r, 0.03))) for f, r in ((10.0, 100.0), (20.0, 120.0))
    ]
    assert choose(foci, replace(STATE, gun_focus=15.0, aperture_radius_px=(111.0, 0.03))) is not None


def test_the_picture_tells_the_view_of_a_move():
    seen = Assessment(
        offset_x_percent=6.0, offset_y_percent=-3.0, offset_x_percent_sigma=0.1, offset_y_percent_sigma=0.1,
        aperture_radius_px=178.0, aperture_radius_px_sigma=0.03, aperture_source="picture",
    )  # fmt: skip
    state = State(gun_focus=14.0, focus_side="positive", kv=200.0)
    got = with_nudge(Context(), seen, state, Instrument(), MADE, (make(state=VIEW),))
    assert got.nudge is None
    assert "another magnification, camera or lens" in got.nudge_notes[0]
    remembered = replace(seen, aperture_source="remembered")
    assert with_nudge(Context(), remembered, state, Instrument(), MADE, (make(state=VIEW),)).nudge is not None


def test_side_follows_from_the_sign_of_the_focus():
    assert StateKey.of(State(gun_focus=-12.0)).focus_side == "negative"
    assert StateKey.of(State(gun_focus=3.0, focus_side="negative")).focus_side == "negative"
    assert StateKey.of(State()).focus_side is None


def test_next_day_asks_for_a_confirmation():
    old = make().valid_for(STATE, MADE + timedelta(hours=23))
    assert old.valid
    assert old.confirm
    assert "one small move of each axis" in old.sentences[0]
    fresh = replace(make(), confirmed_at=MADE + timedelta(hours=22)).valid_for(STATE, MADE + timedelta(hours=23))
    assert not fresh.confirm
    future = make().valid_for(STATE, MADE - timedelta(hours=5))
    assert future.confirm
    assert "check the clock" in future.sentences[0]
    before = make().valid_for(STATE, MADE - timedelta(hours=5), as_taken=True)
    assert not before.confirm
    assert "before the shift calibration was made" in before.sentences[0]
    assert "clock" not in " ".join(before.sentences)


def test_description_tells_rotation_skew_and_mirror():
    plain = make(np.array([[2.0, 0.0], [0.0, -3.0]])).description  # X right, Y up on the screen
    assert plain["direction_x_deg"] == pytest.approx(0.0)
    assert plain["direction_y_deg"] == pytest.approx(90.0)
    assert plain["skew_deg"] == pytest.approx(0.0)
    assert plain["mirrored"] is False
    assert (plain["gain_x_percent"], plain["gain_y_percent"]) == pytest.approx((2.0, 3.0))
    mirrored = make(np.array([[2.0, 0.0], [0.0, 3.0]])).description  # Y down
    assert mirrored["mirrored"] is True
    assert mirrored["skew_deg"] == pytest.approx(0.0)
    skewed = make(np.array([[1.0, 0.5], [0.0, -np.sqrt(0.75)]])).description  # Y at 60°
    assert skewed["skew_deg"] == pytest.approx(-30.0)


@pytest.mark.parametrize(
    "matrix", [np.zeros((2, 2)), np.array([[1.0, 2.0], [2.0, 4.0]]), np.array([[np.nan, 0.0], [0.0, 1.0]])]
)
def test_impossible_matrices_are_refused(matrix):
    with pytest.raises(CalibrationError):
        make(matrix)


def test_impossible_covariances_are_refused():
    with pytest.raises(CalibrationError, match="not positive"):
        Calibration(((1.0, 0.0), (0.0, 1.0)), tuple(map(tuple, (-np.eye(4)).tolist())))


# --- scaling between foci ---
def at(focus):
    """A matrix that scales and turns linearly with focus."""
    return A * (1.0 + 0.03 * (focus - 14.0)) + 0.02 * (focus - 14.0) * np.array([[0.0, 1.0], [-1.0, 0.0]])


def test_scaling_between_foci_is_learned_and_doubted():
    known = [make(at(f), replace(STATE, gun_focus=f)) for f in (10.0, 14.0, 20.0)]
    got = at_focus(known, 17.0)
    assert got.a == pytest.approx(at(17.0), abs=1e-9)
    assert got.state.gun_focus == 17.0
    assert np.trace(got.cov) < np.trace(known[0].cov)
    edge = at_focus(known, 10.5)
    assert np.trace(edge.cov) > np.trace(got.cov)


def test_scaling_does_not_reach_beyond_what_was_seen():
    known = [make(at(f), replace(STATE, gun_focus=f)) for f in (10.0, 20.0)]
    with pytest.raises(CalibrationError, match="outside the calibrated range 10 to 20"):
        at_focus(known, 25.0)
    with pytest.raises(CalibrationError, match="two different foci"):
        at_focus(known[:1], 10.0)
    other = [known[0], make(at(20.0), replace(STATE, gun_focus=20.0, kv=80.0))]
    with pytest.raises(CalibrationError, match="share no scaling"):
        at_focus(other, 15.0)


def test_choice_takes_the_newest_valid_one_then_interpolates():
    old, new = make(), make(2 * A, made=MADE + timedelta(days=1))
    assert choose([new, old], STATE) is new
    foci = [make(at(f), replace(STATE, gun_focus=f)) for f in (10.0, 20.0)]
    between = choose(foci, replace(STATE, gun_focus=15.0))
    assert between is not None
    assert between.a == pytest.approx(at(15.0), abs=1e-9)
    assert choose(foci, replace(STATE, gun_focus=15.0, kv=80.0)) is None
    assert choose([], STATE) is None


# --- the file ---------------------------------------------------------------------------------------------------------
def test_file_round_trip_keeps_every_digit(tmp_path):
    place = tmp_path / "deep" / "scope.calibrations.json"
    rng = np.random.default_rng(0)
    root = rng.normal(size=(4, 4))
    full = Calibration(
        tuple(map(tuple, (A + rng.normal(size=(2, 2))).tolist())),
        tuple(map(tuple, (root @ root.T).tolist())),
        STATE,
        MADE,
        MADE + timedelta(hours=2),
        7,
        3.25,
        8,
        (0.1, -0.02),
        0.1,
        "after the service — größer",
    )
    save_calibrations(place, [full])
    assert load_calibrations(place) == (full,)
    assert add_calibration(place, make()) == (full, make())
    assert load_calibrations(place) == (full, make())
    assert [p.name for p in place.parent.iterdir()] == ["scope.calibrations.json"]
    json.loads(place.read_text(encoding="utf-8"))


def test_no_file_no_calibrations(tmp_path):
    assert load_calibrations(tmp_path / "none.json") == ()
    assert calibration_path(tmp_path / "scope.toml") == tmp_path / "scope.calibrations.json"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("not json", "no calibration file"),
        ("{}", "no calibration file"),
        ('{"apertrue_calibrations": 99, "calibrations": []}', "newer apertrue"),
        ('{"apertrue_calibrations": 1, "calibrations": [], "more": 1}', "no calibration file"),
        (
            '{"apertrue_calibrations": 1, "calibrations": [{"matrix": [[1, 0], [0, 1]], "covariance": [[1]]}]}',
            "calibration 1",
        ),
        (
            '{"apertrue_calibrations": 1, "calibrations": [{"matrix": [[0, 0], [0, 0]], "covariance": '
            "[[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]}]}",
            "calibration 1",
        ),
    ],
)
def test_broken_file_is_named_with_its_fault(tmp_path, text, message):
    place = tmp_path / "bad.json"
    place.write_text(text, encoding="utf-8")
    with pytest.raises(CalibrationError, match=message) as caught:
        load_calibrations(place)
    assert "bad.json" in str(caught.value)


def test_place_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(CalibrationError, match=r"not a folder.*--out"):
        save_calibrations(tmp_path / "file" / "x.json", [make()])


def test_example_in_the_rooms_docstring_runs():
    import doctest

    import apertrue.calibration

    result = doctest.testmod(apertrue.calibration)
    assert result.attempted >= 4
    assert result.failed == 0


def test_the_file_knows_each_field_of_a_state_as_the_state_does(tmp_path):
    """The border's struct is written by hand, to refuse keys that it does not know; it must not fall behind."""
    ours, theirs = get_type_hints(StateKey), get_type_hints(_State)
    assert ours == theirs
    assert list(ours) == list(theirs)
    assert StateKey() == StateKey(**msgspec.structs.asdict(_State()))
    assert {f.name for f in fields(Calibration)} == {f.name for f in msgspec.structs.fields(_Entry)}
    file = tmp_path / "kept.json"
    file.write_text(
        '{"apertrue_calibrations": 1, "calibrations": [{"matrix": [[1, 0], [0, 1]], "covariance": [], '
        '"state": {"spott": "3"}}]}',
        encoding="utf-8",
    )
    with pytest.raises(CalibrationError, match="spott"):
        load_calibrations(file)
