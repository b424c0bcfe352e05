"""The sample pictures are what their README, truth and sheet say, and the script makes the same ones again."""

import importlib.util
import json
import re
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from apertrue.readers import read_frames, read_sheet
from apertrue.registry import FLAGS, SceneKind, field_names

FOLDER = Path(__file__).resolve().parents[2] / "sample_images"
TRUTH = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
#: Flags that are no matter of one picture's pixels.
CONTEXT = {"stale", "state-changed", "frozen"}


def pictures():
    return sorted(p for p in FOLDER.iterdir() if p.suffix in (".tif", ".png", ".jpg", ".npy", ".mrc"))


def test_every_picture_is_read_and_has_a_truth():
    files = pictures()
    assert len(files) >= 16
    assert {p.name for p in files} == set(TRUTH)
    assert sum(p.stat().st_size for p in FOLDER.iterdir() if p.is_file()) < 12e6
    for path in files:
        for frame in read_frames(path):
            assert frame.pixels.size > 10_000


def test_every_kind_and_every_flag_is_shown():
    entries = [t for truth in TRUTH.values() for t in truth.get("pages", [truth])]
    kinds = {t["scene"] for t in entries}
    # Whether a lone beam's edge is `beam-only` is no matter of the picture but of a remembered aperture.
    assert kinds == {str(k) for k in SceneKind} - {"beam-only"}
    assert {f for t in entries for f in t.get("must_flags", [])} >= set(FLAGS) - CONTEXT - {
        "creeping",  # told of several frames judged together
        "followed",  # told by a watch
    }
    stack = list(read_frames(FOLDER / "20-creep-stack.tif"))
    assert len(stack) == 5
    assert stack[3].digest == stack[4].digest != stack[2].digest


def test_sheet_fits_the_pictures():
    rows = read_sheet(FOLDER / "session.csv")
    assert {row.file for row in rows} <= set(TRUTH)
    times = [row.taken_at for row in rows]
    assert all(t.utcoffset() == timedelta(hours=1) for t in times)
    assert times == sorted(times)
    by_file = {row.file: row.state for row in rows}
    before, x, y = (by_file[f] for f in ("31-before.tif", "32-x-moved.tif", "33-y-moved.tif"))
    assert x.gun_shift_x - before.gun_shift_x == pytest.approx(-2)
    assert y.gun_shift_y - x.gun_shift_y == pytest.approx(-2)
    moved = TRUTH["32-x-moved.tif"]["offset_x_percent"] - TRUTH["31-before.tif"]["offset_x_percent"]
    assert moved == pytest.approx(-2 * 3.1, abs=0.1)


def test_readme_repeats_the_truth():
    text = (FOLDER / "README.md").read_text(encoding="utf-8").replace("−", "-")
    for name, truth in TRUTH.items():
        line = re.search(rf"^\| `{re.escape(name)}` \| ([\w-]+) \|.*", text, re.MULTILINE)
        assert line, name
        if "pages" in truth:
            continue
        assert line[1] == truth["scene"], name
        if truth["scene"] in ("both-edges", "clipped"):
            offset, direction, gap, cut = (float(c) for c in line[0].strip("| ").split("|")[4:])
            assert offset == pytest.approx(truth["offset_percent"], abs=0.006)
            assert direction == pytest.approx(truth["offset_direction_deg"], abs=0.51)
            assert gap == pytest.approx(truth["gap_percent"], abs=0.051)
            assert cut == pytest.approx(truth["clipped_fraction"], abs=6e-4)


def test_truth_has_the_fields_names():
    extra = {"allowed_kinds", "must_be_null", "must_flags", "may_flags", "sign_known"}
    for truth in TRUTH.values():
        for entry in truth.get("pages", [truth]):
            assert set(entry) - extra <= set(field_names())


@pytest.mark.parametrize("name", ["02-drifted.tif", "09-green-screen.png", "07-crossover.mrc", "23-diffraction.tif"])
def test_the_script_makes_the_same_picture(name):
    spec = importlib.util.spec_from_file_location("sample_maker", FOLDER / "make.py")
    script = importlib.util.module_from_spec(spec)
    import sys

    before = list(sys.path)
    sys.modules["sample_maker"] = script
    try:
        spec.loader.exec_module(script)
        sample = next(s for s in script.SAMPLES if s.file == name)
        picture, truth = script.make(sample)
        assert script._same(FOLDER / name, picture)
        assert not script._same(FOLDER / name, np.roll(picture, 1, axis=0))
        for key, value in truth.items():
            if isinstance(value, float):
                assert TRUTH[name][key] == pytest.approx(value, rel=1e-9, abs=1e-9)
    finally:
        sys.path[:] = before
        del sys.modules["sample_maker"]
