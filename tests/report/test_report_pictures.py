"""The report of a few pictures: complete, self-contained, safe against what file names say."""

import html
import io
import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from report_samples import HOSTILE, picture, result

from apertrue.errors import ReadError
from apertrue.overlay.arrow import move_arrow
from apertrue.overlay.colors import MOVE
from apertrue.report import PictureReport, render_assess_report, sketch_of, write_assess_report
from apertrue.report.sketch import arrow_of, arrow_path, seen_path, sketch_from_json, sketch_svg, small_jpeg

WHEN = datetime(2026, 1, 2, tzinfo=UTC)


def test_the_page_says_what_was_found() -> None:
    page = html.unescape(render_assess_report([result()], [ReadError("b.tif", "the file is empty", "Save it again.")]))
    for words in (
        "1 picture judged, 1 file could not be read",
        "Make a small move by hand.",
        "12.0 ± 0.3 %",
        "220.0 ± 1.6°",
        "The picture is noisy for what it has to show.",
        "First check which detector is in",
        "b.tif</strong>: the file is empty. Save it again.",
        "not yet been verified on an",
        "not allowed: offset-over-leave",
    ):
        assert words in page.replace("\u00a0", " "), words


def test_nothing_is_loaded_from_anywhere() -> None:
    page = render_assess_report([result(), result("b.tif", 3.0)])
    assert re.findall(r"""(?:src|href)=["'](?!#|data:image/jpeg;base64,)""", page) == []
    assert "url(" not in page
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")
    assert "default-src 'none'" in html.unescape(page)


def test_same_bytes_for_the_same_data() -> None:
    assert render_assess_report([result()], made_at=WHEN) == render_assess_report([result()], made_at=WHEN)


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    page = render_assess_report([result(HOSTILE)], [(HOSTILE, HOSTILE)])
    assert "<img" not in page
    assert "49\u202e" not in page
    assert "\\u202e😀" in page
    path = write_assess_report(tmp_path / "r.html", [result("bad\udcff.tif")])
    assert "bad\\udcff.tif" in path.read_text(encoding="utf-8")


def test_sketch_draws_edges_where_they_are_and_survives_storage() -> None:
    r = result()
    sketch = sketch_of(r, 64)
    assert sketch.image is not None
    with Image.open(io.BytesIO(sketch.image)) as image:
        assert max(image.size) <= 64
        # The stretch shows the faint surround: clearly brighter than outside, clearly darker than the core.
        shown = np.asarray(image).astype(float)
    core, outside = shown[32, 32], shown[2, 2]
    halo = shown[int((r.scene.aperture.y + 0.93 * r.scene.aperture.radius) / 4), 30]
    assert outside + 8 < halo < core - 60
    again = sketch_from_json(sketch.outlines_json(), sketch.image)
    assert (again.width, again.height) == (256, 256)
    for a, b in zip(again.outlines, sketch.outlines, strict=True):
        assert (a.role, a.remembered) == (b.role, b.remembered)
        assert (a.x, a.y, a.major, a.minor) == pytest.approx((b.x, b.y, b.major, b.minor), abs=0.006)


def test_the_arrow_is_that_of_the_overlay() -> None:
    """One arrow everywhere: its color, its tip at the aperture's center, and none on a beam that is left."""
    r = result()
    sketch, row = sketch_of(r, 0), {"verdict": "nudge", "move_direction_deg": 90.0}
    arrow, (a, b) = arrow_of(sketch.outlines, row), (r.scene.aperture, r.scene.beam)
    assert arrow == move_arrow((b.x, b.y), (a.x, a.y), a.radius)
    assert arrow is not None
    assert f"L{a.x + 0.5:.2f} {a.y + 0.5:.2f}" in arrow_path(arrow)
    assert 'class="move"' in sketch_svg(sketch, "p", arrow)
    assert arrow_of(sketch.outlines, row | {"verdict": "leave"}) is None
    assert arrow_of(sketch.outlines, row | {"move_direction_deg": None}) is None
    page = render_assess_report([r])
    assert f"--move: {MOVE.lower()}" in page


