"""Makes the samples importable, and gives a headless Chromium where there is one."""

import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))


def _chromium() -> str | None:
    named = os.environ.get("APERTRUE_CHROMIUM")
    return named or shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A headless browser; tests that need it are skipped by name where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="browser: needs playwright")
    path = _chromium()
    if path is None:
        pytest.skip("browser: no Chromium found (install chromium, or set APERTRUE_CHROMIUM)")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


class Opened:
    """A page opened from a file, with everything it complained about or asked for."""

    def __init__(self, browser: Any, path: Path, **context: Any) -> None:
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.context = browser.new_context(**context)
        self.page = self.context.new_page()
        self.page.on("console", lambda m: self.complaints.append(m.text) if m.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))
        self.page.on("dialog", lambda d: (self.complaints.append(f"dialog {d.message}"), d.dismiss()))
        self.page.on("request", lambda r: self.requests.append(r.url))
        self.page.goto(path.as_uri())

    @property
    def outside_requests(self) -> list[str]:
        """What the page asked for beside itself and its inline pictures."""
        return [u for u in self.requests[1:] if not u.startswith("data:")]


@pytest.fixture
def open_page(chromium: Any) -> Iterator[Any]:
    """A function: path → :class:`Opened`."""
    opened: list[Opened] = []

    def open_(path: Path, **context: Any) -> Opened:
        opened.append(Opened(chromium, path, **context))
        return opened[-1]

    yield open_
    for one in opened:
        one.context.close()
