"""How large and how quick the report of a big archive is: made-up rows in the number asked for, no pictures read.

Sessions of about ten pictures with drift, moves, recalls, currents; every third picture of something else. Prints the
page's size, the seconds to write it and, where a Chromium is found, the seconds until it stands on the screen.

    python benchmarks/report_size.py [--pictures 10000] [--quick]
"""

import argparse
import os
import shutil
import time
from datetime import UTC, datetime, timedelta
from math import atan2, degrees, hypot
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from apertrue.audit import EXPORT_COLUMNS
from apertrue.audit.reporting import render_rows
from apertrue.report.page import write_page
from apertrue.report.sketch import Outline, Sketch, small_jpeg

START = datetime(2025, 1, 6, 8, 0, tzinfo=UTC)
LIMIT_MB = 20.0


def rows(count: int, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Made-up rows of ``count`` pictures."""
    out: list[dict[str, Any]] = []
    session = 0
    while len(out) < count:
        begin = START + timedelta(hours=14.0 * session)
        gun, speed = rng.normal(0, 6.0, 2), rng.normal(0, 2.0, 2)
        focus = float(rng.choice([30.0, 34.0, 50.0, 80.0]))
        for k in range(int(rng.integers(8, 14))):
            when = begin + timedelta(minutes=25.0 * k)
            row = dict.fromkeys(EXPORT_COLUMNS) | {
                "file": f"{begin:%Y-%m-%d}/session {session:04d}/view {k:03d}.tif",
                "page": 0,
                "taken_at": when.isoformat(timespec="seconds"),
                "taken_at_source": "file",
                "session": f"{begin:%Y-%m-%d %H:%M}",
                "flags": [],
                "reasons": [],
                "verdict": "retake",
                "scene": "other-view",
            }
            if k % 3 != 2:
                x, y = gun + speed * k * 25 / 60
                d = hypot(x, y)
                score = 100 * max(1 - d / 160, 0.3)
                row |= {
                    "scene": "both-edges",
                    "scene_confidence": 0.99,
                    "verdict": "leave" if d <= 5 else "nudge" if d <= 25 else "auto",
                    "reasons": ["within-limits"] if d <= 5 else ["offset-over-leave", "cheapest"],
                    "setting": "low" if session % 2 else "high",
                    "gun_shift_x": 10.0,
                    "gun_shift_y": -5.0,
                    "gun_focus": focus,
                    "kv": 200.0,
                    "current_pa": float(20000 / focus * rng.normal(1, 0.03)),
                }
                measured = {
                    "offset_x_percent": x,
                    "offset_y_percent": y,
                    "offset_percent": d,
                    "offset_direction_deg": degrees(atan2(-y, x)) % 360,
                    "move_direction_deg": degrees(atan2(y, -x)) % 360,
                    "working_score": score,
                    "score": min(score + 5, 100.0),
                    "gap_percent": 20 - d,
                    "aperture_x_px": 500.0,
                    "aperture_y_px": 500.0,
                    "aperture_radius_px": 300.0,
                    "beam_radius_px": 240.0,
                }
                row |= {n: float(v) for n, v in measured.items()} | {f"{n}_sigma": 0.1 for n in measured}
            out.append(row)
        session += 1
    return out[:count]


class Sketches:
    """One noisy small picture of the audit's size for all: noise is what compresses worst."""

    def __init__(self, rng: np.random.Generator) -> None:
        y, x = np.mgrid[:160, :160]
        light = 80.0 + 900.0 * (np.hypot(x - 82, y - 78) < 42) + 60.0 * (np.hypot(x - 80, y - 80) < 52)
        self._image = small_jpeg(rng.normal(light, 12.0), 96)
        edges = (Outline("aperture", 80, 80, 52, 51.5, 30.0), Outline("beam", 82, 78, 42, 42, 0.0))
        self._outlines = Sketch(160, 160, edges).outlines_json()

    def of(self, number: int) -> tuple[str | None, bytes | None]:  # noqa: ARG002 the same for all
        """(outlines, image) of a row."""
        return self._outlines, self._image


def seconds_in_browser(page: Path) -> float | None:
    """From opening the page to its table standing; ``None`` without playwright or Chromium."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return None
    path = os.environ.get("APERTRUE_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    if path is None:
        return None
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        tab = browser.new_page()
        start = time.perf_counter()
        tab.goto(page.as_uri())
        tab.locator("#table tbody tr").first.wait_for()
        took = time.perf_counter() - start
        browser.close()
    return took


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Size and speed of the report of a big archive.")
    parser.add_argument("--pictures", type=int, action="append", help="how many; may be repeated")
    parser.add_argument("--quick", action="store_true", help="one thousand pictures only")
    options = parser.parse_args()
    counts = options.pictures or ([1000] if options.quick else [1000, 10_000, 20_000])
    print(f"{'pictures':>9} {'MB':>6} {'written in s':>13} {'open after s':>13}")
    with TemporaryDirectory() as folder:
        for count in counts:
            some = rows(count, np.random.default_rng(1))
            start = time.perf_counter()
            text = render_rows(some, sketches=Sketches(np.random.default_rng(2)), title="Made-up rows")
            path = write_page(Path(folder) / "report.html", text)
            wrote, size = time.perf_counter() - start, path.stat().st_size / 1e6
            opened = seconds_in_browser(path)
            shown = "" if opened is None else f"{opened:.1f}"
            print(
                f"{count:>9} {size:>6.1f} {wrote:>13.1f} {shown:>13}" + ("  over the limit" if size > LIMIT_MB else "")
            )


if __name__ == "__main__":
    main()
