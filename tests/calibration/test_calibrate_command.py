"""``apertrue calibrate`` as typed: sheets, pictures, questions, confirmation."""

import json
import re
from datetime import UTC, datetime

import numpy as np
import pytest
from typer.testing import CliRunner

from apertrue.calibration import load_calibrations
from apertrue.calibration.sheet import read_points
from apertrue.cli.calibrate import app
from apertrue.errors import ReadError

A = np.array([[3.0, -1.2], [1.0, 2.5]])
HEAD = "gun_shift_x,gun_shift_y,offset_x_percent,offset_y_percent,offset_x_percent_sigma,offset_y_percent_sigma"


def run(*arguments, typed=""):
    return CliRunner().invoke(app, [str(a) for a in arguments], input=typed)


def sheet(folder, places=((0.5, 1.0), (4.5, 1.0), (0.5, 5.0), (4.5, 5.0), (-2.5, -2.0)), typed=None, name="points.csv"):
    rng = np.random.default_rng(3)
    lines = [HEAD]
    for i, s in enumerate(places):
        o = np.array([2.0, -4.0]) + A @ s + rng.normal(0.0, 0.1, 2)
        shown = (typed or {}).get(i, s)
        lines.append(f"{shown[0]},{shown[1]},{o[0]:.3f},{o[1]:.3f},0.1,0.1")
    place = folder / name
    place.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return place


def test_sheet_of_offsets_gives_the_matrix_and_keeps_it(tmp_path):
    out = tmp_path / "k.json"
    got = run("--sheet", sheet(tmp_path), "--out", out, "--set", "kv=200", "--mode", "STEM")
    assert got.exit_code == 0, got.output
    assert "The calibration is good" in got.output
    assert "Gun shift X +1 moves the beam 3." in got.output
    # The last point's readings, in the table and everywhere with true minus signs.
    assert "−2.5" in got.output
    assert not re.search(r"[^\w.-]-[\d.]", got.output.partition("Kept in")[0])
    (kept,) = load_calibrations(out)
    assert kept.a == pytest.approx(A, abs=0.15)
    assert (kept.state.kv, kept.state.mode) == (200.0, "STEM")


def test_json_holds_matrix_quality_points_and_next_point(tmp_path):
    got = run("--sheet", sheet(tmp_path), "--out", tmp_path / "k.json", "--json", "--no-save")
    record = json.loads(got.stdout)
    assert record["kept"] is None
    assert not (tmp_path / "k.json").exists()
    assert np.array(record["calibration"]["matrix"]) == pytest.approx(A, abs=0.15)
    assert record["quality"]["word"] == "good"
    assert len(record["points"]) == 5
    assert record["quality"]["next_point"]["sharper"] > 1


def test_typing_error_is_asked_about_and_nothing_is_kept(tmp_path):
    out = tmp_path / "k.json"
    wrong = sheet(tmp_path, typed={1: (-4.5, 1.0)})
    got = run("--sheet", wrong, "--out", out)
    assert got.exit_code == 1
    assert "Is the sign of X right? X 4.5, Y 1 would agree" in str(got.exception)
    assert not out.exists()
    asked = run("--sheet", wrong, "--out", out, "--json")
    assert json.loads(asked.stdout)["questions"][0]["suggestion"] == [4.5, 1.0]
    senseless = run("--sheet", wrong, "--out", out, "--accept")
    assert "contradict each other" in str(senseless.exception)
    mild = sheet(tmp_path, typed={1: (5.3, 1.0)})
    assert run("--sheet", mild, "--out", out).exit_code == 1
    accepted = run("--sheet", mild, "--out", out, "--accept")
    assert accepted.exit_code == 0
    assert "accepted in spite of" in accepted.output
    assert "The doubt was enlarged" in accepted.output


def test_collinear_sheet_is_refused(tmp_path):
    got = run("--sheet", sheet(tmp_path, places=((0, 0), (1, 1), (2, 2), (3, 3))), "--out", tmp_path / "k.json")
    assert got.exit_code == 1
    assert "collinear" in str(got.exception)


@pytest.mark.parametrize(
    "arguments",
    [(), ("a.tif", "--at", "1,2", "--at", "2,3"), ("a.tif", "--at", "1;2;3"), ("a.tif", "--at", "one,two")],
)
def test_wrong_usage_is_two(arguments):
    assert run(*arguments).exit_code == 2


def test_readings_parted_by_a_space_are_told_how_to_write():
    got = run("a.tif", "--at", "20.3", "-9.5")
    assert got.exit_code == 2
    assert "--at 20.3: write two numbers, X,Y" in got.output


def test_missing_picture_is_one():
    assert run("nowhere.tif", "--at", "1,2").exit_code == 1


def test_list_shows_what_is_kept(tmp_path):
    out = tmp_path / "k.json"
    assert "No calibrations" in run("--list", "--out", out).output
    run("--sheet", sheet(tmp_path), "--out", out, "--set", "gun_focus=14")
    got = run("--list", "--out", out)
    assert "positive, focus 14" in got.output
    record = json.loads(run("--list", "--out", out, "--json").stdout)
    assert len(record["calibrations"]) == 1


