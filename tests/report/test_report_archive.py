"""The archive's page, in text and in a real browser: sorting, filtering, opening, printing, and hostile names."""

import html
import itertools
import json
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from report_samples import HOSTILE, result

from apertrue.audit.export import EXPORT_COLUMNS
from apertrue.audit.reporting import render_rows
from apertrue.report import render_assess_report, sketch_of, write_page
from apertrue.report.archive import IMAGE_BYTES, TableRow, _with_images, render_archive

WHEN = datetime(2026, 1, 2, tzinfo=UTC)


def rows(count: int = 120) -> list[dict[str, Any]]:
    out = []
    for i in range(count):
        blank = dict.fromkeys(EXPORT_COLUMNS)
        name = HOSTILE if i == 0 else f"d{i % 4}/p {i:03d}.tif"
        if i % 10 == 9:
            out.append(blank | {"file": name, "error": f"{name}: the file is cut off. Copy it again."})
            continue
        kind = ("leave", "nudge", "auto")[i % 3]
        offset = {"leave": 2.0, "nudge": 12.0, "auto": 31.0}[kind] + 0.01 * i
        out.append(
            blank
            | {
                "file": name,
                "page": 0,
                "taken_at": f"2026-02-{1 + i % 4:02d}T{8 + i // 20:02d}:{i % 20:02d}:00+00:00",
                "taken_at_source": "file",
                "scene": "both-edges",
                "flags": ["noisy"] if i == 1 else [],
                "reasons": ["cheapest"],
                "verdict": kind,
                "session": f"2026-02-{1 + i % 4:02d} 08:00",
                "offset_percent": offset,
                "offset_percent_sigma": 0.3,
                "offset_x_percent": offset,
                "offset_x_percent_sigma": 0.2,
                "offset_y_percent": 0.0,
                "offset_y_percent_sigma": 0.2,
                "working_score": 100 - offset / 2,
                "working_score_sigma": 0.3,
                "note": HOSTILE if i == 1 else None,
            }
        )
    return out


class Drawn:
    """The same sketch for every row that was measured."""

    def __init__(self) -> None:
        self.sketch = sketch_of(result(), 64)

    def of(self, number: int) -> tuple[str, bytes | None]:
        return self.sketch.outlines_json(), self.sketch.image


def page_of(some: Sequence[dict[str, Any]], **options: Any) -> str:
    return render_rows(some, sketches=Drawn(), made_at=WHEN, **options)  # type: ignore[arg-type]


def test_same_bytes_for_the_same_rows() -> None:
    assert page_of(rows()) == page_of(rows())


def test_nothing_is_loaded_and_nothing_injected() -> None:
    page = page_of(rows())
    assert "<img" not in page
    assert re.findall(r"""(?:src|href)=["'](?!#)""", page.replace("data:image", "")) == []
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.S)
    assert data is not None
    assert not set("<>&") & set(data[1])
    assert json.loads(data[1])["rows"][0]["t"][1] == "auto"


def test_the_summary_is_in_words() -> None:
    page = html.unescape(page_of(rows()))
    assert "108 of 120 pictures show a condenser aperture with a beam in it" in page
    assert "People take pictures when they are worried" in page
    assert "offset 5 and 25 %" in html.unescape(page_of(rows(), settings=[("limits", "offset 5 and 25 %")]))


def test_masked_pages_have_no_names() -> None:
    page = page_of(rows()[1:], mask_names=True)
    assert "d1/p" not in page
    assert "picture 00001" in page


