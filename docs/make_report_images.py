"""Make the pictures of the report: docs/images/report-*.png, from the made-up archive. Needs playwright and a Chromium.

python docs/make_report_images.py [--folder report/archive] [--to FOLDER]

Without --folder the archive is made and audited first (minutes); with it, the pages that ``make demo-archive`` wrote
beside that folder are taken.
"""

import argparse
import io
import os
import shutil
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

#: name -> (page, color scheme, width, headings of the first and last section shown, rows of the table opened)
SHOTS = {
    "summary": ("archive", "light", 1180, "In short", "Summary", 0),
    "beam": ("archive", "light", 1180, "Where the beam lay, and its drift", "Where the beam lay, and its drift", 0),
    "settings-current": ("archive", "light", 1180, "Stored gun settings", "Current and focus", 0),
    "months": ("archive", "dark", 1180, "Over the months", "Over the months", 0),
    "table": ("archive", "dark", 1180, "Pictures", "Pictures", 1),
    "session": ("archive-day", "light", 1180, "In short", "Summary", 0),
    "narrow": ("archive", "light", 390, "In short", "In short", 0),
}
#: Taller pictures than this are cut, px.
_TALLEST = 1250


def main() -> None:
    """Take all of them."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--folder", type=Path, help="an archive that benchmarks/audit_archive.py made and audited")
    parser.add_argument("--to", type=Path, default=HERE / "images", help="folder for the pictures")
    given = parser.parse_args()
    given.to.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory() as spare:
        folder = given.folder or _made(Path(spare) / "archive")
        take({name: folder.with_name(f"{name}.html") for name in ("archive", "archive-day")}, given.to)


def _made(folder: Path) -> Path:
    from benchmarks.audit_archive import audited, make

    make(folder)
    audited(folder, folder.with_suffix(".html"))
    return folder


def take(pages: dict[str, Path], to: Path) -> None:
    """Open the pages in a headless Chromium and cut out what :data:`SHOTS` names."""
    from playwright.sync_api import sync_playwright

    path = os.environ.get("APERTRUE_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        for name, (page, scheme, width, first, last, opened) in SHOTS.items():
            tab = browser.new_page(color_scheme=scheme, viewport={"width": width, "height": 900})
            tab.goto(pages[page].as_uri())
            for i in range(opened):
                tab.locator("button.open").nth(i).click()
            tab.evaluate("scrollTo(0, 0)")
            image = tab.screenshot(full_page=True, clip=_clip(tab, width, first, last))
            target = to / f"report-{name}.png"
            _save(image, target)
            print(f"{target}: {target.stat().st_size // 1000} kB")
            tab.close()
        browser.close()


def _clip(tab: Any, width: int, first: str, last: str) -> dict[str, float]:
    def box(heading: str) -> dict[str, float]:
        section = tab.locator("section").filter(has=tab.get_by_role("heading", name=heading, level=2, exact=True))
        found: dict[str, float] = section.bounding_box()
        return found

    top, end = box(first), box(last)
    height = min(end["y"] + end["height"] - top["y"], _TALLEST)
    return {"x": 0, "y": max(top["y"] - 10, 0), "width": width, "height": height + 20}


def _save(image: bytes, target: Path) -> None:
    """As a PNG of few colors: a fifth of the bytes, and nobody sees it."""
    from PIL import Image

    with Image.open(io.BytesIO(image)) as shot:
        shot.convert("RGB").quantize(96, dither=Image.Dither.NONE).save(target, optimize=True)


if __name__ == "__main__":
    main()