def test_confirmation_from_a_sheet_agrees_or_denies(tmp_path):
    out = tmp_path / "k.json"
    run("--sheet", sheet(tmp_path), "--out", out)
    good = sheet(tmp_path, places=((0.0, 0.0), (2.0, 0.0), (2.0, 2.0)), name="good.csv")
    got = run("--confirm", "--sheet", good, "--out", out)
    assert got.exit_code == 0, got.output
    assert "it holds" in got.output
    assert load_calibrations(out)[-1].confirmed_at is not None
    bad = sheet(tmp_path, places=((0, 0), (2, 0), (2, 2)), typed={1: (0, 2), 2: (2, 2)}, name="bad.csv")
    denied = run("--confirm", "--sheet", bad, "--out", out)
    assert denied.exit_code == 1
    assert "Do not use it for nudges" in denied.output
    assert len(load_calibrations(out)) == 2


def test_confirmation_of_one_axis_is_not_kept_and_a_changed_state_is_named(tmp_path):
    out = tmp_path / "k.json"
    run("--sheet", sheet(tmp_path), "--out", out, "--set", "kv=200")
    one = sheet(tmp_path, places=((0.0, 0.0), (2.0, 0.0)), name="one.csv")
    got = run("--confirm", "--sheet", one, "--out", out, "--set", "kv=200")
    assert got.exit_code == 0, got.output
    assert "only one axis was tested" in " ".join(got.output.split())
    assert "Kept" not in got.output
    changed = run("--confirm", "--sheet", one, "--out", out, "--set", "kv=300")
    assert changed.exit_code != 0
    assert "the high tension changed since" in f"{changed.output} {changed.exception}"


MOVES = ((0.0, 0.0), (3.0, 0.0), (3.0, 3.0), (0.0, 3.0))
X_THE_OTHER_WAY = {1: (-3.0, 0.0), 2: (-3.0, 3.0)}


def test_a_sign_error_beside_an_earlier_calibration_is_told_and_can_be_taken_out(tmp_path):
    out = tmp_path / "k.json"
    right = sheet(tmp_path, places=MOVES)
    wrong = sheet(tmp_path, places=MOVES, typed=X_THE_OTHER_WAY, name="wrong.csv")
    first = run("--sheet", wrong, "--out", out, "--set", "kv=200")
    assert "the other way" not in first.output
    then = run("--sheet", right, "--out", out, "--set", "kv=200")
    assert then.exit_code == 0
    assert "Gun shift X turns the beam the other way than in calibration 1 of 20" in then.stderr
    assert "From now on this one is used" in then.stderr
    again = run("--sheet", right, "--out", out, "--set", "kv=200", "--json")
    assert json.loads(again.stdout)["contradiction"] is None
    # Another state's calibration is none that it contradicts.
    other = run("--sheet", wrong, "--out", out, "--set", "kv=300")
    assert "the other way" not in other.output
    listed = run("--list", "--out", out).output
    assert len(re.findall(r"toward 16\d°", listed)) == 2  # X of the wrong ones, against 34…°
    assert len(re.findall(r"toward 34\d°", listed)) == 2
    assert "+00:00" in listed
    gone = run("--forget", 1, "--out", out)
    assert gone.exit_code == 0
    assert "taken out" in gone.output
    assert len(load_calibrations(out)) == 3
    assert "its numbers are 1 to 3" in str(run("--forget", 4, "--out", out).exception)


def test_a_calibration_that_differs_otherwise_is_compared_with_the_earlier_one():
    from apertrue.calibration import Calibration, contradiction

    def kept(matrix, when):
        cov = tuple(map(tuple, (1e-4 * np.eye(4)).tolist()))
        return Calibration(tuple(map(tuple, matrix.tolist())), cov, made_at=when)

    early, late = (datetime(2026, 3, 2, hour, tzinfo=UTC) for hour in (9, 10))
    odd = contradiction([kept(2 * A, early)], kept(A, late))
    assert odd.opposite == ()
    assert "instead of 6.32 %" in odd.sentences[0]
    assert contradiction([kept(1.05 * A, early)], kept(A, late)) is None  # by drift or focus, no mistake
    both = contradiction([kept(-A, late)], kept(A, early))
    assert both.opposite == ("X", "Y")
    assert "turned by 180°" in both.sentences[1]
    assert "the earlier one, which is dated later, is used" in both.sentences[2]


def test_a_confirmation_with_a_sign_error_asks_about_the_sign(tmp_path):
    out = tmp_path / "k.json"
    run("--sheet", sheet(tmp_path), "--out", out)
    wrong = sheet(tmp_path, places=MOVES, typed=X_THE_OTHER_WAY, name="wrong.csv")
    got = run("--confirm", "--sheet", wrong, "--out", out)
    assert got.exit_code == 1
    assert "With X turned the other way the moves would agree" in got.output


