"""How one picture walks, as the contributor guide tells it: each name is there, and is called in this order."""

import importlib
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from apertrue.cli import main

ROOT = Path(__file__).resolve().parents[2]


def walk() -> list[str]:
    """The dotted names of functions in the guide's walk, in its order."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    text = guide.partition("### How one picture walks")[2].partition("\nTwo things that surprise")[0]
    return re.findall(r"`([a-z_]+(?:\.\w+)+)`", text.replace("tests/architecture/test_walk.py", ""))


def function(name: str) -> Callable[..., Any]:
    """The function of a dotted name below the package: its module is the longest part that can be imported."""
    parts = name.split(".")
    for k in range(len(parts) - 1, 0, -1):
        try:
            found: Any = importlib.import_module(".".join(["apertrue", *parts[:k]]))
        except ModuleNotFoundError:
            continue
        for part in parts[k:]:
            found = getattr(found, part)
        return found
    raise AssertionError(f"there is no {name}")


def test_the_guides_walk_is_the_one_that_a_picture_takes(sample_images, tmp_path, monkeypatch, capsys) -> None:
    names = walk()
    assert len(names) >= 20
    codes = {function(name).__code__: name for name in names}
    called: list[str] = []

    def note(frame: Any, event: str, _arg: Any) -> None:
        if event == "call" and (name := codes.get(frame.f_code)) is not None and name not in called:
            called.append(name)

    monkeypatch.setenv("APERTRUE_LOG", str(tmp_path / "log.sqlite"))
    before = sys.getprofile()
    sys.setprofile(note)
    try:
        with pytest.raises(SystemExit) as ended:
            main(["assess", str(sample_images / "02-drifted.tif"), "--report", str(tmp_path / "page.html")])
    finally:
        sys.setprofile(before)
    assert not ended.value.code, capsys.readouterr().err
    assert called == names
