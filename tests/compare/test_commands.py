"""The commands ``compare`` and ``scan``, and the sheets they read."""

import json
import re

import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

from apertrue.calibration import Calibration, StateKey, save_calibrations
from apertrue.cli.compare import app as compare_app
from apertrue.cli.instrument import app as instrument_app
from apertrue.cli.scan import app as scan_app
from apertrue.compare.curves import hard_disc_passed
from apertrue.compare.scan import ScanReading
from apertrue.compare.sheet import read_scan, read_table
from apertrue.errors import ReadError
from apertrue.model.normal import cdf
from apertrue.simulate import Recipe, simulate

RUN = CliRunner()


def picture(path, x, y, ratio=0.85, seed=0):
    """A soft disc in a soft disc, (x, y) % of the aperture radius off, y down."""
    rng = np.random.default_rng(seed)
    gy, gx = np.mgrid[:256, :256].astype(float)
    radius, cx, cy = 90.0, 128.0, 126.0
    aperture = cdf((radius - np.hypot(gx - cx, gy - cy)) / 1.2)
    beam = cdf((ratio * radius - np.hypot(gx - cx - x * radius / 100, gy - cy - y * radius / 100)) / 1.5)
    electrons = rng.poisson(500 * aperture * (0.06 + beam))
    tifffile.imwrite(path, (100 + 4 * electrons + rng.normal(0, 3, gx.shape)).clip(0).astype(np.uint16))
    return str(path)


def _drawn(seed, **about):
    recipe = Recipe(rows=256, columns=256, aperture_radius_px=90.0, **about)
    return simulate(recipe, np.random.default_rng(seed), truth=False).frame.pixels


@pytest.fixture
def pair(tmp_path):
    return picture(tmp_path / "before.tif", 12.0, -9.0), picture(tmp_path / "after.tif", 1.0, 0.5, seed=1)


def test_compare_two_pictures(pair):
    result = RUN.invoke(compare_app, [*pair, "--current-before", "180", "--current-after", "181", "--json"])
    assert result.exit_code == 0, result.output
    out = json.loads(result.output)
    assert out["outcome"] == "better"
    assert out["moved"]["x"] == pytest.approx(-11.0, abs=0.3)
    assert out["moved"]["y"] == pytest.approx(9.5, abs=0.3)
    assert out["current_percent"][0] == pytest.approx(0.556, abs=0.01)
    assert out["misfits"] == []
    text = RUN.invoke(compare_app, list(pair)).output
    assert text.startswith("Nearer to the center: ")
    assert re.search(r"The beam moved by 14\.[45]", text)


def test_the_same_frame_twice_tells_nothing_of_a_move(pair, tmp_path):
    copy = tmp_path / "copy.tif"
    copy.write_bytes((tmp_path / "before.tif").read_bytes())
    result = RUN.invoke(compare_app, [pair[0], str(copy)])
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert said.startswith("Both pictures are the same frame")
    assert "routine" not in said
    assert "did not move" not in said


def test_compare_with_learned_runs(pair, tmp_path):
    sheet = tmp_path / "runs.csv"
    sheet.write_text("offset_x_percent;offset_y_percent\n" + "2,1;-1,2\n" * 8, encoding="utf-8")
    out = json.loads(RUN.invoke(compare_app, [*pair, "--learned", str(sheet), "--json"]).output)
    assert out["learned_difference"]["runs"] == 8
    assert out["learned_difference"]["mean"]["x"] == pytest.approx(2.1, abs=0.2)
    assert out["learned_difference"]["named"]


def test_compare_tells_what_it_cannot_read(pair, tmp_path):
    broken = tmp_path / "broken.tif"
    broken.write_bytes(b"II*\0no picture")
    assert RUN.invoke(compare_app, [pair[0], str(broken)]).exit_code == 1
    assert RUN.invoke(compare_app, [pair[0], str(tmp_path / "none.tif")]).exit_code == 1
    assert RUN.invoke(compare_app, [*pair, "--meter-sigma", "0"]).exit_code == 2
    assert RUN.invoke(compare_app, [*pair, "--current-after", "-3"]).exit_code == 2