@pytest.mark.parametrize("fill", [0, np.nan, np.inf])
def test_pictures_without_contrast_still_become_small_pictures(fill: float) -> None:
    with Image.open(io.BytesIO(small_jpeg(np.full((40, 1000), fill), 100))) as image:
        assert image.size == (100, 4)


def test_the_drawn_ellipse_is_the_edge() -> None:
    """The SVG ellipse (center, semi-axes, rotation) traces the same points as the edge's own outline."""
    _, aperture, _ = picture()
    sketch = sketch_of(result(), 0)
    o = next(o for o in sketch.outlines if o.role == "aperture")
    t = np.linspace(0, 2 * np.pi, 64)
    angle = np.radians(-o.axis_deg)  # SVG rotates clockwise on the screen for positive angles, as y points down
    x, y = o.major * np.cos(t), o.minor * np.sin(t)
    drawn = np.stack([o.x + x * np.cos(angle) - y * np.sin(angle), o.y + x * np.sin(angle) + y * np.cos(angle)], 1)
    m = aperture.to_round()
    assert np.hypot(*(m @ (drawn - (aperture.x, aperture.y)).T)) == pytest.approx(aperture.radius, rel=1e-9)


def test_only_what_was_seen_of_an_edge_is_drawn_thick() -> None:
    """The ends of the thick stretch lie on the outline in the directions that the edge states; the rest is thin."""
    r = result()
    beam = replace(r.scene.beam, e1=0.08, e2=0.05, arcs=((200.0, 530.0),))
    sketch = sketch_of(replace(r, scene=replace(r.scene, beam=beam)), 0)
    seen = seen_path(next(o for o in sketch.outlines if o.role == "beam"))
    ends = [tuple(map(float, end)) for end in re.findall(r"(-?[\d.]+) (-?[\d.]+)(?=A|$)", seen)]
    for (x, y), direction in zip(ends, (200.0, 170.0), strict=True):
        dx, dy = x - 0.5 - beam.x, y - 0.5 - beam.y
        assert math.degrees(math.atan2(-dy, dx)) % 360 == pytest.approx(direction, abs=0.02)
        assert np.hypot(*(beam.to_round() @ (dx, dy))) == pytest.approx(beam.radius, abs=0.01)
    assert " 1 0 " in seen  # the long way round, counter-clockwise
    drawn = sketch_svg(sketch, "p")
    assert drawn.count("beyond") == 1
    assert f'<path class="edge beam" d="{seen}"/>' in drawn
    assert seen_path(next(o for o in sketch.outlines if o.role == "aperture")) == ""
    assert sketch_svg(sketch_from_json(sketch.outlines_json(), None), "p").count("beyond") == 1


def test_thousands_of_pictures_become_a_table_under_twenty_megabytes() -> None:
    """Cards up to sixty; beyond, small pictures in a table. Ten thousand are the same thousand ten times over."""
    page = PictureReport()
    one = result("p.tif")
    for _ in range(61):
        page.add(one)
    page.add_unread(("bad.tif", "the file is cut off"))
    assert set(page._shown[0].sketches) == {120}  # larger ones are dropped when they are no longer shown
    shown = page._shown[0]
    page._shown = [shown] * 10_000
    text = page.render(made_at=WHEN)
    assert len(text.encode()) < 20_000_000
    words = html.unescape(text)
    assert "10000 pictures judged, 1 files could not be read." in words
    assert "To nudge by hand: 10000 (100 %)" in words
    data = json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])
    assert len(data["rows"]) == 10_001
    assert data["rows"][-1]["e"] == "the file is cut off"
    assert sum("i" in r for r in data["rows"]) > 1000


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_in_a_browser(open_page: Any, tmp_path: Path, scheme: str) -> None:
    path = write_assess_report(tmp_path / "r.html", [result(HOSTILE), result("b.tif", 30.0)], [(HOSTILE, HOSTILE)])
    opened = open_page(path, color_scheme=scheme)
    page = opened.page
    assert opened.complaints == []
    assert opened.outside_requests == []
    assert page.title() == "Is the beam centered? · apertrue"
    assert page.locator("article").count() == 2
    assert page.locator("svg.sketch image").first.bounding_box()["width"] > 100
    page.locator("summary", has_text="All numbers").first.click()
    assert page.get_by_role("cell", name="200\u00a0kV").first.is_visible()
