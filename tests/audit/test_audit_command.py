"""``apertrue audit`` from the command line."""

import json
from pathlib import Path

import pytest
from audit_samples import COLUMNS, QuickWork, stamp
from typer.testing import CliRunner

from apertrue.audit import read_csv
from apertrue.cli.audit import app


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Sixty files, judged by the quick stand-in; the working folder is empty."""
    from audit_samples import START

    folder = tmp_path / "pictures"
    folder.mkdir()
    for i in range(60):
        (folder / f"{i}.tif").write_bytes(b"%d" % i)
        stamp(folder / f"{i}.tif", START)
    monkeypatch.setattr("apertrue.audit.run.FileWork", lambda settings, **_: QuickWork())
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    monkeypatch.setenv("APERTRUE_INSTRUMENT", "")
    return folder


def call(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, [*arguments, "--workers", "0"])
    return result.exit_code, result.stdout, result.stderr


def test_table_files_and_report(folder: Path, tmp_path: Path) -> None:
    status, out, _ = call(str(folder), "--csv", "a.csv", "--json-lines", "a.jsonl", "--report", "a.html")
    rows = list(read_csv("a.csv"))
    failed = sum(r["error"] is not None for r in rows)
    assert failed > 0
    assert status == 1
    assert f"leave{' ' * 4}" in out.replace("  ", "    ")
    assert str(len(rows) - failed) in out
    assert [json.loads(line) for line in Path("a.jsonl").read_text(encoding="ascii").splitlines()] == rows
    assert "Audit of past sessions" in Path("a.html").read_text(encoding="utf-8")
    assert Path("apertrue-audit.sqlite").is_file()
    assert sorted(p.name for p in folder.iterdir()) == sorted(f"{i}.tif" for i in range(60)), "the archive was touched"


def test_files_that_are_no_pictures_by_their_names_are_no_errors(tmp_path: Path, folder: Path) -> None:
    day = tmp_path / "day"
    day.mkdir()
    (day / "3.tif").write_bytes(b"3")  # the stand-in can read it
    for name in ("README.md", "session.csv", "truth.json", "more.json"):
        (day / name).write_text("no picture", encoding="utf-8")
    told = "Left out, no pictures by their names: 4 files (2 × .json, 1 × .csv, 1 × .md)."
    status, out, err = call(str(day), "--csv", "a.csv", "--report", "a.html")
    assert (status, err) == (0, "")
    assert [row["file"] for row in read_csv("a.csv")] == ["3.tif"]
    assert told in out
    assert "no pictures by their names" in Path("a.html").read_text(encoding="utf-8")
    status, out, err = call(str(day), "--json")
    assert (status, len(out.splitlines())) == (0, 1)
    assert told in " ".join(err.split())


def test_why_all_is_judged_anew_is_told(folder: Path) -> None:
    _, _, first = call(str(folder))
    _, _, again = call(str(folder))
    _, _, other = call(str(folder), "--first-page", "--timezone", "Asia/Tokyo")
    assert first + again == ""
    assert "--first-page and the time zone changed" in " ".join(other.split())


def test_json_prints_only_rows(folder: Path) -> None:
    _, out, _ = call(str(folder), "--json", "--store", "s.sqlite")
    rows = [json.loads(line) for line in out.splitlines()]
    assert len(rows) >= 60
    assert set(COLUMNS) < set(rows[0])
    assert [r["file"] for r in rows] == sorted(r["file"] for r in rows)


def test_own_output_in_the_folder_is_left_out(folder: Path) -> None:
    for _ in range(2):
        call(str(folder), "--store", str(folder / "s.sqlite"), "--csv", str(folder / "a.csv"))
    assert {r["file"] for r in read_csv(folder / "a.csv")} == {f"{i}.tif" for i in range(60)}


def test_comparison_is_told(folder: Path) -> None:
    call(str(folder), "--csv", "before.csv")
    _, out, _ = call(str(folder), "--compare", "before.csv", "--report", "r.html")
    assert "Sessions, not pictures, are the independent units." in out
    assert "Compared with the other audit" in Path("r.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["none"], "none: there is no such file or folder"),
        (["x*.tif"], "no file matches this pattern"),
        ([".", "--sessions", "moon"], "gap, sheet or folder"),
        ([".", "--gap", "-1"], "above 0 h"),
        ([".", "--csv", "no/where/a.csv"], "there is no folder"),
    ],
)
def test_wrong_usage(folder: Path, arguments: list[str], words: str) -> None:
    status, out, err = call(*arguments)
    assert status == 2
    assert words in err
    assert out == ""


def test_a_store_that_is_none_is_left_alone(folder: Path) -> None:
    Path("s.sqlite").write_text("my letters", encoding="utf-8")
    result = CliRunner().invoke(app, [str(folder), "--store", "s.sqlite", "--workers", "0"])
    assert "no apertrue store" in str(result.exception)
    assert Path("s.sqlite").read_text(encoding="utf-8") == "my letters"


def test_help_has_examples() -> None:
    result = CliRunner().invoke(app, ["--help"])
    assert result.exit_code == 0
    assert "apertrue audit /archive/2026" in result.stdout
