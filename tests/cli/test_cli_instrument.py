"""``apertrue instrument``: writes, checks and shows the instrument file."""

import json
from pathlib import Path

from apertrue.instrument import Instrument, load_instrument


def test_it_writes_a_file_that_is_valid_and_never_overwrites_unasked(run, tmp_path: Path) -> None:
    file = tmp_path / "sub" / "lab.toml"
    done = run("instrument", file)
    assert done.status == 0
    assert str(file) in done.out
    assert load_instrument(file) == Instrument()
    file.write_text('name = "mine"\n', encoding="utf-8")
    refused = run("instrument", file)
    assert refused.status == 2
    assert "exists already" in refused.err
    assert load_instrument(file).name == "mine"
    assert run("instrument", file, "--force").status == 0
    assert load_instrument(file) == Instrument()


def test_it_checks_a_file_and_says_all_that_is_wrong(run, tmp_path: Path) -> None:
    file = tmp_path / "lab.toml"
    file.write_text('name = "mine"\n', encoding="utf-8")
    assert "valid (mine)" in run("instrument", "--check", file).out
    file.write_text("[limits]\noffset_leav = 3\nscore_leave = 'high'\n", encoding="utf-8")
    done = run("instrument", "--check", file)
    assert done.status == 1
    assert "did you mean limits.offset_leave?" in done.err
    assert "limits.score_leave" in done.err
    answer = json.loads(run("instrument", "--check", file, "--json").out)
    assert answer["valid"] is False
    assert len(answer["problems"]) == 2


def test_it_shows_what_is_in_use_and_where_from(run, tmp_path: Path, monkeypatch) -> None:
    assert "starting values" in run("instrument", "--show").out
    file = tmp_path / "lab.toml"
    file.write_text('name = "mine"\n[costs]\nauto_min = 2.0\n', encoding="utf-8")
    monkeypatch.setenv("APERTRUE_INSTRUMENT", str(file))
    text = run("instrument", "--show").out
    assert str(file) in text
    assert "auto_min = 2.0" in text
    shown = json.loads(run("instrument", "--show", "--json").out)
    assert (shown["file"], shown["name"], shown["costs"]["auto_min"]) == (str(file), "mine", 2.0)
