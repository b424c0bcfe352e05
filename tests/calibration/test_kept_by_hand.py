"""When a kept calibration holds, between foci, in its file and from a sheet: limits, sums done by hand, and whole sentences."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from calibration_samples import MADE, STATE, A, make

from apertrue.advice import Context
from apertrue.assessment import Assessment
from apertrue.calibration import (
    Calibration,
    StateKey,
    at_focus,
    choose,
    load_calibrations,
    save_calibrations,
    why_none,
    with_nudge,
)
from apertrue.calibration.files import forget_calibration, to_dict
from apertrue.calibration.model import date_words
from apertrue.calibration.sheet import is_point_sheet, read_points
from apertrue.calibration.state_key import changed_words
from apertrue.errors import CalibrationError, ReadError
from apertrue.frame import State
from apertrue.instrument import Console, Instrument


def at(focus, **more):
    return make(state=replace(STATE, gun_focus=focus), **more)


# --- validity ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("hours", "confirm", "said"),
    [
        (14.0, False, None),
        (14.1, True, "14 h"),
        (47.4, True, "47 h"),
        (60.0, True, "2 days"),
        (-1.0, False, None),
        (-1.1, True, "future"),
    ],
)
def test_a_calibration_ages_by_the_hour(hours, confirm, said):
    got = make().valid_for(STATE, MADE + timedelta(hours=hours))
    assert (got.valid, got.confirm, got.age_h) == (True, confirm, pytest.approx(hours))
    expected = (
        "The shift calibration is dated in the future: check the clock, then confirm it."
        if said == "future"
        else f"The shift calibration is {said} old: confirm it with one small move of each axis before you rely on it "
        "(apertrue calibrate --confirm)."
    )
    assert got.sentences == (() if said is None else (expected,))


def test_a_calibration_made_after_the_picture_is_said_so():
    got = make().valid_for(STATE, MADE - timedelta(hours=2), as_taken=True)
    assert (got.valid, got.confirm) == (True, False)
    assert got.sentences == (
        "The picture is judged as of when it was taken, before the shift calibration was made: the move holds only if the "
        "state was the same then.",
    )
    old = make().valid_for(STATE, MADE + timedelta(hours=20), as_taken=True)
    assert old.confirm
    # One that does not hold has no age to speak of.
    other = replace(STATE, kv=80.0)
    for hours, as_taken in ((-2, True), (20, False)):
        assert len(make().valid_for(other, MADE + timedelta(hours=hours), as_taken=as_taken).sentences) == 1


def test_without_a_date_there_is_no_age():
    for kept, now in ((make(made=None), MADE), (make(), None)):
        got = kept.valid_for(STATE, now)
        assert (got.age_h, got.confirm, got.sentences) == (None, False, ())


def test_what_changed_and_what_nobody_knows_are_told_in_whole_sentences():
    got = make().valid_for(replace(STATE, kv=80.0, spot="6", gun_focus=None), MADE)
    assert (got.valid, got.changed, got.unknown) == (False, ("kv", "spot"), ("gun_focus",))
    assert got.sentences == (
        "The shift calibration does not hold: the high tension and the spot setting changed since. Calibrate in this state.",
    )
    open_ = make(state=replace(STATE, camera=None)).valid_for(replace(STATE, kv=None), MADE)
    assert open_.sentences == (
        "Nothing tells whether the state is still the calibration's. Check yourself: the high tension 200, the camera "
        "screen camera (not noted when it was made).",
    )
    assert make().valid_for(State(gun_focus=14.0), MADE, mode="TEM").changed == ("mode",)


@pytest.mark.parametrize(
    ("focus", "now", "other"),
    [
        (14.0, 14.7, False),
        (14.0, 14.71, True),
        (14.0, 13.29, True),
        (-14.0, -14.71, True),
        (0.5, 0.549, False),
        (0.5, 0.551, True),
    ],
)
def test_a_focus_is_the_same_within_a_twentieth(focus, now, other):
    """Of its own reading, and of one unit near crossover."""
    then = StateKey(gun_focus=focus)
    assert then.changed(StateKey(gun_focus=now)) == (("gun_focus",) if other else ())


def test_numbers_of_the_state_are_compared_but_for_rounding():
    for kv, other in ((200.0001, False), (200.001, True), (199.999, True)):
        assert bool(StateKey(kv=200.0).changed(StateKey(kv=kv))) is other
    assert StateKey.of(State(gun_focus=0.0)).focus_side is None


def test_a_key_takes_each_field_of_the_state():
    state = State(
        focus_side="negative", gun_focus=12.0, aperture_um=70.0, kv=200.0, spot="5", magnification=100.0, camera="c"
    )
    assert StateKey.of(state, "TEM") == StateKey("negative", 12.0, 70.0, 200.0, "5", 100.0, "c", "TEM")
    assert StateKey.of(State(gun_focus=12.0)).focus_side == "positive"


def test_the_view_is_the_mean_of_its_pictures():
    def seen(radius, sigma, source="picture"):
        return Assessment(aperture_radius_px=radius, aperture_radius_px_sigma=sigma, aperture_source=source)

    key = StateKey(kv=200.0).seen_in(seen(100.0, 0.2), seen(103.0, 0.1), seen(500.0, 1.0, "remembered"), Assessment())
    assert key == StateKey(kv=200.0, aperture_radius_px=(pytest.approx(101.5), 0.2))
    assert StateKey(kv=200.0).seen_in(Assessment()) == StateKey(kv=200.0)
    # Another focus may draw the aperture at another size: that tells no other view.
    then, now = (StateKey(gun_focus=f, aperture_radius_px=(r, 0.1)) for f, r in ((10.0, 100.0), (20.0, 150.0)))
    assert then.changed(now) == ("gun_focus",)
    assert changed_words(("kv", "aperture_radius_px"), then, replace(now, aperture_radius_px=(150.0, 0.0))) == (
        "the high tension and the view (the aperture's radius was 100.00 ± 0.10 px and is 150.0 px: another magnification, "
        "camera or lens)"
    )


# --- choice -----------------------------------------------------------------------------------------------------------
def test_the_newest_is_the_one_made_or_confirmed_last():
    first = make(confirmed_at=MADE + timedelta(days=2))
    second, undated = make(made=MADE + timedelta(days=1)), make(made=None)
    assert choose([undated, first, second], STATE) is first
    assert choose([undated, second], STATE) is second
    assert (date_words(first), date_words(undated)) == ("2026-03-04 09:00+00:00", "")
    assert "spot" in why_none(
        [make(state=replace(STATE, kv=80.0, spot="1")), make(state=replace(STATE, spot="1"))], STATE
    )
    # Of two as near the newest one tells.
    newest = why_none(
        [make(state=replace(STATE, spot="1"), made=MADE + timedelta(days=1)), make(state=replace(STATE, kv=80.0))],
        STATE,
    )
    assert "the spot setting changed" in newest
    assert why_none([], STATE) == "No shift calibration was made yet."


def test_a_focus_between_two_is_interpolated_only_if_nothing_else_changed():
    foci = [at(10.0), at(20.0)]
    assert choose(foci, replace(STATE, gun_focus=15.0)) is not None
    assert choose(foci, replace(STATE, gun_focus=None)) is foci[0]
    assert choose(foci[:1], replace(STATE, gun_focus=15.0)) is None
    assert (
        choose(
            [at(10.0), replace(at(20.0), state=replace(STATE, gun_focus=20.0, kv=80.0))], replace(STATE, gun_focus=15.0)
        )
        is None
    )
    assert choose(foci, replace(STATE, gun_focus=None, kv=80.0)) is None


# --- between foci -----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("focus", "share"), [(15.0, 0.5), (10.0, 1.0), (20.0, 1.0), (12.5, 0.75**2 + 0.25**2), (21.0, 1.1**2 + 0.1**2)]
)
def test_between_two_foci_doubts_add_by_the_distances(focus, share):
    """Linear between both: (1 − t) of the first and t of the second, and their variances by the squares."""
    known = [at(10.0, n_points=4, step=0.2), at(20.0, matrix=2 * A, n_points=5, made=MADE - timedelta(days=1))]
    got = at_focus(known, focus)
    t = (focus - 10.0) / 10.0
    assert got.a == pytest.approx(A * (1 + t))
    assert got.cov == pytest.approx(0.01 * share * np.eye(4), abs=1e-12)
    assert got.state == replace(STATE, gun_focus=focus)
    assert (got.made_at, got.n_points, got.step, got.dof) == (MADE - timedelta(days=1), 9, 0.2, 0)
    assert got.note == "interpolated between 2 foci"
    assert got.chi2 == pytest.approx(0.0, abs=1e-12)


def test_the_more_certain_focus_weighs_more():
    got = at_focus([at(10.0), at(20.0, variance=0.04), at(20.0)], 20.0)  # two at one focus
    assert got.cov[0, 0] == pytest.approx(1 / (1 / 0.04 + 1 / 0.01))


@pytest.mark.parametrize(
    ("known", "focus", "said"),
    [
        ([at(10.0), at(20.0)], 8.9, "focus 8.9 lies outside the calibrated range 10 to 20: calibrate there"),
        ([at(10.0), at(20.0)], 21.1, "focus 21.1 lies outside the calibrated range 10 to 20: calibrate there"),
        ([at(10.0), at(10.5)], 10.2, "scaling between foci needs calibrations at two different foci or more"),
        ([at(10.0), at(None)], 10.0, "scaling between foci needs calibrations at two different foci or more"),
        (
            [at(10.0), replace(at(20.0), state=replace(STATE, gun_focus=20.0, spot="1"))],
            15.0,
            "the calibrations belong to different states or sides: they share no scaling",
        ),
    ],
)
def test_scaling_refuses_what_it_cannot_know(known, focus, said):
    with pytest.raises(CalibrationError) as caught:
        at_focus(known, focus)
    assert str(caught.value) == said


def test_scaling_reaches_a_tenth_of_the_range_beyond_and_needs_no_dates():
    for focus in (9.0, 21.0):
        assert at_focus([at(20.0, made=None), at(10.0, made=None)], focus).made_at is None
    assert at_focus([at(10.0), at(10.6)], 10.3).n_points == 0
    assert at_focus([at(None), at(10.0), at(20.0)], 15.0).note == "interpolated between 2 foci"
    # Near crossover two foci differ by a twentieth of a unit.
    assert at_focus([at(0.0), at(0.06)], 0.03).a == pytest.approx(A)
    with pytest.raises(CalibrationError, match="two different foci"):
        at_focus([at(0.0), at(0.05)], 0.03)


# --- the calibration itself -------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("matrix", "covariance", "said"),
    [
        (((1.0, 0.0),), np.eye(4), "a calibration needs a 2 × 2 matrix and its 4 × 4 covariance, all finite"),
        (A, np.eye(3), "a calibration needs a 2 × 2 matrix and its 4 × 4 covariance, all finite"),
        (A * np.inf, np.eye(4), "a calibration needs a 2 × 2 matrix and its 4 × 4 covariance, all finite"),
        (A, np.eye(4) * np.nan, "a calibration needs a 2 × 2 matrix and its 4 × 4 covariance, all finite"),
        (((3.0, 6.0), (1.0, 2.0)), np.eye(4), "the calibration's matrix can't be inverted: its two axes act along one line"),
        (np.zeros((2, 2)), np.eye(4), "the calibration's matrix can't be inverted: its two axes act along one line"),
        (A, np.diag([1.0, 1.0, 1.0, -0.1]), "the calibration's covariance is not positive"),
    ],
)  # fmt: skip
def test_what_is_no_calibration_is_refused(matrix, covariance, said):
    rows = tuple(tuple(float(v) for v in row) for row in np.asarray(matrix))
    with pytest.raises(CalibrationError) as caught:
        Calibration(rows, tuple(map(tuple, covariance.tolist())))
    assert str(caught.value) == said


def test_rounding_is_no_negative_covariance():
    Calibration(((3.0, -1.2), (1.0, 2.5)), tuple(map(tuple, np.diag([1.0, 1.0, 1.0, -1e-10]).tolist())))
    Calibration(((1e-7, 0.0), (0.0, 1e-7)), tuple(map(tuple, np.zeros((4, 4)).tolist())))


def test_a_displacement_and_its_doubt_follow_from_the_change():
    moved, cov = make(variance=0.04).displacement(np.array([2.0, 1.0]))
    assert moved == pytest.approx([3.0 * 2 - 1.2, 1.0 * 2 + 2.5])
    assert cov == pytest.approx(0.04 * 5 * np.eye(2))


def test_a_calibration_is_described_for_people():
    """X moves by 5 % toward the lower right (−53.13°), Y by 2 % to the right: mirrored, and 36.87° off square."""
    got = make(np.array([[3.0, 2.0], [4.0, 0.0]]), variance=0.0004).description
    assert got["gain_x_percent"] == pytest.approx(5.0)
    assert got["gain_y_percent"] == pytest.approx(2.0)
    assert got["direction_x_deg"] == pytest.approx(360 - 53.1301, abs=1e-4)
    assert got["direction_y_deg"] == pytest.approx(0.0)
    assert got["mirrored"] is False
    assert got["skew_deg"] == pytest.approx(53.1301 - 90, abs=1e-4)
    turned = make(np.array([[-3.0, 2.0], [-0.1, -2.0]])).description  # X toward 178°, Y toward 45°: between them −133°
    assert turned["mirrored"] is True
    assert turned["skew_deg"] == pytest.approx(45 - np.degrees(np.arctan2(0.1, -3.0)) + 90, abs=1e-4)
    round_ = make(np.array([[2.0, 0.0], [0.0, -2.0]]), variance=0.0004).description
    assert (round_["relative_doubt"], round_["direction_doubt_deg"]) == pytest.approx((0.01, np.degrees(0.01)))


# --- advised ----------------------------------------------------------------------------------------------------------
SEEN = Assessment(
    offset_x_percent=6.0, offset_y_percent=-3.0, offset_x_percent_sigma=0.1, offset_y_percent_sigma=0.1,
)  # fmt: skip


def test_the_advised_move_is_the_calibrations_with_or_without_readings():
    plain = make(np.array([[3.0, 0.0], [0.0, 1.5]]), state=StateKey())
    got = with_nudge(Context(nudges_failed=1), SEEN, State(), Instrument(), MADE, [plain])
    assert (got.nudge.x, got.nudge.y, got.nudges_failed, got.nudge_notes) == (-2.0, 2.0, 1, ())
    # The range counts from the readings of the state, X and Y each, and the step is the instrument's.
    console = Instrument(console=Console(shift_step=0.5, shift_min=-1.0, shift_max=1.0))
    for state, move in (
        (State(gun_shift_x=0.5), (-1.5, 1.0)),
        (State(gun_shift_y=0.5), (-1.0, 0.5)),
    ):
        got = with_nudge(Context(), SEEN, state, console, MADE, [plain])
        assert (got.nudge.x, got.nudge.y) == move
    # The work's own radius changes the score to expect; an offset without its doubt gives no move but its notes.
    small = with_nudge(Context(working_ratio=0.9), SEEN, State(), Instrument(), MADE, [plain])
    assert small.nudge.score_after > with_nudge(Context(), SEEN, State(), Instrument(), MADE, [plain]).nudge.score_after
    late = MADE + timedelta(hours=20)
    bare = with_nudge(Context(), replace(SEEN, offset_x_percent_sigma=None), State(), Instrument(), late, [plain])
    assert bare.nudge is None
    assert "20 h old" in bare.nudge_notes[0]
    early = with_nudge(Context(), SEEN, State(), Instrument(), MADE - timedelta(hours=3), [plain], as_taken=True)
    assert "before the shift calibration was made" in early.nudge_notes[0]


# --- files ------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('{"apertrue_calibrations": 2, "calibrations": []}', "written by a newer apertrue. Update this one"),
        (
            '{"apertrue_calibrations": 1, "calibrations": [{"matrix": [[1, 0], [0, 1]], "covariance": [[1]]}]}',
            "calibration 1: a calibration needs a 2 × 2 matrix and its 4 × 4 covariance, all finite",
        ),
        (
            '{"apertrue_calibrations": 1, "calibrations": [{"matrix": [[1, 0], [0, 1]], "covariance": [], '
            '"confirmed_at": "2026-03-02T09:00:00"}]}',
            "calibration 1: a date without a zone",
        ),
        (
            '{"apertrue_calibrations": 1, "calibrations": [{"matrix": [[1, 0], [0, 1]], "covariance": [], '
            '"made_at": "2026-03-02T09:00:00"}]}',
            "calibration 1: a date without a zone",
        ),
    ],
)
def test_a_file_that_does_not_serve_says_why(tmp_path, text, said):
    file = tmp_path / "k.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(CalibrationError) as caught:
        load_calibrations(file)
    assert str(caught.value) == f"{file}: {said}"


def test_files_that_are_none_are_named_with_the_way_out(tmp_path):
    bad = tmp_path / "bad.json"
    for content in (b"no", b"\xff\xfe"):
        bad.write_bytes(content)
        with pytest.raises(CalibrationError) as caught:
            load_calibrations(bad)
        assert str(caught.value).startswith(f"{bad}: this is no calibration file of apertrue (")
        assert str(caught.value).endswith("). Move it away and calibrate anew")
    with pytest.raises(CalibrationError, match=r": can't be read \([A-Z][a-z ]+\)\. Check the file and its rights$"):
        load_calibrations(tmp_path)
    with bad.open("wb") as out:
        out.truncate(20_000_001)
    with pytest.raises(CalibrationError) as caught:
        load_calibrations(bad)
    assert str(caught.value) == f"{bad}: this is too large for a calibration file. Check the name"
    with pytest.raises(CalibrationError) as caught:
        forget_calibration(tmp_path / "none.json", 1)
    assert str(caught.value) == (
        f"{tmp_path / 'none.json'}: there is no calibration 1; it holds none (apertrue calibrate --list)"
    )


def test_a_file_is_written_for_people_to_read(tmp_path):
    file = tmp_path / "k.json"
    save_calibrations(file, [make(note="a")])
    lines = file.read_text(encoding="utf-8").splitlines()
    assert lines[:2] == ["{", ' "apertrue_calibrations": 1,']
    assert file.read_bytes().endswith(b"}\n")
    record = to_dict(make(note="a", chi2=2.5, dof=4, n_points=5, step=0.1, backlash=(0.1, 0.2)))
    assert {k: record[k] for k in ("note", "chi2", "dof", "n_points", "step", "backlash", "confirmed_at")} == {
        "note": "a", "chi2": 2.5, "dof": 4, "n_points": 5, "step": 0.1, "backlash": (0.1, 0.2), "confirmed_at": None
    }  # fmt: skip
    assert record["matrix"] == ((3.0, -1.2), (1.0, 2.5))
    assert record["state"]["spot"] == "5"


# --- sheets -----------------------------------------------------------------------------------------------------------
HEAD = "gun_shift_x,gun_shift_y,offset_x_percent,offset_y_percent"


def sheet(folder: Path, text: str) -> Path:
    place = folder / "s.csv"
    place.write_text(text, encoding="utf-8")
    return place


def test_a_sheet_gives_every_column_its_place(tmp_path):
    head = f"{HEAD},offset_x_percent_sigma,offset_y_percent_sigma,offset_xy_correlation,taken_at,approach_x,approach_y,file"
    rows = (
        "1,2,3,4,0.1,0.2,0.5,1970-01-01T02:00:00+00:00,-1,1,a.tif\n,,,,,,,,,,\n5,+6,−7,.5,,,,,,1,\n1e1,2.,-3.25E-1,4\n"
    )
    first, second, third = read_points(sheet(tmp_path, f"{head}\n{rows}"))
    assert (first.shift_x, first.shift_y, first.offset_x, first.offset_y) == (1.0, 2.0, 3.0, 4.0)
    assert (first.x_sigma, first.y_sigma, first.correlation, first.minutes) == (0.1, 0.2, 0.5, 120.0)
    assert (first.approach, first.label) == ((-1, 1), "a.tif")
    assert (second.shift_y, second.offset_x, second.offset_y) == (6.0, -7.0, 0.5)
    assert (second.x_sigma, second.y_sigma, second.correlation, second.minutes) == (None, None, 0.0, None)
    assert (second.approach, second.label) == ((0, 1), "line 4")
    assert (third.shift_x, third.offset_x, third.approach, third.label) == (10.0, -0.325, None, "line 5")


@pytest.mark.parametrize("mark", [";", "\t"])
def test_decimal_commas_are_read_where_they_part_no_columns(tmp_path, mark):
    text = f"{HEAD}\n1,5 2 3 -4,25\n".replace(",g", f"{mark}g").replace(",o", f"{mark}o").replace(" ", mark)
    (got,) = read_points(sheet(tmp_path, text))
    assert (got.shift_x, got.shift_y, got.offset_x, got.offset_y) == (1.5, 2.0, 3.0, -4.25)


@pytest.mark.parametrize(
    ("text", "reason", "remedy"),
    [
        (
            "gun_shift_x,offset_x_percent\n1,2\n",
            "line 1: columns missing: gun_shift_y, offset_y_percent",
            "Needed are gun_shift_x, gun_shift_y, offset_x_percent, offset_y_percent",
        ),
        ("", "line 1: columns missing: gun_shift_x, gun_shift_y, offset_x_percent, offset_y_percent",
         "Needed are gun_shift_x, gun_shift_y, offset_x_percent, offset_y_percent"),
        (f"{HEAD},file,file\n", "line 1: a column stands there twice", "Keep one of them"),
        (f"{HEAD}\n1,2,x,4\n", "line 2, column 'offset_x_percent': 'x' is no number", "Write a number such as -3.2"),
        (f'{HEAD}\n1,2,"3,5",4\n', "line 2, column 'offset_x_percent': '3,5' is no number", "Write a number such as -3.2"),
        (f"{HEAD}\n1,2,3,4\n\n1,,3,4\n", "line 4, column 'gun_shift_y' is empty",
         "Give it, or leave out the line (a lost beam teaches nothing)"),
        (f"{HEAD}\n1,2,3\n", "line 2, column 'offset_y_percent' is empty",
         "Give it, or leave out the line (a lost beam teaches nothing)"),
        (f"{HEAD}\n1,5,2,3,4\n", "line 2 has 5 cells for 4 columns", "Use a decimal point where commas part columns"),
        (f"{HEAD}\n1,1e999,3,4\n", "line 2, column 'gun_shift_y': '1e999' is out of range", "Write a finite number"),
        (f"{HEAD},taken_at\n1,2,3,4,soon\n", "line 2, column 'taken_at': 'soon' is no time",
         "Write 2026-03-14T09:26:53+01:00"),
        (f"{HEAD},approach_y\n1,2,3,4,2\n", "line 2: an approach is -1, 0 or 1", "0 stands for unknown"),
        (f'{HEAD}\n1,2,3,"4\n', "it is no CSV (unexpected end of data)", "Check its quotation marks"),
    ],
)  # fmt: skip
def test_a_wrong_sheet_says_where_and_what_to_do(tmp_path, text, reason, remedy):
    place = sheet(tmp_path, text)
    with pytest.raises(ReadError) as caught:
        read_points(place)
    assert (caught.value.file, caught.value.reason, caught.value.remedy) == (str(place), reason, remedy)


def test_what_is_no_sheet_says_so(tmp_path):
    place = tmp_path / "s.csv"
    for content, reason, remedy in (
        (b"\xff\xfe\x00gun", "it is not UTF-8 text", "Save the sheet as CSV UTF-8"),
        (None, "it can't be read (No such file or directory)", "Check the file name"),
    ):
        file = place if content else tmp_path / "none.csv"
        if content:
            place.write_bytes(content)
        with pytest.raises(ReadError) as caught:
            read_points(file)
        assert (caught.value.file, caught.value.reason, caught.value.remedy) == (str(file), reason, remedy)
    with place.open("wb") as out:
        out.truncate(16 * 2**20 + 1)
    with pytest.raises(ReadError) as caught:
        read_points(place)
    assert (caught.value.reason, caught.value.remedy) == (
        "it is too large for a sheet of points", "Name the CSV file with the points"
    )  # fmt: skip


def test_a_sheet_of_points_is_told_from_one_of_pictures(tmp_path):
    assert is_point_sheet(sheet(tmp_path, f"{HEAD}\n"))
    assert not is_point_sheet(sheet(tmp_path, "file,gun_shift_x\noffset_x_percent,1\n"))
    assert not is_point_sheet(tmp_path / "none.csv")
    (tmp_path / "s.csv").write_bytes(b"\xff\xfeoffset_x_percent\n")
    assert is_point_sheet(tmp_path / "s.csv")  # then the reader says what is wrong with it
