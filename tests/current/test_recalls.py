"""Stored gun settings: offsets after a recall, growth, better start values, whether storing anew pays."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from apertrue.current.entries import entry_of, offset_of
from apertrue.current.recall import centering_minutes, first_after_recall, summarize_recalls
from apertrue.current.summary import recall_record
from apertrue.instrument.settings import Costs, Limits

T0 = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
MATRIX = np.array([[3.0, -1.5], [1.2, 2.5]])  # % per console unit
DOUBT = np.diag([0.02, 0.02, 0.02, 0.02]) ** 2
STORED = np.array([10.0, -4.0])


def calibration(side):
    return (MATRIX, DOUBT) if side == "positive" else None


def picture(at, offset, readings=STORED, side="positive", sigma=0.3):
    return {
        "kind": "picture",
        "at": at,
        "focus_side": side,
        "offset_x_percent": float(offset[0]),
        "offset_y_percent": float(offset[1]),
        "offset_x_percent_sigma": sigma,
        "offset_y_percent_sigma": sigma,
        "offset_xy_correlation": 0.1,
        "gun_shift_x": None if readings is None else float(readings[0]),
        "gun_shift_y": None if readings is None else float(readings[1]),
    }


def history(rng, n=12, right=(12.0, -3.0), drift=(0.0, 0.0), scatter=0.4, setting="a"):
    """Recalls every 5 days; the readings that would center are ``right`` + drift·days + scatter."""
    out = []
    for k in range(n):
        at = T0 + timedelta(days=5 * k)
        best = np.array(right) + np.array(drift) * 5 * k + rng.normal(0, scatter, 2)
        out += [
            {"kind": "recall", "at": at, "setting": setting},
            picture(at + timedelta(minutes=4), MATRIX @ (STORED - best) + rng.normal(0, 0.3, 2)),
        ]
    return out


def test_first_picture_after_each_recall():
    at = T0
    entries = [
        {"kind": "recall", "at": at, "setting": "a"},
        {"kind": "picture", "at": at + timedelta(minutes=1)},  # nothing measured: wait for the next
        picture(at + timedelta(minutes=3), (6, 8)),
        picture(at + timedelta(minutes=5), (1, 1)),
        {"kind": "recall", "at": at + timedelta(hours=1), "setting": "b"},
        {"kind": "nudge", "at": at + timedelta(hours=1, minutes=1)},
        picture(at + timedelta(hours=1, minutes=2), (1, 1)),  # after a nudge: not the recall's
        {"kind": "recall", "at": at + timedelta(hours=3), "setting": "b"},
        picture(at + timedelta(hours=5), (1, 1)),  # too late
        {"kind": "recall", "at": at + timedelta(hours=6), "setting": "b"},
    ]
    found, unseen = first_after_recall(entries, {"a": at - timedelta(days=10)})
    assert [(r.setting, r.length, r.wait_min, r.age_days) for r in found] == [("a", 10.0, 3.0, 10.0)]
    assert [name for name, _ in unseen] == ["b", "b", "b"]


def test_offset_needs_its_doubt():
    assert offset_of({"offset_x_percent": 1.0, "offset_y_percent": 2.0}) is None
    offset, covariance = offset_of(picture(T0, (1, 2)))
    np.testing.assert_allclose(offset, [1, 2])
    np.testing.assert_allclose(covariance, [[0.09, 0.009], [0.009, 0.09]])


def test_better_start_values():
    rng = np.random.default_rng(3)
    summary = summarize_recalls(history(rng), calibration_for=calibration)[0]
    start = summary.start
    z = (start.readings - [12.0, -3.0]) / np.sqrt(np.diag(start.covariance) / 12)
    assert (np.abs(z) < 4).all()
    assert not start.trend
    assert summary.rms_percent == pytest.approx(np.hypot(*(MATRIX @ (STORED - [12.0, -3.0]))), rel=0.2)
    assert start.expected_offset_percent < 0.35 * summary.rms_percent
    assert summary.minutes_with_start < summary.minutes_per_recall
    assert summary.pays_after >= 1
    assert any("Better start values: gun shift X" in s for s in summary.sentences)


def test_start_values_are_honest():
    """A next recall's right readings within the 95 % ellipse of 200 histories: least hits of the 99.9 % band."""
    rng = np.random.default_rng(8)
    inside = 0
    for _ in range(200):
        start = summarize_recalls(history(rng, n=8), calibration_for=calibration)[0].start
        miss = np.array([12.0, -3.0]) + rng.normal(0, 0.4, 2) - start.readings
        # The scatter of 8 recalls: Hotelling's T² in two dimensions, 2·7/6·F(0.95; 2, 6) = 12.0, takes χ²'s place.
        inside += miss @ np.linalg.solve(start.covariance, miss) < 12.0
    assert inside >= 179


def test_growth_is_found_and_followed():
    rng = np.random.default_rng(4)
    drift = (0.1, -0.05)  # console units a day
    entries = history(rng, n=14, drift=drift, scatter=0.2)
    now = T0 + timedelta(days=80)
    summary = summarize_recalls(entries, calibration_for=calibration, now=now)[0]
    growth, sigma = summary.growth_percent_per_week
    assert summary.growth_significant
    assert growth == pytest.approx(7 * np.hypot(*(MATRIX @ drift)), abs=4 * sigma)
    assert summary.start.trend
    expected = np.array([12.0, -3.0]) + np.array(drift) * 80
    np.testing.assert_allclose(summary.start.readings, expected, atol=0.6)
    assert "drifts away" in " ".join(summary.sentences)


