"""What an archive's pictures tell of stored settings and currents: the report's numbers are those of ``current``."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from apertrue.audit import EXPORT_COLUMNS
from apertrue.audit.charting import current_charts, recall_chart
from apertrue.audit.history import entries_of_pictures, history_of_log, history_of_pictures
from apertrue.audit.pictures import Picture, pictures_of
from apertrue.audit.summary import summarize
from apertrue.audit.wording import in_short, paragraphs
from apertrue.calibration import Calibration, StateKey
from apertrue.current.summary import recall_record
from apertrue.instrument.settings import Limits

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
A = np.array([[8.0, 2.5], [-2.0, 7.4]])  # % of the aperture radius per console unit
STORED, RIGHT = np.array([12.0, -7.0]), np.array([11.0, -6.4])
SIDES = {"low": (1, 30.0, 600.0), "view": (-1, 34.0, 3000.0)}


def archive(sessions: int = 14, seed: int = 1) -> list[Picture]:
    """Sessions that begin with a recall of one of two settings, are centered by hand, and note currents at two foci."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    for s in range(sessions):
        setting = ("low", "view")[s % 2]
        sign, distance, most = SIDES[setting]
        readings, right = STORED.copy(), RIGHT + rng.normal(0, 0.15, 2)
        for k in range(6):
            when = START + timedelta(days=3 * s, minutes=20 * k)
            offset = A @ (readings - right) + rng.normal(0, 0.1, 2)
            length = float(np.hypot(*offset))
            row = dict.fromkeys(EXPORT_COLUMNS) | {
                "file": f"s{s:02d}/{k}.tif",
                "page": 0,
                "taken_at": when.isoformat(),
                "taken_at_source": "sheet",
                "session": f"session of day {3 * s}",
                "flags": [],
                "reasons": [],
                "scene": "both-edges",
                "verdict": "leave" if length <= 5 else "nudge",
                "setting": setting,
                "kv": 200.0,
                "gun_shift_x": float(readings[0]),
                "gun_shift_y": float(readings[1]),
            }
            if k < 5:
                focus = 1.0 + sign * distance * (1.0, 1.06, 0.94, 1.0, 1.1)[k]
                current = most
                row |= {
                    "offset_x_percent": float(offset[0]),
                    "offset_x_percent_sigma": 0.1,
                    "offset_y_percent": float(offset[1]),
                    "offset_y_percent_sigma": 0.1,
                    "offset_percent": length,
                    "offset_percent_sigma": 0.1,
                    "working_score": 100 - length,
                    "working_score_sigma": 0.2,
                    "score": 100.0,
                    "score_sigma": 0.2,
                    "aperture_radius_px": 100.0,
                    "aperture_radius_px_sigma": 0.05,
                    "beam_radius_px": 2.6 * abs(focus - 1.0),
                    "beam_radius_px_sigma": 0.05,
                }
            else:  # the working illumination: spread beyond the aperture
                focus = 1.0 + sign * distance * 2.2
                current = most / 2.9
                row |= {"scene": "overfilled", "verdict": "retake"}
            rows.append(row | {"gun_focus": focus, "current_pa": float(current * rng.normal(1, 0.01))})
            if k < 5 and length > 3:
                readings = readings - np.linalg.solve(A, offset) + rng.normal(0, 0.2, 2)
            elif k == 2:  # another specimen: someone tries both axes
                readings = readings + rng.normal(0, 0.8, 2)
    return pictures_of(rows)


@pytest.fixture(scope="module")
def pictures() -> list[Picture]:
    return archive()


@pytest.fixture(scope="module")
def history(pictures: list[Picture]) -> Any:
    return history_of_pictures(pictures, rng=np.random.default_rng(0))


def test_recalls_are_inferred_where_a_setting_begins(pictures: list[Picture]) -> None:
    entries = entries_of_pictures(pictures)
    recalls = [e for e in entries if e["kind"] == "recall"]
    assert len(recalls) == 14
    assert [e["setting"] for e in recalls[:3]] == ["low", "view", "low"]
    assert len(entries) == len(pictures) + 14