def test_more_pictures_and_the_light(pair, tmp_path):
    assert RUN.invoke(compare_app, [pair[0]]).exit_code == 2
    third = picture(tmp_path / "third.tif", 3.0, 3.0, seed=2)
    out = json.loads(RUN.invoke(compare_app, [*pair, third, "--strengths", "20,30,40", "--json"]).output)
    assert out["off_axis"] is False
    assert RUN.invoke(compare_app, [*pair, third, "--strengths", "20,30"]).exit_code == 2
    assert RUN.invoke(compare_app, [*pair, "--strengths", "20,30"]).exit_code == 2
    mapped = RUN.invoke(compare_app, [*pair, "--light"]).output
    assert "Light, % of its mean" in mapped
    assert mapped.count("100") >= 6  # even light, whatever the noise


def test_two_sides_tell_astigmatism(pair, tmp_path):
    sheet = tmp_path / "day.csv"
    sheet.write_text("file,focus_side\nbefore.tif,positive\nafter.tif,negative\n", encoding="utf-8")
    out = json.loads(RUN.invoke(compare_app, [*pair, "--sheet", str(sheet), "--json"]).output)
    assert out["crossover"] == "unknown"
    assert "round within the doubt on both sides" in out["sentences"][-1]


def test_both_sides_answer_what_one_picture_can_only_ask(tmp_path):
    for name, axis in (("pos.tif", 20.0), ("neg.tif", 110.0)):
        tifffile.imwrite(tmp_path / name, _drawn(6, astigmatism=0.03, astigmatism_axis_deg=axis))
    sheet = tmp_path / "sides.csv"
    sheet.write_text("file,focus_side\npos.tif,positive\nneg.tif,negative\n", encoding="utf-8")
    files = [str(tmp_path / "pos.tif"), str(tmp_path / "neg.tif")]
    said = RUN.invoke(compare_app, [*files, "--by-hand", "--sheet", str(sheet)]).output
    assert "turns by 90° through crossover" in said
    assert "One picture on each side" not in said


def scan_rows(center=(3.0, -2.0), unit=1.0):
    steps = np.linspace(-12, 12, 9)
    points = [(center[0] + s, -1.0) for s in steps] + [(3.5, center[1] + s) for s in steps]
    light = [200 * float(hard_disc_passed(np.hypot(x - center[0], y - center[1]) / 10, 0.95)) for x, y in points]
    rng = np.random.default_rng(3)
    return [(x, y, unit * (i + rng.normal(0, 0.5))) for (x, y), i in zip(points, light, strict=True)]


def write(path, rows, header="gun_shift_x,gun_shift_y,current_pa", delimiter=",", comma=False):
    lines = [delimiter.join(f"{v:.5f}".replace(".", "," if comma else ".") for v in row) for row in rows]
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return str(path)


def test_scan_command(tmp_path):
    sheet = write(tmp_path / "scan.csv", scan_rows())
    args = [sheet, "--matrix", "10,0,0,10", "--edges", "3.0,-2.0,0.1,0.1"]
    result = RUN.invoke(scan_app, [*args, "--json"])
    assert result.exit_code == 0, result.output
    out = json.loads(result.output)
    assert out["center"]["x"] == pytest.approx(3.0, abs=4 * out["center"]["x_sigma"])
    assert out["center"]["y"] == pytest.approx(-2.0, abs=4 * out["center"]["y_sigma"])
    assert out["agreement"]["agrees"] is True
    text = RUN.invoke(scan_app, args).output
    assert "The current is largest at gun shift X 2.98" in text
    assert "Current and edges agree" in text
    far = RUN.invoke(scan_app, [sheet, "--edges", "9,-2,0.1,0.1"]).output
    assert "do not agree" in far


def test_scan_against_the_edges_of_a_picture(tmp_path):
    # 10 % per unit, unmirrored on the screen (y down); the picture stands 4 % right and 3 % up of the center.
    instrument = tmp_path / "lab.toml"
    RUN.invoke(instrument_app, [str(instrument)])
    kept = tmp_path / "lab.calibrations.json"
    matrix = ((10.0, 0.0), (0.0, -10.0))
    save_calibrations(kept, [Calibration(matrix, tuple(map(tuple, (1e-3 * np.eye(4)).tolist())), StateKey(kv=200.0))])
    now = tmp_path / "now.tif"
    tifffile.imwrite(now, _drawn(5, beam_ratio=0.95, offset_x_percent=4.0, offset_y_percent=-3.0))
    sheet = write(tmp_path / "scan.csv", scan_rows())
    args = [sheet, "--picture", str(now), "--instrument", str(instrument), "--set", "kv=200"]
    # Edges: X 3.4 − 0.4, Y −1.7 − 0.3: the scan's own center.
    got = RUN.invoke(scan_app, [*args, "--at", "3.4,-1.7", "--json"])
    assert got.exit_code == 0, got.output
    out = json.loads(got.stdout)
    assert out["agreement"]["agrees"] is True
    assert out["ratio"][0] == pytest.approx(0.95, abs=0.01)
    assert "do not agree" in RUN.invoke(scan_app, [*args, "--at", "9,-1.7"]).output
    missing = RUN.invoke(scan_app, args)
    assert "readings are missing" in f"{missing.output} {missing.exception}"
    changed = RUN.invoke(scan_app, [*args[:-1], "kv=80", "--at", "3.4,-1.7"])
    assert "high tension changed" in f"{changed.output} {changed.exception}"


