"""The report of a session log: its numbers are the log's, masked it holds no names, twice it is the same bytes."""

import html
import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

from apertrue.assessment import Assessment
from apertrue.audit.session_report import outlines_of, write_session_report
from apertrue.cli.session import app
from apertrue.errors import WriteError
from apertrue.instrument import Instrument
from apertrue.readers import read_frame
from apertrue.registry.format import format_value
from apertrue.session import add_event, add_picture, events, open_log
from apertrue.store import Store

START = datetime(2026, 5, 4, 6, 30, tzinfo=UTC)
MADE = datetime(2026, 5, 9, tzinfo=UTC)
INSTRUMENT = Instrument(name="Robin's instrument", timezone="Europe/Vienna")


def assessed(file: str, x: float, y: float, **more: Any) -> Assessment:
    d = float(np.hypot(x, y))
    measured = {
        "aperture_x_px": 32.0, "aperture_y_px": 31.0, "aperture_radius_px": 20.0, "aperture_ellipticity": 0.02,
        "aperture_axis_deg": 30.0, "beam_x_px": 32.0 + 0.2 * x, "beam_y_px": 31.0 + 0.2 * y, "beam_radius_px": 16.0,
        "offset_x_percent": x, "offset_y_percent": y, "offset_percent": d, "move_direction_deg": 123.4,
        "working_score": 100 - d, "score": 99.5,
    }  # fmt: skip
    values = {
        "file": file,
        "page": 0,
        "scene": "both-edges",
        "scene_confidence": 0.99,
        "flags": ("noisy",),
        "verdict": "leave" if d <= 5 else "nudge",
        "reasons": ("within-limits",) if d <= 5 else ("offset-over-leave",),
    }
    return Assessment(**(values | measured | {f"{n}_sigma": 0.123 for n in measured} | more))


def fill(store: Store, folder: Path, days: int = 1) -> None:
    """Days with a recall, drift at 2 % an hour, a nudge, a hung routine, currents, a note by Robin."""
    for day in range(days):
        begin = START + timedelta(days=day)
        kept = {"setting": "Robin's low", "kv": 200.0, "gun_focus": 30.0, "focus_side": "positive"}
        add_event(store, "recall", begin, values=kept, who="Robin Example")
        for k in range(7):
            at = begin + timedelta(minutes=3 + 30 * k)
            x = 9.0 + k if k < 3 else 1.0 + (k - 3)
            file = folder / "robin" / f"day {day} view {k}.tif"
            digest = None
            if day == 0 and k == 0:
                file.parent.mkdir()
                tifffile.imwrite(file, np.random.default_rng(1).poisson(300, (64, 64)).astype(np.uint16))
                digest = read_frame(file).digest
            add_picture(store, assessed(str(file), x, 0.5, gun_focus=30.0 + k), at, digest=digest, who="Robin Example")
            current = {"current_pa": 600.0 / (1 + 0.1 * k), "gun_focus": 30.0 + k}
            add_event(store, "current", at + timedelta(minutes=1), values=current)
            if k == 2:
                add_event(store, "nudge", at + timedelta(minutes=2), values={"nudge_x": 1.2, "nudge_y": -0.4})
        add_event(store, "routine-start", begin + timedelta(hours=3.4))
        add_event(store, "routine-end", begin + timedelta(hours=3.65), outcome="hung")
        add_event(store, "note", begin + timedelta(hours=3.7), values={"note": "asked Robin about the pump"})


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("log")
    with open_log(folder / "log.sqlite", durable=False) as store:
        fill(store, folder, days=3)
    return folder / "log.sqlite"


def page_of(log: Path, target: Path, **options: Any) -> str:
    with open_log(log, read_only=True) as store:
        now = START + timedelta(days=3)
        written = write_session_report(target, store, INSTRUMENT, now=now, made_at=MADE, **options)
    assert written is not None
    return written.read_text(encoding="utf-8")


def data_of(page: str) -> dict[str, Any]:
    found = re.search(r'id="data">(.*?)</script>', page, re.S)
    assert found is not None
    return json.loads(found[1])


def test_every_number_of_the_table_is_the_logs(log: Path, tmp_path: Path) -> None:
    data = data_of(page_of(log, tmp_path / "r.html"))
    with open_log(log, read_only=True) as store:
        shots = {e.get("file"): e for e in events(store) if e.kind == "picture"}
    assert len(data["rows"]) == len(shots) == 21
    for row in data["rows"]:
        e = next(e for f, e in shots.items() if f.endswith(row["t"][0]))
        for name, text, key in zip(data["columns"][5:], row["t"][5:], row["k"], strict=True):
            value, sigma = e.get(name), e.get(f"{name}_sigma")
            assert text.replace("\u00a0", " ").replace("−", "-") == format_value(name, value, sigma, unit=False)
            assert key == (None if value is None else pytest.approx(value, rel=1e-5))
        local = e.at + timedelta(hours=2)  # Vienna in May
        assert row["t"][3] == f"{local:%Y-%m-%d %H:%M}"