def test_pictures_at_readings_calibrate_through_the_engine(tmp_path):
    import tifffile

    from apertrue.microscope import VirtualMicroscope

    scope = VirtualMicroscope(5, size=256)
    scope.misalign(6.0, 40.0)
    x, y = scope.shift
    arguments = []
    for i, (dx, dy) in enumerate(((0, 0), (5, 0), (0, 5), (5, 5))):
        scope.set_shift(x + dx, y + dy)
        tifffile.imwrite(tmp_path / f"p{i}.tif", scope.snapshot().pixels)
        arguments += [tmp_path / f"p{i}.tif", "--at", f"{scope.shift[0]},{scope.shift[1]}"]
    got = run(*arguments, "--out", tmp_path / "k.json", "--json")
    assert got.exit_code == 0, got.output
    matrix = np.array(json.loads(got.stdout)["calibration"]["matrix"])
    assert matrix == pytest.approx(scope.true_matrix(), abs=0.15 * np.abs(scope.true_matrix()).max())


def test_guided_steps_take_points_undo_and_save(tmp_path):
    import tifffile

    from apertrue.microscope import VirtualMicroscope

    scope = VirtualMicroscope(5, size=256)
    scope.misalign(6.0, 40.0)
    x, y = scope.shift
    typed = []
    for i, (dx, dy) in enumerate(((0, 0), (5, 0), (0, 5))):
        scope.set_shift(x + dx, y + dy)
        tifffile.imwrite(tmp_path / f"p{i}.tif", scope.snapshot().pixels)
        typed += [str(tmp_path / f"p{i}.tif"), f"{scope.shift[0]}", f"{scope.shift[1]}"]
    typed[6:6] = [str(tmp_path / "p0.tif"), "oops"]  # not taken: no number
    typed += ["undo", *typed[-3:], "save"]
    got = run("--guide", "--out", tmp_path / "k.json", typed="\n".join(typed) + "\n")
    assert got.exit_code == 0, got.output
    assert "'oops' is no number" in got.output
    assert "teaches which way" in got.output
    assert "Kept in" in got.output
    assert load_calibrations(tmp_path / "k.json")[0].n_points == 3
    # A wrong sign far from what was to be set is asked about at once, and the second answer counts.
    slip = [*typed[:6], typed[8], typed[9], f"{-float(typed[10])}", typed[9], typed[10], "save"]
    asked = run("--guide", "--no-save", "--out", tmp_path / "none.json", typed="\n".join(slip) + "\n")
    assert asked.exit_code == 0, asked.output
    assert "Type both once more" in asked.output
    left = run("--guide", "--out", tmp_path / "none.json", typed="quit\n")
    assert "Nothing was kept" in left.output
    assert not (tmp_path / "none.json").exists()


# --- the sheet ---
def test_sheet_reads_decimal_commas_and_times(tmp_path):
    place = tmp_path / "s.csv"
    place.write_text(
        "gun_shift_x;gun_shift_y;offset_x_percent;offset_y_percent;taken_at;approach_x;file\n"
        "1,5;−2;3,25;-1;2026-03-02T09:00:00+00:00;1;a.tif\n\n",
        encoding="utf-8-sig",
    )
    (p,) = read_points(place)
    assert (p.shift_x, p.shift_y, p.offset_x, p.offset_y) == (1.5, -2.0, 3.25, -1.0)
    assert (p.approach, p.label, p.x_sigma) == ((1, 0), "a.tif", None)
    assert p.minutes is not None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("gun_shift_x,offset_x_percent\n1,2\n", "columns missing: gun_shift_y, offset_y_percent"),
        (f"{HEAD}\n1,2,3,x,1,1\n", "line 2, column 'offset_y_percent': 'x' is no number"),
        (f"{HEAD}\n1,2,,4,1,1\n", "line 2, column 'offset_x_percent' is empty"),
        (f"{HEAD}\n1,5,2,5,3,4,1,1\n", "line 2 has 8 cells for 6 columns"),
        (f"{HEAD}\n1,1e999,3,4,1,1\n", "out of range"),
        (f"{HEAD},taken_at\n1,2,3,4,1,1,soon\n", "'soon' is no time"),
        (f"{HEAD},approach_x\n1,2,3,4,1,1,7\n", "approach is -1, 0 or 1"),
        (f"{HEAD},gun_shift_x\n1,2,3,4,1,1,7\n", "stands there twice"),
    ],
)
def test_wrong_sheets_are_named_with_line_and_column(tmp_path, text, message):
    place = tmp_path / "s.csv"
    place.write_text(text, encoding="utf-8")
    with pytest.raises(ReadError, match=r"s\.csv") as caught:
        read_points(place)
    assert message in str(caught.value)


def test_hostile_sheets_are_refused(tmp_path):
    place = tmp_path / "s.csv"
    place.write_bytes(b"\xff\xfe\x00gun")
    with pytest.raises(ReadError, match="UTF-8"):
        read_points(place)
    with pytest.raises(ReadError, match="can't be read"):
        read_points(tmp_path / "none.csv")