def test_no_growth_is_no_false_alarm():
    """200 histories without drift: significant in about 5 % of them (99.9 % binomial band: 2 to 21)."""
    rng = np.random.default_rng(6)
    alarms = sum(summarize_recalls(history(rng, n=9))[0].growth_significant for _ in range(200))
    assert 2 <= alarms <= 21


def test_storing_anew_starts_a_new_history():
    rng = np.random.default_rng(2)
    old, new = history(rng, n=5), history(rng, n=4)
    for e in new:
        e["at"] += timedelta(days=40)
    stored = {"kind": "state", "at": T0 + timedelta(days=39), "changed": ("setting",), "setting": "a"}
    summary = summarize_recalls([*old, stored, *new])[0]
    assert len(summary.recalls) == 4
    assert summary.recalls[0].age_days == pytest.approx(1.0)


def test_without_calibration_or_readings():
    rng = np.random.default_rng(2)
    summary = summarize_recalls(history(rng))[0]
    assert summary.start is None
    assert summary.pays_after is None
    assert any("need a shift calibration" in s for s in summary.sentences)
    blind = [{**e, "gun_shift_x": None} if e["kind"] == "picture" else e for e in history(rng)]
    assert summarize_recalls(blind, calibration_for=calibration)[0].start is None


def test_a_good_setting_need_not_be_stored():
    rng = np.random.default_rng(5)
    summary = summarize_recalls(history(rng, right=STORED, scatter=0.1), calibration_for=calibration)[0]
    assert summary.rms_percent < 1.5
    assert summary.pays_after is None or summary.pays_after > 50


def test_one_recall_is_a_first_impression():
    summary = summarize_recalls(history(np.random.default_rng(1), n=1), calibration_for=calibration)[0]
    assert summary.growth_percent_per_week is None
    assert np.isfinite(summary.mean_sigma).all()
    assert np.isfinite(summary.start.covariance).all()
    assert "first impression" in summary.sentences[-1]


def test_sides_and_settings_apart():
    rng = np.random.default_rng(1)
    other = [{**e, "focus_side": "negative"} if e["kind"] == "picture" else e for e in history(rng, n=3, setting="b")]
    other = [{**e, "at": e["at"] + timedelta(days=1)} for e in other]
    entries = sorted([*history(rng, n=5), *other], key=lambda e: e["at"])
    found = {(s.setting, s.side): len(s.recalls) for s in summarize_recalls(entries)}
    assert found == {("a", "positive"): 5, ("b", "negative"): 3}


def test_centering_minutes():
    limits, costs = Limits(), Costs(nudge_min=1.0, auto_min=1.5, hang_probability=0.0)
    tight = np.eye(2) * 1e-6

    def minutes(x):
        return centering_minutes(np.array([x, 0.0]), tight, limits, costs)

    assert minutes(3.0) == pytest.approx(0.0, abs=1e-9)
    assert minutes(12.0) == pytest.approx(1.0)
    assert minutes(60.0) == pytest.approx(1.5)  # the routine is cheaper than three nudges
    spread = centering_minutes(np.array([5.0, 0.0]), np.eye(2) * 0.01, limits, costs)
    assert 0.35 < spread < 0.65  # half of them lie beyond the limit


def test_record_and_event():
    summary = summarize_recalls(history(np.random.default_rng(3), n=4), calibration_for=calibration)[0]
    record = recall_record(summary)
    assert record["recalls"] == 4
    assert len(record["history"]) == 4
    assert record["start_gun_shift_x_sigma"] > 0
    event = SimpleNamespace(kind="recall", at=T0, changed=(), values={"setting": "a"})
    assert entry_of(event) == {"setting": "a", "kind": "recall", "at": T0, "changed": ()}


def test_the_sessions_command(tmp_path):
    """``apertrue session recalls`` on a real log: table, sentences, JSON, plot."""
    import json

    from typer.testing import CliRunner

    from apertrue.assessment import Assessment
    from apertrue.calibration import Calibration, StateKey, calibration_path, save_calibrations
    from apertrue.cli.session import app
    from apertrue.session import EventKind, add_event, add_picture, open_log

    log, instrument = tmp_path / "day.sqlite", tmp_path / "room.toml"
    instrument.write_text("", encoding="utf-8")
    calibration = Calibration(
        tuple(map(tuple, MATRIX.tolist())), tuple(map(tuple, DOUBT.tolist())), StateKey(focus_side="positive")
    )
    save_calibrations(calibration_path(instrument), [calibration])
    with open_log(log) as store:
        for k, entry in enumerate(history(np.random.default_rng(3), n=6)):
            if entry["kind"] == "recall":
                add_event(store, EventKind.RECALL, at=entry["at"], values={"setting": "a, STEM"})
            else:
                values = {name: v for name, v in entry.items() if name not in ("kind", "at")}
                picture_of = Assessment(file=f"{k}.tif", taken_at=entry["at"].isoformat(), scene="both-edges", **values)
                add_picture(store, picture_of, at=entry["at"])

    def run(*more):
        arguments = ["recalls", "--log", str(log), "--instrument", str(instrument), *more]
        result = CliRunner().invoke(app, arguments, prog_name="apertrue session")
        assert result.exit_code == 0, result.output
        return result.stdout

    text = run("--plot", str(tmp_path / "recalls.svg"))
    assert "a, STEM" in text
    assert "recalled 6 times" in text
    assert "Better start values: gun shift X 1" in text
    assert b"</svg>" in (tmp_path / "recalls.svg").read_bytes()
    first, last = (json.loads(line) for line in run("--json").splitlines())
    assert first["recalls"] == 6
    assert first["start_gun_shift_x"] == pytest.approx(12.0, abs=1.0)
    assert last["switching"]["disturbs"] is None