def test_the_words_count_what_the_log_holds(log: Path, tmp_path: Path) -> None:
    page = html.unescape(page_of(log, tmp_path / "r.html"))
    assert "Sessions from 2026-05-04 to 2026-05-06" in page
    assert "3 moves of the gun shift by hand, 3 runs of the automatic routine, of which 3 hung, 3 recalls" in page
    assert "The routine took 45 min in all" in page
    assert (
        "All 21 pictures show a condenser aperture with a beam in it: 57 % of these were centered well enough" in page
    )
    # Without readings the log's own moves tell what is drift. Each pair: √(1 − 4·0.123²) % in half an hour.
    assert "the beam moved 1.94 ± 0.05 % of the aperture radius per hour (half of 15 pairs" in page
    assert "Robin's low (positive side), recalled 3 times: off by 9.0 %" in page
    assert "200 kV: 21 readings on the positive side" in page


def test_a_single_day_shows_what_was_done_when(log: Path, tmp_path: Path) -> None:
    day = START.replace(hour=0, minute=0)
    page = html.unescape(page_of(log, tmp_path / "r.html", since=day, until=day + timedelta(days=1)))
    assert "Session of 2026-05-04" in page
    assert "<li>09:35 gun shift X +1.2, Y −0.4</li>" in page
    assert "<li>12:09 automatic routine ended: hung</li>" in page
    assert "A! automatic routine that did not end well" in page
    assert len(data_of(page)["rows"]) == 7
    assert "recalled 1 time:" in page  # later days are not known yet
    with open_log(log, read_only=True) as store:
        later = START + timedelta(days=30)
        assert write_session_report(tmp_path / "no.html", store, INSTRUMENT, now=later, since=later) is None
    assert not (tmp_path / "no.html").exists()


def test_small_pictures_come_from_files_that_did_not_change(log: Path, tmp_path: Path) -> None:
    def images(**options: Any) -> int:
        return sum("i" in r for r in data_of(page_of(log, tmp_path / "r.html", **options))["rows"])

    assert images() == 1
    assert images(images=False) == 0
    file = log.parent / "robin" / "day 0 view 0.tif"
    before = file.read_bytes()
    tifffile.imwrite(file, np.zeros((64, 64), np.uint16))
    try:
        assert images() == 0
    finally:
        file.write_bytes(before)


def test_edges_are_drawn_where_the_log_has_them() -> None:
    aperture, beam = outlines_of(assessed("a.tif", 10.0, 0.0).to_dict())
    assert (aperture.role, beam.role) == ("aperture", "beam")
    assert (aperture.major * aperture.minor) ** 0.5 == pytest.approx(20.0)
    assert (aperture.major - aperture.minor) / (aperture.major + aperture.minor) == pytest.approx(0.02)
    assert (beam.x, beam.major, beam.axis_deg) == (34.0, 16.0, 0.0)


def test_masked_there_are_no_names(log: Path, tmp_path: Path) -> None:
    for since in (None, START.replace(hour=0)):
        page = page_of(
            log, tmp_path / "r.html", mask_names=True, since=since, until=since and since + timedelta(days=1)
        )
        assert "obin" not in page
        assert "pump" in page or since is None  # the note stays, its name goes
        assert "setting 1" in page
        assert str(log.parent) not in page


def test_twice_the_same_bytes(log: Path, tmp_path: Path) -> None:
    assert page_of(log, tmp_path / "a.html") == page_of(log, tmp_path / "b.html")


def test_the_command(log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("APERTRUE_INSTRUMENT", "")
    target = tmp_path / "r.html"

    def call(*words: str) -> Any:
        return CliRunner().invoke(app, ["report", str(target), "--log", str(log), *words])

    done = call("--all")
    assert (done.exit_code, target.exists()) == (0, True)
    assert str(target) in done.stdout.replace("\n", "")
    done = call()
    assert done.exit_code == 1
    assert "nothing to report" in done.stderr
    assert call("--all", "--day", "2026-05-04").exit_code == 2
    nowhere = CliRunner().invoke(app, ["report", str(tmp_path / "no" / "r.html"), "--log", str(log), "--all"])
    assert isinstance(nowhere.exception, WriteError)  # which the program's frame tells, with status 2


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_in_a_browser_by_keyboard(log: Path, tmp_path: Path, open_page: Any, scheme: str) -> None:
    page_of(log, tmp_path / "r.html")
    opened = open_page(tmp_path / "r.html", color_scheme=scheme, viewport={"width": 390, "height": 800})
    page = opened.page
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    order = []
    for _ in range(30):
        page.keyboard.press("Tab")
        order.append(page.evaluate("document.activeElement.id || document.activeElement.className"))
    assert order[0] == "skip"
    assert order.index("f-text") < order.index("f-kind") < order.index("f-session") < order.index("open")
    page.locator("button.open").first.focus()
    page.keyboard.press("Enter")
    assert page.locator("tr.detail svg.sketch ellipse.edge").count() == 2
    page.keyboard.press("Escape")
    assert page.locator("tr.detail").count() == 0
    assert opened.complaints == []
    assert opened.outside_requests == []
