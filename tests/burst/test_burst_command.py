"""``apertrue assess … --combine`` as a user sees it, and stores made before the new fields."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile

from apertrue.cli import main
from apertrue.frame import Frame
from apertrue.registry import field_names


@pytest.fixture(scope="module")
def stack(tmp_path_factory: pytest.TempPathFactory, make_burst: Callable[..., list[Frame]]) -> Path:
    pixels = [f.pixels for f in make_burst(np.random.default_rng(11), 3)]
    path = tmp_path_factory.mktemp("burst") / "burst.tif"
    tifffile.imwrite(path, np.stack([*pixels, pixels[0]]), photometric="minisblack")
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    out, err = capsys.readouterr()
    return int(ended.value.code or 0), out, err


def test_each_page_and_then_all_together(stack: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page, overlays = tmp_path / "page.html", tmp_path / "overlays"
    code, out, _ = run(
        capsys, "assess", str(stack), "--combine", "--json", "--report", str(page), "--overlay", str(overlays)
    )
    rows = [json.loads(line) for line in out.splitlines()]
    assert code == 0
    assert [row["page"] for row in rows] == [0, 1, 2, 3, None]
    assert all(list(row) == list(field_names()) for row in rows)
    assert [row["frames_given"] for row in rows] == [None] * 4 + [4]
    assert rows[-1]["frames_used"] == 3
    assert rows[-1]["file"] == str(stack)
    assert rows[-1]["offset_percent_sigma"] < rows[0]["offset_percent_sigma"]
    assert all((row["beam_jitter_px"] is None) == (row["frames_given"] is None) for row in rows)
    assert "3 of 4 frames together" in page.read_text(encoding="utf-8")
    assert "4 pictures judged" in page.read_text(encoding="utf-8")
    assert (overlays / "burst.tif-combined.overlay.png").exists()


def test_in_words(stack: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "assess", str(stack), "--combine")
    assert code == 0
    assert "burst.tif page 3" in out
    assert "all together" in out
    assert "3 of 4 frames combined." in out
    assert "1 frame repeats an earlier one" in out


def test_other_scenes_are_not_combined(stack: Path, sample_images: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = sample_images / "08-dark.tif"
    code, out, err = run(capsys, "assess", str(stack), str(other), "--combine", "--json")
    assert code == 2
    assert len(out.splitlines()) == 5  # each picture is judged all the same
    assert "not combined: these are no frames of one scene: their sizes differ" in err