def test_better_start_values_come_back(history: Any) -> None:
    """Readings − calibration⁻¹ × offset: without any calibration file, learned from the archive's own moves."""
    assert history.inferred
    assert set(history.learned) == {"positive", "negative"}
    for r in history.recalls:
        assert r.start is not None
        sigma = np.sqrt(np.diag(r.start.covariance))
        assert np.all(np.abs(r.start.readings - RIGHT) < 3 * sigma / np.sqrt(len(r.recalls)) + 0.05)
        assert r.start.expected_offset_percent < 0.5 * r.rms_percent


def test_a_kept_calibration_is_preferred(pictures: list[Picture]) -> None:
    """One that turns the other way round gives other start values: it was used."""
    odd = Calibration(((-8.0, 0.0), (0.0, -8.0)), tuple((0.0,) * 4 for _ in range(4)), StateKey(focus_side="positive"))
    found = history_of_pictures(pictures, calibrations=[odd], rng=np.random.default_rng(0))
    low = next(r for r in found.recalls if r.setting == "low")
    assert low.start is not None
    assert found.learned is not None
    assert "positive" not in found.learned
    assert np.hypot(*(low.start.readings - RIGHT)) > 0.8


def test_focus_for_a_current(history: Any) -> None:
    assert len(history.curves) == 1
    curve = history.curves[0]
    assert set(curve.model.curves) == {"positive", "negative"}
    at = {(f.current_pa, f.side): f for f in curve.foci}
    # 400 pA lies between 600 pA at 31 and 207 pA at 67; the negative side never gives so little.
    found = at[400.0, "positive"]
    assert found.focus is not None
    assert 33 < found.focus < 67
    assert (400.0, "negative") not in at
    assert at[2000.0, "negative"].focus < -33
    assert curve.latest is not None
    assert not curve.latest.unusual


def test_the_report_shows_the_same_numbers_as_the_records(history: Any) -> None:
    chart = recall_chart(history, Limits())[0]
    assert chart.table is not None
    for row, r in zip(chart.table.rows, history.recalls, strict=True):
        record = recall_record(r)
        assert row[1] == str(record["recalls"])
        assert float(row[2]) == pytest.approx(record["offset_rms_percent"], abs=0.0501)
        for cell, name in ((row[4], "start_gun_shift_x"), (row[5], "start_gun_shift_y")):
            value, sigma = (float(v.replace("−", "-")) for v in cell.split(" ± "))
            assert value == pytest.approx(record[name], abs=0.51 * 10.0 ** -len(cell.split(" ± ")[0].split(".")[1]))
            assert sigma == pytest.approx(record[name + "_sigma"], rel=0.2)
        assert row[7].split()[0] in (str(record["pays_after_recalls"]), "—")
    table = current_charts(history.curves)[0].table
    assert table is not None
    told = {(r[0], r[1]): float(r[2].split(" ± ")[0].replace("−", "-")) for r in table.rows}
    for f in history.curves[0].foci:
        key = (f"{f.current_pa / 1000:.3g} nA" if f.current_pa >= 1000 else f"{f.current_pa:.3g} pA", f.side)
        assert told[key] == pytest.approx(f.focus, abs=max(0.1, f.sigma or 0.0))


def test_words_name_settings_and_what_to_do(pictures: list[Picture], history: Any) -> None:
    s = summarize(pictures, offset_limit=5.0, rng=np.random.default_rng(0))
    told = {p.heading: p for p in paragraphs(s, offset_limit=5.0, history=history)}
    stored = told["Stored gun settings"]
    assert "An archive keeps no log of recalls" in stored.text
    assert "ask whoever keeps the settings" in stored.text
    assert any(p.startswith("low (positive side), recalled 7 times: off by") for p in stored.points)
    assert "Current and focus" in told
    assert "Better start values" not in told  # told once, with the calibration
    assert any("storing settings anew would help" in p for p in in_short(s, offset_limit=5.0, history=history))


def test_nothing_noted_tells_nothing() -> None:
    bare = [
        Picture(p.number, p.kind, p.session, p.when, p.row | {"setting": None, "current_pa": None}) for p in archive(4)
    ]
    found = history_of_pictures(bare, rng=np.random.default_rng(0))
    assert (found.recalls, found.curves, found.readings) == ((), (), 0)
    assert recall_chart(found, Limits()) == []
    assert history_of_log([], rng=np.random.default_rng(0)).curves == ()
