"""The command: sheets in, tables, JSON, plots, messages."""

import csv
import json

import numpy as np
import pytest
from typer.testing import CliRunner

from apertrue.cli.current import app
from apertrue.current.pairs import pairs_from_records
from apertrue.current.table import read_records
from apertrue.errors import ReadError


@pytest.fixture(scope="module")
def sheet(tmp_path_factory, truth):
    instrument = truth.TrueInstrument(
        0.5, 0.2, 0.04, 0.01,
        {"positive": truth.TrueSide(600.0, 1 / 30, 0.3, 1.0), "negative": truth.TrueSide(9000.0, 1 / 22, -0.4, -1.0)},
    )  # fmt: skip
    rows = instrument.records(np.random.default_rng(5), 2, radii=True, most=4)
    path = tmp_path_factory.mktemp("pairs") / "pairs.csv"
    columns = list(dict.fromkeys(k for r in rows for k in r))
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)
    return path


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], prog_name="apertrue current")


def lines(result):
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_curve(sheet, tmp_path):
    pytest.importorskip("matplotlib")
    result = run("curve", "--from", sheet, "--plot", tmp_path / "curve.svg")
    assert result.exit_code == 0, result.output
    assert "200 kV, 70 µm aperture" in result.stdout
    assert result.stdout.count("positive") == 9
    svg = (tmp_path / "curve.svg").read_bytes()
    assert b"</svg>" in svg
    run("curve", "--from", sheet, "--plot", tmp_path / "again.svg")
    assert (tmp_path / "again.svg").read_bytes() == svg


def test_curve_json(sheet):
    (record,) = lines(run("curve", "--from", sheet, "--json"))
    assert record["crossover_measured"] is True
    assert record["crossover"] == pytest.approx(0.5, abs=1.5)
    positive = [r for r in record["curve"] if r["focus_side"] == "positive"]
    currents = [r["current_pa"] for r in positive]
    assert currents == sorted(currents, reverse=True)
    assert all(r["low_95_pa"] < r["low_68_pa"] < r["current_pa"] < r["high_68_pa"] < r["high_95_pa"] for r in positive)


def test_there_and_back(sheet):
    found = lines(run("focus", 300, "--from", sheet, "--side", "positive", "--json"))[0]
    back = lines(run("at", found["gun_focus"], "--from", sheet, "--json"))[0]
    assert back["current_pa"] == pytest.approx(300, rel=0.05)
    assert back["focus_side"] == "positive"
    text = run("focus", 300, "--from", sheet).stdout
    assert f"300 pA at focus {found['gun_focus']:.1f}" in text
    assert "which detector is in" in text


def test_negative_reading_and_other_aperture(sheet):
    record = lines(run("at", "--from", sheet, "--json", "--to-aperture", 50, "--unevenness", 4, "--", -30))[0]
    assert record["focus_side"] == "negative"
    assert record["scaled_pa"] is None or record["scaled_pa"] < record["current_pa"]
    assert record["scaled_why"]
    for given in ("-30", "−30", "-30,0", "-3e1"):  # without the two dashes, as people type it
        plain = lines(run("at", given, "--from", sheet, "--json"))[0]
        assert plain["current_pa"] == record["current_pa"]


def test_today(sheet):
    record = lines(run("today", "--from", sheet, "--json"))[0]
    assert record["unusual"] is False
    assert record["factor"] == pytest.approx(1, abs=0.3)
    assert "×" in run("today", "--from", sheet).stdout


def test_cost():
    record = lines(run("cost", 85, "--current", 170, "--minutes", 120, "--kv", 200, "--json"))[0]
    assert record["time_factor"] == pytest.approx(100 / 85)
    assert record["lost_pa"] == pytest.approx(30)
    assert record["wavelength_pm"] == pytest.approx(2.50793, abs=1e-5)
    assert record["dose_rate"] is None
    assert "1.18 × as long" in run("cost", 85).stdout


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("focus", -5, "--from", "SHEET"), "positive"),
        (("at", "-x", "--from", "SHEET"), "No such option"),
        (("at", "--sied", 24, "--from", "SHEET"), "No such option: --sied"),
        (("at", "24.5.1", "--from", "SHEET"), "'24.5.1' is no number"),
        (("focus", 0, "--from", "SHEET"), "positive"),
        (("focus", 100, "--side", "left", "--from", "SHEET"), "positive or negative"),
        (("curve", "--plot", "x.txt", "--from", "SHEET"), ".svg, .png or .pdf"),
        (("cost", 0), "score must lie"),
    ],
)
def test_wrong_usage(sheet, arguments, text):
    result = run(*(sheet if a == "SHEET" else a for a in arguments))
    assert result.exit_code == 2
    assert text in result.output


