"""Names and texts that want to be more than that: a script, a formula, a path elsewhere."""

import csv
import io
import re
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
import tifffile
from benchmarks.faults.seeds import disc

from apertrue.cli import main

if sys.platform == "win32":
    pytest.skip("these names can't exist on this system", allow_module_level=True)

SCRIPT = "<script>alert(1)</script><img src=x onerror=alert(1)>"
FORMULA = "=HYPERLINK(1)"


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    return int(ended.value.code or 0)


@pytest.fixture
def hostile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the same picture under names that mean harm; run from there."""
    monkeypatch.chdir(tmp_path)
    pixels = disc()
    (tmp_path / "in").mkdir()
    for name in ('"><svg onload=alert(1)>.tif', f"{FORMULA}.tif", "x..\\..\\up.tif", "a\x1b[31mb.tif"):
        tifffile.imwrite(tmp_path / "in" / name, pixels, description=f"note = {SCRIPT}", metadata=None)
    return tmp_path


class _Harm(HTMLParser):
    """Collects what only the harm would have brought: attributes that run something, and its own script."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [f"{tag} {name}" for name, _ in attrs if name.startswith("on")]


def tags(page: str) -> list[str]:
    """What a page would run that is not ours."""
    reader = _Harm()
    reader.feed(page)
    return reader.found + re.findall("<script>alert", page)


def test_reports_and_overlays(hostile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("assess", hostile / "in", "--as-taken", "--report", "r.html", "--overlay", "o") == 0
    assert tags((hostile / "r.html").read_text(encoding="utf-8")) == []
    found = sorted(p.relative_to(hostile).as_posix() for p in hostile.rglob("*.png"))
    assert len(found) == 4
    assert all(re.fullmatch(r"o/[^/\\\n<>\"]+\.png", name) for name in found)
    said = capsys.readouterr()
    assert "\x1b" not in said.out + said.err  # a name moves no terminal
    # Nothing was written but what was asked for.
    assert {p.name for p in hostile.iterdir()} == {"in", "o", "r.html"}


def test_sheets_and_logs(hostile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("session", "add", hostile / "in", "--log", "l.sqlite", "--as-taken") == 0
    assert run("session", "note", f"{FORMULA} {SCRIPT}", "--log", "l.sqlite") == 0
    assert run("session", "handover", "--log", "l.sqlite", "--output", "h.html") == 0
    assert tags((hostile / "h.html").read_text(encoding="utf-8")) == []
    capsys.readouterr()
    assert run("session", "export", "l.csv", "--log", "l.sqlite") == 0
    text = (hostile / "l.csv").read_text(encoding="utf-8-sig") if (hostile / "l.csv").exists() else ""
    cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
    assert any(FORMULA in cell for cell in cells)
    numbers = re.compile(r"[-+]?[\d.]+(e[-+]?\d+)?$", re.IGNORECASE)
    risky = [c for c in cells if c[:1] in ("=", "+", "-", "@", "\t") and c != "-" and not numbers.match(c)]
    assert risky == []


def test_audits(hostile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        run("audit", hostile / "in", "--store", "a.sqlite", "--report", "a.html", "--csv", "a.csv", "--workers", 0) == 0
    )
    assert tags((hostile / "a.html").read_text(encoding="utf-8")) == []
    rows = list(csv.DictReader(io.StringIO((hostile / "a.csv").read_text(encoding="utf-8"))))
    assert len(rows) == 4
    assert not any(r["file"].startswith("=") or r["note"].startswith("=") for r in rows)
