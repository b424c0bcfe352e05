"""``apertrue practice`` as typed."""

import json

import pytest
from typer.testing import CliRunner

from apertrue.cli.practice import app


def run(*arguments, typed=""):
    return CliRunner().invoke(app, list(arguments), input=typed)


def test_piped_commands_end_in_a_review_that_repeats():
    got = run("--seed", "3", "--no-picture", typed="look\ndo\nx 99999\nfoo\nmove 1 nan\ncurrent\nwait 5\ndone\n")
    assert got.exit_code == 0
    assert "Trial move: change gun shift X by +1.5" in got.output or "trial move: change gun shift X" in got.output
    assert "!" in got.output  # cautions
    assert "must lie between -100 and 100" in got.output
    assert "no such command" in got.output
    assert "'nan' is no number" in got.output
    assert "Advice alone" in got.output
    assert "apertrue practice --task creep --seed 3" in got.output


def test_json_prints_the_review_and_nothing_else():
    got = run("--seed", "3", "--json", typed="x 1,5\n")
    assert got.exit_code == 0
    record = json.loads(got.stdout)
    assert (record["task"], record["seed"], record["moves"], record["reached"]) == ("creep", 3, 1, False)
    assert record["advised"]["offset_percent"] <= 1.0


def test_pictures_are_drawn_and_written(tmp_path):
    got = run("--seed", "3", "--png", str(tmp_path / "png"), "--width", "30", typed="\nquit\n")
    assert got.exit_code == 0
    assert "@" in got.output
    assert "Advice alone" not in got.output
    from PIL import Image

    with Image.open(tmp_path / "png" / "practice-001.png") as image:
        assert image.size == (512, 512)


def test_a_practice_becomes_an_animation(tmp_path):
    place = tmp_path / "run" / "practice.gif"
    got = run("--seed", "3", "--no-picture", "--animation", str(place), typed="look\nx 3\nlook\nquit\n")
    assert got.exit_code == 0, got.output
    import imageio.v3

    frames = imageio.v3.imread(place)
    assert frames.shape[0] == 2
    assert frames.shape[2:] == (480, 3)
    assert abs(frames[0].astype(float) - frames[1]).max() > 50  # the beam moved
    assert run("--animation", str(tmp_path / "a.mp4")).exit_code == 2


@pytest.mark.parametrize("arguments", [("--task", "nothing"), ("--seed", "-1"), ("--width", "5")])
def test_wrong_usage_is_two(arguments):
    assert run(*arguments).exit_code == 2


def test_do_without_an_advised_move_is_told():
    got = run("--seed", "3", "--no-picture", typed="do\nquit\n")
    assert "no move is advised" in got.output
