"""``apertrue assess``: order, statuses, what is printed and what is written."""

import json
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from apertrue.errors import ReadError
from apertrue.frame import Frame
from apertrue.registry import SCHEMA_VERSION, field_names
from damaged_tiff import spoil


def rows(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


def test_one_object_a_page_in_the_order_given_with_every_key(run, pictures: Path) -> None:
    done = run("assess", pictures / "off.tif", pictures / "stack.tif", pictures / "centered.tif", "--json")
    assert done.status == 0
    found = rows(done.out)
    assert [(Path(str(r["file"])).name, r["page"]) for r in found] == [
        ("off.tif", 0),
        ("stack.tif", 0),
        ("stack.tif", 1),
        ("centered.tif", 0),
    ]
    for row in found:
        assert list(row) == list(field_names())
        assert row["schema_version"] == SCHEMA_VERSION
    off = found[0]
    assert off["verdict"] in ("nudge", "auto")
    assert off["offset_percent"] == pytest.approx(12.0, abs=0.3)
    assert off["move_direction_deg"] == pytest.approx(180.0, abs=2.0)
    same = {k: v for k, v in found[2].items() if k not in ("file", "page", "taken_at")}
    assert same == {k: v for k, v in off.items() if k not in ("file", "page", "taken_at")}


def test_a_bad_picture_does_not_stop_the_others(run, pictures: Path) -> None:
    missing = pictures / "missing.tif"
    done = run("assess", missing, pictures / "broken.tif", pictures / "centered.tif", "--json")
    assert done.status == 1
    first, second, third = rows(done.out)
    for row, name in ((first, "missing.tif"), (second, "broken.tif")):
        assert name in str(row["error"])
        assert str(row["error"]) in done.err
        assert all(v is None for k, v in row.items() if k not in ("schema_version", "file", "error", "page"))
        assert list(row) == list(field_names())
    assert third["error"] is None
    assert third["verdict"] is not None
    assert "Traceback" not in done.err


def test_a_picture_that_cannot_be_judged_is_no_failure(run, pictures: Path) -> None:
    done = run("assess", pictures / "dark.tif", "--json")
    assert done.status == 0
    (row,) = rows(done.out)
    assert (row["scene"], row["verdict"], row["offset_percent"]) == ("dark", "retake", None)


def test_a_fault_of_our_own_is_told_as_such_and_stops_nothing(
    run, pictures: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def faulty(*_: object, **__: object) -> None:
        raise ZeroDivisionError("oops")

    monkeypatch.setattr("apertrue.judging.judge", faulty)
    done = run("assess", pictures / "centered.tif", pictures / "off.tif", "--json")
    assert done.status == 1
    assert [("ZeroDivisionError: oops" in str(r["error"])) for r in rows(done.out)] == [True, True]


def test_the_message_names_the_page(run, pictures: Path, tmp_path: Path) -> None:
    pixels = tifffile.imread(pictures / "centered.tif")
    stack = tmp_path / "stack.tif"
    with tifffile.TiffWriter(stack) as tif:
        for _ in range(3):
            tif.write(pixels, compression="zlib", photometric="minisblack", metadata=None)
    spoil(stack, 1)
    done = run("assess", stack, "--json")
    assert done.status == 1
    bad = rows(done.out)[1]
    # The same words as of watch and of session add.
    assert str(bad["error"]).startswith(f"{stack} page 1: this TIFF file is damaged")
    assert str(bad["error"]) in done.err


def test_a_page_that_fails_does_not_take_the_others_along(run, pictures: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from apertrue import judging

    whole = judging.judge

    def faulty(frame: Frame, **known: object) -> object:
        if frame.page == 0:
            raise ReadError("stack.tif", "this page is damaged", "Save it again")
        return whole(frame, **known)

    monkeypatch.setattr(judging, "judge", faulty)
    done = run("assess", pictures / "stack.tif", "--json")
    assert done.status == 1
    first, second = rows(done.out)
    assert (first["page"], first["verdict"]) == (0, None)
    assert "this page is damaged" in str(first["error"])
    assert (second["page"], second["error"]) == (1, None)
    assert second["offset_percent"] == pytest.approx(12.0, abs=0.3)


def test_the_table_says_it_in_words(run, pictures: Path) -> None:
    done = run("assess", pictures / "off.tif", pictures / "broken.tif", pictures / "stack.tif")
    assert done.status == 1
    lines = done.out.splitlines()
    assert lines[0].split()[:3] == ["Picture", "Shows", "Verdict"]
    off = next(line for line in lines if line.startswith("off.tif "))
    assert "→ 0°" in off or "→ 360°" in off
    assert "±" in off
    assert any(line.startswith("broken.tif") and "could not be read" in line for line in lines)
    assert any(line.startswith("stack.tif page 1") for line in lines)
    squeezed = " ".join(done.out.split())
    assert "which detector is in, and what may it take?" in squeezed
    assert "not yet verified on an instrument" in squeezed
    # The cautions stand once, however many pictures they go with.
    assert squeezed.count("which detector is in, and what may it take?") == 1


def test_folders_and_patterns(run, pictures: Path) -> None:
    by_folder = rows(run("assess", pictures, "--json").out)
    names = [Path(str(r["file"])).name for r in by_folder]
    assert names == ["broken.tif", "centered.tif", "dark.tif", "off.tif", "stack.tif", "stack.tif"]
    by_pattern = rows(run("assess", pictures / "c*.tif", "--json").out)
    assert [Path(str(r["file"])).name for r in by_pattern] == ["centered.tif"]


def test_a_folder_without_pictures_is_wrong_usage(run, tmp_path: Path) -> None:
    done = run("assess", tmp_path)
    assert done.status == 2
    assert "no pictures found" in done.err


def test_overlays_are_written_beside_each_other_and_not_judged_again(run, pictures: Path, tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        os.link(pictures / "centered.tif", tmp_path / name / "same.tif")
    overlays = tmp_path / "overlays"
    done = run("assess", tmp_path / "a", tmp_path / "b", pictures / "stack.tif", "--overlay", overlays)
    assert done.status == 0
    assert sorted(p.name for p in overlays.iterdir()) == [
        "same.tif-2.overlay.png",
        "same.tif.overlay.png",
        "stack.tif-page1.overlay.png",
        "stack.tif.overlay.png",
    ]
    with Image.open(overlays / "same.tif.overlay.png") as image:
        assert image.mode == "RGB"
        assert image.height > image.width >= 460
    again = rows(run("assess", tmp_path, "--json").out)
    assert [Path(str(r["file"])).name for r in again] == ["same.tif", "same.tif"]


def test_an_overlay_folder_that_can_not_be_made(run, pictures: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    done = run("assess", pictures / "centered.tif", "--overlay", tmp_path / "file")
    assert done.status == 2
    assert "not a folder. Choose another place" in done.err


def test_the_report_holds_judged_and_unread_pictures(run, pictures: Path, tmp_path: Path) -> None:
    report = tmp_path / "sub" / "report.html"
    done = run("assess", pictures / "off.tif", pictures / "broken.tif", "--report", report)
    assert done.status == 1
    html = report.read_text(encoding="utf-8")
    assert "off.tif" in html
    assert "broken.tif" in html
    assert report.resolve().as_uri() in done.out


def test_state_from_options_and_sheet_with_its_source(run, pictures: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("file,gun_shift_x,kv\noff.tif,1.5,80\n", encoding="utf-8")
    done = run("assess", pictures / "off.tif", pictures / "centered.tif", "--json", "--sheet", sheet, "--set", "kv=200",
               "--set", "focus-side=positive")  # fmt: skip
    off, centered = rows(done.out)
    assert (off["gun_shift_x"], off["kv"], off["focus_side"]) == (1.5, 80.0, "positive")
    assert (centered["gun_shift_x"], centered["kv"]) == (None, 200.0)
    assert "kv=sheet" in str(off["state_source"])
    assert "kv=option" in str(centered["state_source"])


def test_a_sheet_whose_names_meet_no_picture_is_told(run, pictures: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("file,kv\nof.tif,80\n", encoding="utf-8")
    done = run("assess", pictures / "off.tif", "--json", "--as-taken", "--sheet", sheet)
    assert (done.status, rows(done.out)[0]["kv"]) == (0, None)
    assert f"{sheet}: no row of it fits these pictures. Rows without a picture here: line 2 (of.tif)." in done.err
    sheet.write_text("file,kv\noff.tif,80\nyesterday.tif,200\n", encoding="utf-8")
    assert run("assess", pictures / "off.tif", "--json", "--as-taken", "--sheet", sheet).err == ""
    sheet.write_text("kv\n80\n", encoding="utf-8")
    assert "no column 'file'" in run("assess", pictures / "off.tif", "--sheet", sheet).err


def test_readings_with_a_decimal_comma_are_taken(run, pictures: Path) -> None:
    done = run("assess", pictures / "off.tif", "--json", "--set", "gun_shift_x=1,5", "--set", "gun_focus=−2,25")
    assert (rows(done.out)[0]["gun_shift_x"], rows(done.out)[0]["gun_focus"]) == (1.5, -2.25)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--set", "kv"], "write FIELD=VALUE; fields: gun_shift_x"),
        (["--set", "colour=red"], "write FIELD=VALUE; fields: gun_shift_x"),
        (["--set", "kv=high"], "kv is a number (kV)"),
        (["--set", "kv=nan"], "kv is a number (kV)"),
        (["--set", "kv=0"], "kv is a number above 0 and up to 5000 kV"),
        (["--set", "aperture_um=-70"], "aperture_um is a number above 0 and up to 1000 µm"),
        (["--set", "aperture_um=70000"], "aperture_um is a number above 0 and up to 1000 µm"),
        (["--set", "current_pa=-5"], "current_pa is a number from 0 pA"),
        (["--set", "focus_side=left"], "focus_side is positive or negative"),
        (["--region", "1,2,3"], "write four numbers"),
        (["--region", "9,2,3,4"], "left must be smaller"),
        (["--aperture-radius-px", "0"], "must be above 0"),
        (["--report", "page.pdf"], "page.pdf: it is a page for a browser; end its name in .html"),
        (["--instrument", "nowhere.toml"], "there is no such file. Write one with"),
    ],
)
def test_wrong_options_are_explained(run, pictures: Path, arguments: list[str], expected: str) -> None:
    done = run("assess", pictures / "centered.tif", *arguments)
    assert done.status == 2
    assert expected in done.err
    assert done.out == ""


def test_a_given_radius_that_the_picture_contradicts_is_told(run, pictures: Path) -> None:
    (plain,) = rows(run("assess", pictures / "off.tif", "--json", "--as-taken").out)
    done = run("assess", pictures / "off.tif", "--json", "--as-taken", "--aperture-radius-px", "17")
    assert rows(done.out)[0]["aperture_radius_px"] == pytest.approx(plain["aperture_radius_px"], rel=0.01)
    assert "off.tif: you gave 17 px for the aperture's radius, the picture shows " in done.err
    near = f"{1.01 * float(str(plain['aperture_radius_px'])):.1f}"
    assert run("assess", pictures / "off.tif", "--json", "--as-taken", "--aperture-radius-px", near).err == ""


def test_a_region_outside_the_picture_is_told_for_each_picture(run, pictures: Path) -> None:
    size = np.asarray(tifffile.imread(pictures / "off.tif")).shape
    done = run("assess", pictures / "off.tif", "--json", "--region", "4000,6000,6000,9000")
    assert done.status == 1
    assert f"off.tif: the region lies outside the picture ({size[1]} × {size[0]} px)" in done.err
    assert rows(done.out)[0]["scene"] is None
    # A part of it is enough.
    assert run("assess", pictures / "off.tif", "--region", f"0,0,{size[1] + 900},{size[0] + 900}").status == 0


def test_limits_come_from_the_instrument_file(run, pictures: Path, tmp_path: Path) -> None:
    strict = tmp_path / "strict.toml"
    strict.write_text("[limits]\noffset_leave = 0.1\n", encoding="utf-8")
    usual, strictly = (
        rows(run("assess", pictures / "centered.tif", "--json", *more).out)[0]
        for more in ([], ["--instrument", strict])
    )
    assert usual["verdict"] == "leave"
    assert strictly["verdict"] == "nudge"
    assert "offset-over-leave" in strictly["reasons"]


def test_an_old_picture_is_stale_unless_judged_as_taken(run, pictures: Path, tmp_path: Path) -> None:
    old = tmp_path / "old.tif"
    tifffile.imwrite(old, tifffile.imread(pictures / "centered.tif"), datetime="2020:01:02 03:04:05")
    now, then = (rows(run("assess", old, "--json", *more).out)[0] for more in ([], ["--as-taken"]))
    assert "stale" in now["flags"]
    assert now["verdict"] != "leave"
    assert "stale" not in then["flags"]
    assert now["offset_percent"] == then["offset_percent"]


def test_an_age_that_is_not_known_is_said_with_the_verdict(run, pictures: Path) -> None:
    for name, verdict in (("centered.tif", "leave"), ("off.tif", "")):
        said = " ".join(run("assess", pictures / name).out.split())
        assert "The picture's age is not known: it states no time of its own, or one that lies ahead." in said
        assert verdict in said
        assert "age is not known" not in " ".join(run("assess", pictures / name, "--as-taken").out.split())
    (row,) = rows(run("assess", pictures / "centered.tif", "--json").out)
    assert "time-unknown" in row["reasons"]


def test_how_old_many_pictures_are_is_said_once_under_the_table(run, pictures: Path, tmp_path: Path) -> None:
    pixels = tifffile.imread(pictures / "centered.tif")
    present = datetime.now(UTC)
    taken = [*["2020:01:02 03:04:05"] * 2, *[f"{present:%Y:%m:%d %H:%M:%S}"] * 2, *[None] * 3, "2999:01:01 00:00:00"]
    utc = tmp_path / "utc.toml"
    utc.write_text('timezone = "UTC"\n', encoding="utf-8")
    for i, at in enumerate(taken):
        tifffile.imwrite(
            tmp_path / f"{i}.tif", pixels + np.uint16(i) if i else pixels, **({"datetime": at} if at else {})
        )
    said = " ".join(run("assess", tmp_path, "--instrument", utc).out.split())
    assert said.count("2 of 8 pictures are too old to act on (older than 30 min). Take a new picture.") == 1
    assert (
        said.count("The age of 4 of 8 pictures is not known: they state no time of their own, or one that lies ahead.")
        == 1
    )
    as_taken = " ".join(run("assess", tmp_path, "--instrument", utc, "--as-taken").out.split())
    assert "too old" not in as_taken
    assert "not known" not in as_taken


def test_the_same_frame_with_a_later_time_is_frozen(run, pictures: Path, tmp_path: Path) -> None:
    pixels = tifffile.imread(pictures / "centered.tif")
    for name, time in (
        ("1.tif", "2020:01:02 03:04:05"),
        ("2.tif", "2020:01:02 03:05:05"),
        ("3.tif", "2020:01:02 03:04:05"),
    ):
        tifffile.imwrite(tmp_path / name, pixels, datetime=time)
    first, second, copy = rows(run("assess", tmp_path, "--json", "--as-taken").out)
    assert "frozen" not in first["flags"]
    assert "frozen" in second["flags"]
    assert second["verdict"] != "leave"
    assert "frozen" not in copy["flags"]


def test_the_same_frame_on_a_later_page_is_frozen(run, pictures: Path, tmp_path: Path) -> None:
    pixels = tifffile.imread(pictures / "centered.tif")
    tifffile.imwrite(tmp_path / "stack.tif", np.stack([pixels, pixels]), photometric="minisblack")
    first, second = rows(run("assess", tmp_path, "--json").out)
    assert "frozen" not in first["flags"]
    assert "frozen" in second["flags"]


def test_the_camera_of_the_instrument_file_completes_the_picture(run, pictures: Path, tmp_path: Path) -> None:
    file = tmp_path / "lab.toml"
    file.write_text(
        'default_camera = "screen"\n[cameras.screen]\nclock_correction_s = 3600.0\nmax_current_pa = 50.0\n',
        encoding="utf-8",
    )
    dated = tmp_path / "dated.tif"
    tifffile.imwrite(dated, np.asarray(tifffile.imread(pictures / "centered.tif")), datetime="2020:01:02 03:04:05")
    plain, with_camera = (
        rows(run("assess", dated, "--json", "--as-taken", *more).out)[0] for more in ([], ["--instrument", file])
    )
    assert with_camera["camera"] == "screen"
    assert "camera=instrument file" in str(with_camera["state_source"])
    assert str(plain["taken_at"])[:19] == "2020-01-02T03:04:05"
    assert str(with_camera["taken_at"])[:19] == "2020-01-02T04:04:05"


@pytest.fixture
def calibrated(tmp_path: Path) -> Path:
    """An instrument file with a calibration beside it: 2 % of the aperture radius for a unit of either axis."""
    from apertrue.calibration import Calibration, StateKey, calibration_path, save_calibrations

    file = tmp_path / "lab.toml"
    file.write_text('name = "lab"\n', encoding="utf-8")
    small = tuple(tuple(1e-4 if i == j else 0.0 for j in range(4)) for i in range(4))
    made = Calibration(((2.0, 0.0), (0.0, 2.0)), small, StateKey(), made_at=datetime.now(UTC))
    save_calibrations(calibration_path(file), [made])
    return file


def test_a_kept_calibration_gives_the_move(run, pictures: Path, calibrated: Path) -> None:
    done = run("assess", pictures / "off.tif", "--json", "--as-taken", "--instrument", calibrated)
    (row,) = rows(done.out)
    assert row["nudge_x"] == pytest.approx(-0.5 * row["offset_x_percent"], abs=0.1)
    assert row["nudge_y"] == pytest.approx(-0.5 * row["offset_y_percent"], abs=0.1)
    import apertrue

    assert apertrue.assess(pictures / "off.tif", instrument=calibrated).nudge_x == row["nudge_x"]
    (plain,) = rows(run("assess", pictures / "off.tif", "--json", "--as-taken").out)
    assert plain["nudge_x"] is None


def test_a_calibration_made_after_the_picture_is_no_fault_of_the_clock(
    run, pictures: Path, calibrated: Path, tmp_path: Path
) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("file,taken_at\noff.tif,2026-03-14T09:26:53+01:00\n", encoding="utf-8")
    done = run("assess", pictures / "off.tif", "--as-taken", "--sheet", sheet, "--instrument", calibrated)
    said = " ".join(done.out.split())
    assert "before the shift calibration was made" in said
    assert "check the clock" not in said


def test_the_log_is_weighed_and_only_read(run, pictures: Path, calibrated: Path, tmp_path: Path) -> None:
    from apertrue.session import add_event, open_log

    log = tmp_path / "day.sqlite"
    assert run("session", "add", pictures / "centered.tif", "--log", log, "--instrument", calibrated).status == 0
    with open_log(log) as store:
        add_event(store, "service")
    later = tmp_path / "later.tif"
    later.write_bytes((pictures / "off.tif").read_bytes())
    before = log.read_bytes()
    done = run("assess", later, "--json", "--log", log, "--instrument", calibrated)
    (row,) = rows(done.out)
    assert "state-changed" in row["flags"]
    assert row["nudge_x"] is None  # after service no calibration is trusted
    assert log.read_bytes() == before
    missing = run("assess", pictures / "off.tif", "--log", tmp_path / "gone.sqlite")
    assert missing.status == 2
    assert "no such log" in missing.err
