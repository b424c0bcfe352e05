"""The command ``apertrue simulate``: files, truth beside them, and messages for wrong usage."""

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from apertrue.cli.simulate import app
from apertrue.readers import read_frame
from apertrue.simulate import Recipe
from apertrue.simulate.values import meanings, parse_values

SMALL = ["--set", "rows=96", "--set", "columns=96", "--set", "aperture_radius_px=36"]


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.mark.parametrize("form", ["tif", "png", "npy", "mrc"])
def test_picture_and_truth(tmp_path, form):
    result = run("--out", tmp_path, "--format", form, "--seed", 3, "--json", *SMALL)
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    path = tmp_path / f"both-edges-3-0000.{form}"
    beside = json.loads((tmp_path / "both-edges-3-0000.truth.json").read_text(encoding="utf-8"))
    assert record["offset_percent"] == beside["truth"]["offset_percent"] == pytest.approx(5.0)
    assert beside["recipe"]["rows"] == 96
    frame = read_frame(path)
    assert frame.shape == (96, 96)
    # Up is up in every file type: the beam lies above the middle.
    y, _ = np.nonzero(frame.pixels > 0.5 * float(frame.pixels.max()))
    assert y.mean() < 47.3


def test_same_seed_same_bytes(tmp_path):
    for name in ("a", "b"):
        assert (
            run("--out", tmp_path / name, "--kind", "clipped", "-n", 2, "--seed", 9, "--set", "rows=80").exit_code == 0
        )
    for path in sorted((tmp_path / "a").iterdir()):
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()
    assert len(list((tmp_path / "a").iterdir())) == 4


def test_color_and_jpeg_files(tmp_path):
    eight = ["--set", "bits=8", "--set", "gain=0.2", "--set", "bias=5"]
    assert run("--out", tmp_path, "--set", "color=green", *eight, *SMALL).exit_code == 0
    assert run("--out", tmp_path, "--set", "jpeg_quality=60", *eight, *SMALL).exit_code == 0
    assert read_frame(tmp_path / "both-edges-0-0000.png").color
    assert read_frame(tmp_path / "both-edges-0-0000.jpg").lossy


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--set", "offsetx=3"], "offset_x_percent"),
        (["--set", "gain"], "name=value"),
        (["--set", "gain=much"], "must be a number"),
        (["--set", "bits=12"], "bits must be 8, 16 or 32"),
        (["--set", "rows=10.5"], "whole number"),
        (["--kind", "nothing"], "no scene kind"),
        (["--kind", "beam-only"], "cannot sample"),
        (["--with", "fog"], "unknown nuisances"),
        (["--format", "gif"], "--format must be one of"),
        (["--format", "jpg"], "8 bits"),
    ],
)
def test_wrong_usage_is_explained(tmp_path, arguments, words):
    result = run("--out", tmp_path, *arguments)
    assert result.exit_code == 2
    assert words in result.stderr
    assert "Traceback" not in result.output


def test_list_names_all_parameters():
    result = run("--list")
    assert result.exit_code == 0
    for name in Recipe().to_dict():
        assert name in result.stdout
    assert set(meanings()) == set(Recipe().to_dict())
    assert all(meanings().values())


def test_parse_values():
    assert parse_values(["scale_bar=yes", "saturation=none", "text=a=b", "rows=64"]) == {
        "scale_bar": True,
        "saturation": None,
        "text": "a=b",
        "rows": 64,
    }