def test_pictures_go_to_what_matters_until_the_room_is_used_up() -> None:
    big = b"x" * (IMAGE_BYTES // 2 - 10)
    blank = dict.fromkeys(EXPORT_COLUMNS) | {"file": "a", "flags": [], "reasons": []}
    many = [TableRow("leave", "", blank, "{}", big, w) for w in (1.0, 3.0, 2.0)]
    assert _with_images(many) == {1, 2}


def test_ten_thousand_pictures_stay_under_twenty_megabytes() -> None:
    sketch = sketch_of(result(), 96)
    some = rows(100)
    table = [TableRow("nudge", "s", some[1 + i % 8], sketch.outlines_json(), sketch.image, 1.0) for i in range(10_000)]
    page = render_archive(title="t", lead="l", paragraphs=[], rows=table, made_at=WHEN)
    assert 8_000_000 < len(page) < 20_000_000


@pytest.mark.browser
def test_sorting_filtering_opening(open_page: Any, tmp_path: Path) -> None:
    opened = open_page(write_page(tmp_path / "r.html", page_of(rows())))
    page = opened.page
    lines, status = page.locator("#table tbody > tr:not(.detail)"), page.locator("#status")
    assert lines.count() == 50
    assert "120 of 120 pictures, 1 to 50 shown" in status.inner_text()

    offset = page.get_by_role("button", name="offset, %")
    offset.click()
    assert page.locator("th[aria-sort=ascending]").inner_text().startswith("offset, %")
    first = [float(t.split()[0]) for t in page.locator("#table tbody td:nth-child(6)").all_inner_texts()]
    assert first == sorted(first)
    offset.click()
    again = [float(t.split()[0]) for t in page.locator("#table tbody td:nth-child(6)").all_inner_texts()]
    assert again == sorted(again, reverse=True)
    assert again[0] > first[-1]

    page.get_by_label("Verdict").select_option("error")
    assert "12 of 120" in status.inner_text()
    assert lines.count() == 12
    page.get_by_label("Verdict").select_option("")
    page.get_by_label("only measured").check()
    assert "108 of 120" in status.inner_text()
    page.locator("#f-session").select_option("2026-02-02 08:00")
    page.get_by_label("Search").fill("NOISY")
    assert "1 of 120" in status.inner_text()

    button = page.locator("button.open").first
    button.focus()
    page.keyboard.press("Enter")
    assert button.get_attribute("aria-expanded") == "true"
    detail = page.locator("tr.detail")
    assert detail.locator("svg.sketch ellipse.edge").count() == 2
    assert detail.locator("svg.sketch image").bounding_box()["width"] > 50
    assert "First check which detector is in" in detail.inner_text()
    page.keyboard.press("Escape")
    assert detail.count() == 0
    assert opened.complaints == []
    assert opened.outside_requests == []


@pytest.mark.browser
def test_hostile_names_are_shown_not_obeyed(open_page: Any, tmp_path: Path) -> None:
    opened = open_page(write_page(tmp_path / "r.html", page_of(rows())))
    page = opened.page
    page.get_by_label("Search").fill("onerror")
    assert page.locator("button.open").count() == 2
    for i in range(2):
        page.locator("button.open").nth(i).click()
    assert page.locator("img").count() == 0
    assert any("\\u202e" in text for text in page.locator("button.open").all_inner_texts())
    assert page.title() == "Audit of past sessions · apertrue"
    assert opened.complaints == []
    assert opened.outside_requests == []


@pytest.mark.browser
def test_the_page_forbids_other_scripts(open_page: Any, tmp_path: Path) -> None:
    """Even markup that slipped through could run nothing: the page's own policy stands in the way."""
    evil = "<script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\">"
    opened = open_page(write_page(tmp_path / "r.html", page_of(rows()).replace("<main", evil + "<main", 1)))
    assert opened.page.title() == "Audit of past sessions · apertrue"
    assert any("Content Security Policy" in c for c in opened.complaints)


_WORST_CONTRAST = """() => {
  const luminance = (color) => {
    const v = color.match(/[\\d.]+/g).slice(0, 3).map((x) => x / 255)
      .map((x) => x <= 0.03928 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4);
    return .2126 * v[0] + .7152 * v[1] + .0722 * v[2];
  };
  const back = luminance(getComputedStyle(document.body).backgroundColor);
  const names = ["body", ".lead", ".soft", "figcaption", "a", "button.open", "footer",
    ...["leave", "nudge", "auto", "error"].map((k) => ".chip." + k)];
  let worst = 99;
  for (const e of document.querySelectorAll(names.join(","))) {
    const l = luminance(getComputedStyle(e).color);
    worst = Math.min(worst, (Math.max(l, back) + .05) / (Math.min(l, back) + .05));
  }
  return worst;
}"""


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_print_and_contrast(open_page: Any, tmp_path: Path, scheme: str) -> None:
    opened = open_page(write_page(tmp_path / "r.html", page_of(rows())), color_scheme=scheme)
    page = opened.page
    # WCAG 2.2, 1.4.3 (confirmed): text needs a contrast of at least 4.5 to 1.
    worst = page.evaluate(_WORST_CONTRAST)
    assert worst >= 4.5
    pdf = page.pdf(format="A4")
    assert pdf.startswith(b"%PDF")
    assert 3 <= pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") + pdf.count(b"/Type/Page\n") <= 40
    page.emulate_media(media="print")
    assert not page.locator("form.filters").is_visible()
    assert page.locator("#table").is_visible()
    assert opened.complaints == []


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_an_accessibility_engine_has_nothing_to_say(open_page: Any, tmp_path: Path, scheme: str, width: int) -> None:
    """axe-core's rules (WCAG 2 and good practice) on the table's page with a picture opened, and on cards."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    pages = {"table": page_of(rows()), "cards": render_assess_report([result(), result("b.tif", 30.0)], made_at=WHEN)}
    for name, text in pages.items():
        # The engine is a script of its own: the page's policy lets it in only when asked to.
        look = {"color_scheme": scheme, "viewport": {"width": width, "height": 900}, "bypass_csp": True}
        opened = open_page(write_page(tmp_path / f"{name}.html", text), **look)
        if name == "table":
            opened.page.locator("button.open").first.click()
        found = axe.run(opened.page).response["violations"]
        assert [(v["id"], v["nodes"][0]["html"]) for v in found] == []


@pytest.mark.browser
def test_roles_and_names_for_a_screen_reader(open_page: Any, tmp_path: Path) -> None:
    page = open_page(write_page(tmp_path / "r.html", page_of(rows()))).page
    assert page.get_by_role("main").count() == page.get_by_role("banner").count() == 1
    assert page.get_by_role("heading", level=1).inner_text() == "Audit of past sessions"
    levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3')].map((h) => +h.tagName[1])")
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    charts = page.get_by_role("img")
    names = [c.get_attribute("class") for c in charts.all()]
    assert sum("chart" in n for n in names) >= 4
    told = page.evaluate("[...document.querySelectorAll('svg.chart')].map((c) => c.querySelector('desc').textContent)")
    assert all(len(t) > 20 for t in told)
    assert page.get_by_role("search").count() == 1
    assert (
        page.get_by_role("table", name="Pictures with verdict and numbers; buttons in the headings sort").count() == 1
    )
    assert page.get_by_role("columnheader", name="offset, %").get_attribute("aria-sort") == "none"
    assert page.get_by_role("status").inner_text().startswith("120 of 120 pictures")
    assert page.locator("#table tbody th[scope=row]").count() == 50