def test_scan_without_a_center_says_what_to_do(tmp_path):
    sheet = write(tmp_path / "few.csv", scan_rows()[:4])
    result = RUN.invoke(scan_app, [sheet])
    assert result.exit_code == 0
    assert "at least 5 readings along one axis" in result.output


@pytest.mark.parametrize(
    "args",
    [["--matrix", "1,2,3"], ["--matrix", "1,1,1,1"], ["--ratio", "0.9"], ["--halo", "a,b"], ["--edges", "1,2,0,1"]],
)
def test_wrong_usage_of_scan(tmp_path, args):
    assert RUN.invoke(scan_app, [write(tmp_path / "scan.csv", scan_rows()), *args]).exit_code == 2


def test_sheets_of_many_habits(tmp_path):
    rows = scan_rows()
    plain = read_scan(write(tmp_path / "a.csv", rows))
    comma = read_scan(write(tmp_path / "b.csv", rows, "Shift X;Shift Y;Current", ";", True))
    nano = read_scan(write(tmp_path / "c.csv", [(x, y, i / 1000) for x, y, i in rows], "x\ty\tcurrent_nA", "\t"))
    assert [r.x for r in comma] == [r.x for r in plain]
    assert [r.current_pa for r in nano] == pytest.approx([r.current_pa for r in plain], abs=0.01)
    timed = tmp_path / "d.csv"
    timed.write_text(
        "# a note\ngun_shift_x,gun_shift_y,current_pa,taken_at,sigma_pa\n"
        "1,2,30,2026-05-04T10:20:00,0.5\n\n−2,2,29,2026-05-04T10:21:30,0.5\n",
        encoding="utf-8-sig",
    )
    assert read_scan(timed) == [ScanReading(1, 2, 30, 0.0, 0.5), ScanReading(-2, 2, 29, 1.5, 0.5)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the sheet is empty"),
        ("a,b\n1,2\n", "no column gun_shift_x and gun_shift_y and current_pa"),
        ("x,y,current_pa\n1,2,oops\n", "line 2: current_pa is 'oops'"),
        ("x,y,current_pa\n1,2,3\n1,,3\n", "line 3: gun_shift_y is missing"),
        ("x,y,current_pa\n1,2\n", "current_pa is missing"),
        ("x,y,current_pa\n1,2,inf\n", "current_pa is 'inf'"),
        ("x,y,current_pa,sigma_pa\n1,2,3,0\n", "sigma_pa is not above 0"),
        ("x,y,current_pa,taken_at\n1,2,3,noon\n", "'noon' is no time"),
        ('x,y,current_pa\n"1"x,2,3\n', "is no CSV"),
        ("x,y,current_pa,taken_at\n1,2,3,2026-05-04T10:20\n1,2,3,2026-05-04T10:20+00:00\n", "some times have a zone"),
    ],
)
def test_bad_sheets_are_told_with_their_line(tmp_path, text, said):
    sheet = tmp_path / "bad.csv"
    sheet.write_text(text, encoding="utf-8")
    with pytest.raises(ReadError, match=said.replace("'", ".")):
        read_scan(sheet)


def test_files_that_are_no_sheets(tmp_path):
    with pytest.raises(ReadError, match="no such file"):
        read_scan(tmp_path / "none.csv")
    with pytest.raises(ReadError, match=r"folder|permission"):
        read_scan(tmp_path)
    raw = tmp_path / "raw.csv"
    raw.write_bytes(b"\xff\xfe\x00x")
    with pytest.raises(ReadError, match="no UTF-8"):
        read_table(raw, {"x": ()}, {})
