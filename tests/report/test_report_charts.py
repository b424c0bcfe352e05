"""Charts: points where they belong, ticks that are round, text for those who don't see them."""

import re
from datetime import UTC, datetime
from xml.etree import ElementTree

import pytest

from apertrue.report.charts import HEIGHT, MOST_POINTS, WIDTH, Axis, Point, histogram, scatter
from apertrue.report.offset_map import offset_map
from apertrue.report.stripes import Stripe, stripes

_NS = "{http://www.w3.org/2000/svg}"


def parsed(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(str(svg).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def texts(svg: str) -> list[str]:
    return [t.text or "" for t in parsed(svg).iter(_NS + "text")]


def test_points_lie_between_the_axes_in_proportion() -> None:
    svg = scatter("T", "S", [Point(0, 0), Point(5, 50), Point(10, 100)], Axis("x", 0, 10), Axis("y", 0, 100))
    dots = [(float(c.get("cx", 0)), float(c.get("cy", 0))) for c in parsed(svg).iter(_NS + "circle")]
    assert dots[1] == pytest.approx(((dots[0][0] + dots[2][0]) / 2, (dots[0][1] + dots[2][1]) / 2))
    assert all(0 < x < WIDTH and 0 < y < HEIGHT for x, y in dots)
    assert dots[0][1] > dots[2][1]
    assert texts(svg)[:6] == ["0", "2", "4", "6", "8", "10"]


def test_words_are_escaped_and_said() -> None:
    svg = scatter("<b>", "a & b", [Point(1, 2, 'x"y')], Axis("<i>"), Axis("y"))
    root = parsed(svg)
    assert (root.get("role"), root.findtext(_NS + "title"), root.findtext(_NS + "desc")) == ("img", "<b>", "a & b")
    assert "<i>" not in svg
    assert [c.get("class") for c in root.iter(_NS + "circle")] == ['dot x"y']


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (0.02, "07:45"),
        (0.003, "07:32"),
        (0.0004, "07:30:15"),
        (1e-7, "07:30:00"),
        (0.2, "08:00"),
        (3, "01-14"),
        (25, "01-17"),
        (100, "2026-03-08"),
        (400, "2026-05"),
    ],
)
def test_times_have_round_ticks(days: float, words: str) -> None:
    start = datetime(2026, 1, 12, 7, 30, tzinfo=UTC).timestamp()
    svg = scatter("T", "S", [Point(start, 1), Point(start + 86400 * days, 2)], Axis("t", time=True), Axis("y"))
    ticks = [t for t in texts(svg) if ":" in t or "-" in t]
    assert words in ticks
    assert 3 <= len(ticks) <= 8


@pytest.mark.parametrize("points", [[], [Point(3, 3)], [Point(float("nan"), 1), Point(2, float("inf"))]])
def test_few_or_odd_points_draw_all_the_same(points: list[Point]) -> None:
    for svg in (scatter("T", "S", points, Axis("x"), Axis("y")), offset_map("T", "S", points, [(5, "leave")], 30)):
        assert "nan" not in svg
        assert "inf" not in svg
        parsed(svg)


def test_bars_of_a_histogram_count_everything_once() -> None:
    values = [(80 + 0.2 * i, "leave" if i % 3 else "auto") for i in range(100)]
    svg = histogram("T", "S", values, Axis("score", 80, 100), ("leave", "auto"), bins=10)
    bars = [(float(r.get("x", 0)), float(r.get("height", 0)), r.get("class")) for r in parsed(svg).iter(_NS + "rect")]
    assert len({x for x, _, _ in bars}) == 10
    total = sum(h for _, h, _ in bars)
    assert sum(h for _, h, c in bars if c == "fill auto") == pytest.approx(total * 34 / 100, rel=0.02)


def test_the_map_has_up_above_and_its_rings() -> None:
    svg = offset_map("T", "S", [Point(0, 10), Point(10, 0), Point(900, 0)], [(5, "leave 5 %"), (25, "nudge 25 %")], 30)
    root = parsed(svg)
    dots = [
        (float(c.get("cx", 0)), float(c.get("cy", 0)))
        for c in root.iter(_NS + "circle")
        if c.get("class", "").startswith("dot")
    ]
    assert dots[0][1] < dots[1][1]
    assert dots[1][0] > dots[0][0]
    assert dots[2][0] == pytest.approx(210 + 186)  # beyond the rim: on the rim
    assert svg.count('class="beyond"') == 1
    radii = [float(c.get("r", 0)) for c in root.iter(_NS + "circle") if c.get("class") == "limit"]
    assert radii == pytest.approx([186 * 5 / 30, 186 * 25 / 30], abs=0.06)


def test_words_of_limits_cover_no_points() -> None:
    """Of a line: in the margin, where no point is drawn. Of a ring: where it has fewest points, not at a fixed place."""
    points = [Point(i, 5.0) for i in range(40)]
    root = parsed(scatter("T", "S", points, Axis("x", 0, 39), Axis("y", 0, 10), lines=[(5, "leave 5 %")]))
    line = next(p for p in root.iter(_NS + "path") if p.get("class") == "limit")
    end = float(line.get("d", "").split("H")[1])
    assert max(float(c.get("cx", 0)) for c in root.iter(_NS + "circle")) + 3 < end + 1
    words = next(t for t in root.iter(_NS + "text") if t.get("class") == "limit-text")
    assert float(words.get("x", 0)) - 7 * len("leave 5 %") > max(
        float(c.get("cx", 0)) for c in root.iter(_NS + "circle")
    )
    crowd = [Point(6 + 0.1 * i, 4 + 0.1 * k) for i in range(10) for k in range(5)]
    root = parsed(offset_map("T", "S", crowd, [(5, "leave 5 %")], 30))
    words = next(t for t in root.iter(_NS + "text") if t.get("class") == "ring-text")
    assert float(words.get("y", 0)) > 210 or float(words.get("x", 0)) < 210


def test_points_beyond_an_axis_carry_an_arrowhead() -> None:
    points = [Point(0, 1), Point(1, 9), Point(2, 12)]
    assert scatter("T", "S", points, Axis("x"), Axis("y", 0, 10)).count('class="beyond"') == 1
    made = stripes("T", "S", [Stripe("a", tuple(points))], Axis("y", 0, 10), [(5, "leave 5 %")])
    assert made.count('class="beyond"') == 1


def test_clouds_are_thinned() -> None:
    svg = scatter("T", "S", [Point(i, i % 7) for i in range(3 * MOST_POINTS)], Axis("x"), Axis("y"))
    assert len(re.findall('class="dot', svg)) <= MOST_POINTS


@pytest.mark.parametrize(
    ("span_s", "like"),
    [
        (90, r"\d\d:\d\d:\d\d"),
        (3 * 3600, r"\d\d:\d\d"),
        (30 * 3600, r"\d\d-\d\d \d\d:\d\d"),
        (20 * 86400, r"\d\d-\d\d"),
        (100 * 86400, r"\d{4}-\d\d-\d\d"),
        (400 * 86400, r"\d{4}-\d\d"),
    ],
)
def test_times_are_written_as_finely_as_the_axis_needs(span_s: float, like: str) -> None:
    start = datetime(2026, 3, 2, 9, 0, tzinfo=UTC).timestamp()
    svg = scatter("T", "S", [Point(start, 1), Point(start + span_s, 2)], Axis("when", time=True), Axis("y", 0, 3))
    words = [t for t in texts(svg) if re.fullmatch(like, t)]
    assert 2 <= len(words) <= 8
    # No other spelling of a time beside it.
    assert words == [t for t in texts(svg) if ":" in t or "-" in t]