def test_no_such_state(sheet):
    result = run("curve", "--from", sheet, "--kv", 80)
    assert result.exit_code == 1
    assert "there are: 200 kV, 70 µm aperture" in result.output


def test_no_log_yet(tmp_path, monkeypatch):
    monkeypatch.setenv("APERTRUE_LOG", str(tmp_path / "none.sqlite"))
    result = run("curve")
    assert result.exit_code == 1
    assert "there is no session log yet" in result.output


def test_few_readings(tmp_path):
    path = tmp_path / "few.csv"
    path.write_text("gun_focus,current_pa\n40,24\n42,22\n", encoding="utf-8")
    result = run("curve", "--from", path)
    assert result.exit_code == 1
    assert "note the current at a few more readings" in result.output


def test_session_log(tmp_path, truth):
    from datetime import UTC, datetime, timedelta

    from apertrue.session import EventKind, add_event, open_log

    instrument = truth.TrueInstrument(0.0, 0.0, 0.0, 0.0, {"positive": truth.TrueSide(600.0, 1 / 30, 0.0, 1.0)})
    at = datetime.now(UTC) - timedelta(minutes=90)
    place = tmp_path / "day.sqlite"
    with open_log(place) as store:
        for k, focus in enumerate((15.0, 25.0, 35.0, 45.0, 55.0)):
            values = {"gun_focus": focus, "current_pa": instrument.sides["positive"].current(focus), "kv": 200.0}
            add_event(store, EventKind.CURRENT, at=at + timedelta(minutes=5 * k), values=values)
    record = lines(run("at", 40, "--from", place, "--json"))[0]
    assert record["current_pa"] == pytest.approx(instrument.sides["positive"].current(40.0), rel=0.06)
    assert record["kv"] == 200.0
    # The session is under way: its own emission holds, so that the answer is narrower than for a new one.
    new = lines(run("at", 40, "--from", place, "--new-session", "--json"))[0]
    assert new["current_pa_sigma"] > 1.5 * record["current_pa_sigma"]


def test_sheet_spellings(tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text(
        "# by hand\nFocus;Current (pA);Side;High tension;remark\n"
        "40,5;24,1;positive;200;x\n\n;;;;\n-40;1500;negative;200;\n",
        encoding="utf-8",
    )
    rows = read_records(path)
    assert [(r["gun_focus"], r["current_pa"], r["focus_side"]) for r in rows] == [
        (40.5, 24.1, "positive"),
        (-40.0, 1500.0, "negative"),
    ]
    assert rows[0]["source"].endswith("sheet.csv, line 3")
    assert len(pairs_from_records(rows).pairs) == 2


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"", "empty"),
        (b"gun_focus,score\n1,2\n", "no column current_pa"),
        (b"gun_focus,focus,current_pa\n1,1,2\n", "two columns are named gun_focus"),
        (b"gun_focus,current_pa\n40,abc\n", "line 2: current_pa is 'abc'"),
        (b"gun_focus,current_pa\n40,nan\n", "line 2: current_pa is 'nan'"),
        (b"gun_focus,current_pa\n40,24,7\n", "more cells"),
        (b"gun_focus,current_pa,taken_at\n40,24,yesterday\n", "ISO 8601"),
        (b"\xff\xfe\x00\x01", "no UTF-8 text"),
        (b"gun_focus,current_pa\n1,\x002\n", "no text"),
        (b'gun_focus,current_pa\n"40,24\n', "no CSV"),
    ],
)
def test_bad_sheets(tmp_path, content, text):
    path = tmp_path / "bad.csv"
    path.write_bytes(content)
    with pytest.raises(ReadError, match=r"bad\.csv") as caught:
        read_records(path)
    assert text in str(caught.value)


def test_missing_sheet(tmp_path):
    with pytest.raises(ReadError, match="No such file"):
        read_records(tmp_path / "none.csv")
