"""Every number in the archive's report is the store's: table, words and charts against sums made here from the rows."""

import html
import json
import re
from collections import defaultdict
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from benchmarks.report_size import rows as made_up

from apertrue.audit.reporting import render_rows
from apertrue.registry.format import format_value

WHEN = datetime(2026, 1, 2, tzinfo=UTC)


@pytest.fixture(scope="module")
def rows() -> list[dict[str, Any]]:
    out = made_up(130, np.random.default_rng(3))
    broken = dict.fromkeys(out[0]) | {"file": "broken.tif", "error": "broken.tif: the file is cut off. Copy it again."}
    return [*out, broken]


@pytest.fixture(scope="module")
def page(rows: list[dict[str, Any]]) -> str:
    return render_rows(rows, made_at=WHEN)


@pytest.fixture(scope="module")
def words(page: str) -> str:
    return html.unescape(page.partition('<section aria-labelledby="pictures">')[0]).replace("\u00a0", " ")


def numbers(pattern: str, words: str) -> list[float]:
    found = re.search(pattern, words)
    assert found is not None, pattern
    return [float(g.replace("−", "-")) for g in found.groups()]


def measured(rows: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    out = defaultdict(list)
    for r in rows:
        if r["offset_percent"] is not None:
            out[r["session"]].append(r)
    return out


def hours(r: dict[str, Any]) -> float:
    return datetime.fromisoformat(r["taken_at"]).timestamp() / 3600


def test_the_table_is_the_rows(rows: list[dict[str, Any]], page: str) -> None:
    data = json.loads(re.search(r'id="data">(.*?)</script>', page, re.S)[1])
    by_file = {r["file"]: r for r in rows}
    assert len(data["rows"]) == len(rows) == len(by_file)
    for shown in data["rows"]:
        row = by_file[shown["t"][0]]
        for name, text in zip(data["columns"][5:], shown["t"][5:], strict=True):
            told = format_value(name, row[name], row[f"{name}_sigma"], unit=False)
            assert text.replace("\u00a0", " ") == told
        more = {k: v.replace("\u00a0", " ").replace("−", "-") for k, v in shown.get("m", [])}
        if row["current_pa"] is not None:
            assert format_value("current_pa", row["current_pa"]) in more.values()
        assert shown.get("r", []) == (row["reasons"] or [])


def test_the_shares_are_counted(rows: list[dict[str, Any]], words: str) -> None:
    for kind, said in (("leave", "to leave as they are"), ("nudge", "to nudge by hand"), ("auto", "for the automatic")):
        n = sum(r["verdict"] == kind for r in rows)
        share, count = numbers(rf"([\d.]+) % {said}[^(]*\((\d+)\)", words)
        assert count == n
        assert share == pytest.approx(100 * n / len(rows), abs=0.5)
    assert numbers(r"% put aside \([^)]*\) \((\d+)\)", words) == [sum(r["scene"] == "other-view" for r in rows)]
    assert numbers(r"% that could not be read \((\d+)\)", words) == [1]


def test_losses_and_hours_are_summed(rows: list[dict[str, Any]], words: str) -> None:
    lost = [100 - r["working_score"] for r in rows if r["working_score"] is not None]
    value, _, n, sessions = numbers(
        r"In these pictures ([\d.]+) ± ([\d.]+) % of the beam's current was lost by being off center "
        r"\(mean of (\d+) pictures in (\d+) sessions\)",
        words,
    )
    groups = measured(rows)
    assert (n, sessions) == (len(lost), len(groups))
    assert value == pytest.approx(np.mean(lost), abs=0.06)
    span = {}
    for r in rows:
        if r["session"] is not None:
            low, high = span.get(r["session"], (hours(r), hours(r)))
            span[r["session"]] = (min(low, hours(r)), max(high, hours(r)))
    total = sum(high - low for high, low in ((b, a) for a, b in span.values()))
    assert numbers(r"If the (\d+) h between first and last", words)[0] == pytest.approx(total, abs=0.51)
    extra = sum(
        (span[s][1] - span[s][0]) * np.mean([(100 - r["working_score"]) / r["working_score"] for r in some])
        for s, some in groups.items()
    )
    assert numbers(r"that is about ([\d.]+) h of beam time", words)[0] == pytest.approx(extra, abs=0.51)


def test_drift_and_the_worst_sessions(rows: list[dict[str, Any]], words: str) -> None:
    speeds = []
    for some in measured(rows).values():
        for a, b in pairwise(sorted(some, key=hours)):
            apart = hours(b) - hours(a)
            square = sum((b[f"offset_{c}_percent"] - a[f"offset_{c}_percent"]) ** 2 for c in "xy")
            speeds.append(np.sqrt(max(square - 4 * 0.1**2, 0)) / apart)
    value, _, n = numbers(
        r"the beam moved ([\d.]+) ± ([\d.]+) % of the aperture radius per hour \(half of (\d+)", words
    )
    assert n == len(speeds)
    assert value == pytest.approx(np.median(speeds), abs=0.06)
    high = np.quantile(speeds, 0.9)
    assert numbers(r"one time in ten more than ([\d.]+)", words)[0] == pytest.approx(high, abs=0.06)
    assert numbers(r"look again after (\d+) min", words)[0] == pytest.approx(60 * 5 / high, abs=3)
    means = sorted((float(np.mean([r["working_score"] for r in some])), s) for s, some in measured(rows).items())
    told = re.findall(r"(\d{4}-\d\d-\d\d \d\d:\d\d): mean working score ([\d.]+) in (\d+) measured", words)
    assert [(s, float(v), int(n)) for s, v, n in told] == [
        (s, pytest.approx(v, abs=0.051), len(measured(rows)[s])) for v, s in means[:5]
    ]


def test_the_charts_show_the_rows(rows: list[dict[str, Any]], page: str) -> None:
    shown = [r for r in rows if r["offset_percent"] is not None]
    svg = dict(re.findall(r'<svg class="chart[^>]*><title>(.*?)</title>(.*?)</svg>', page, re.S))
    map_ = svg["Offset map"]
    rim = float(re.search(r"rim: (\d+) %", map_)[1])
    circles = re.findall(r'<circle class="dot leave" cx="([\d.]+)" cy="([\d.]+)"', map_)
    leave = [r for r in shown if r["verdict"] == "leave"]
    assert len(circles) == len(leave)
    for (cx, cy), r in zip(circles, leave, strict=True):
        right, up = (float(cx) - 210) / 186 * rim, (210 - float(cy)) / 186 * rim
        assert right == pytest.approx(r["offset_x_percent"], abs=0.3)
        assert up == pytest.approx(-r["offset_y_percent"], abs=0.3)
    assert svg["Timeline by session"].count('class="dot') == len(shown)
    bars = sum(float(h) for h in re.findall(r'<rect class="fill [^"]*"[^>]*height="([\d.]+)"', svg["Working scores"]))
    leaves = re.findall(r'<rect class="fill leave"[^>]*height="([\d.]+)"', svg["Working scores"])
    assert sum(float(h) for h in leaves) / bars == pytest.approx(len(leave) / len(shown), abs=0.02)
