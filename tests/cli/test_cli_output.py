"""Printing: JSON lines that read back exactly, tables that never cut a number, errors in words."""

import json
import math
from io import BytesIO, TextIOWrapper
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apertrue.cli import _output
from apertrue.errors import InstrumentError, MissingExtraError, ReadError, StoreError


@given(st.dictionaries(st.text(), st.one_of(st.floats(), st.integers(), st.text(), st.none(), st.booleans())))
def test_json_lines_read_back_exactly_with_null_for_what_is_no_number(record: dict[str, object]) -> None:
    line = _output.json_line(record)
    assert line.isascii()
    assert "\n" not in line
    expected = {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in record.items()}
    assert json.loads(line) == expected


def test_json_of_numpy_dates_and_paths() -> None:
    record = {"a": np.float64(0.1), "b": np.array([1.0, np.nan]), "c": Path("x.tif"), "d": {"z", "y"}, "e": (1, 2)}
    assert json.loads(_output.json_line(record)) == {
        "a": 0.1,
        "b": [1.0, None],
        "c": "x.tif",
        "d": ["y", "z"],
        "e": [1, 2],
    }


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437", "latin-1", "utf-8"])
def test_no_character_can_break_a_console(monkeypatch: pytest.MonkeyPatch, encoding: str) -> None:
    raw = BytesIO()
    monkeypatch.setattr("sys.stdout", TextIOWrapper(raw, encoding=encoding))
    _output.prepare_streams()
    text = "5.0 ± 0.2 % ↗ 37° 70 µm −3 σ ≤ 1 … 名 \udc80"
    _output.print_text(text)
    __import__("sys").stdout.flush()
    written = raw.getvalue().decode(encoding)
    if encoding == "ascii":
        assert written == "5.0 +/- 0.2 % up right 37 deg 70 um -3 sigma <= 1 ... ? ?\n"
    assert "5.0" in written
    assert "37" in written


def test_the_plain_spelling_comes_before_the_layout(monkeypatch: pytest.MonkeyPatch) -> None:
    """A spelling longer than its sign must not push values past their headings, nor lines past their length."""
    raw = BytesIO()
    monkeypatch.setattr("sys.stdout", TextIOWrapper(raw, encoding="ascii"))
    monkeypatch.delenv("COLUMNS", raising=False)
    _output.print_table(["offset", "lies"], [["5.0 ± 0.2", "↗ 37°"], ["11.0 ± 0.2", "—"]], right=(0, 1))
    _output.print_text(_output.wrapped("± 1σ " * 40, "  ", "    "))
    __import__("sys").stdout.flush()
    lines = raw.getvalue().decode("ascii").splitlines()
    assert len({len(line) for line in lines[:4]}) == 1
    assert lines[2].endswith(" 5.0 +/- 0.2  up right 37 deg")
    assert all(len(line) <= 100 for line in lines)
    assert "+/- 1 sigma" in lines[4]


@pytest.mark.parametrize("columns", [40, 60, 250])
def test_sentences_fit_the_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    """Not only the reader's eye: a terminal breaks a line amid a word."""
    monkeypatch.setenv("COLUMNS", str(columns))
    text = (
        "  The offset is 11.238 ± 0.014 % of the aperture radius; the-long-name-of-a-file.tif says so, again and again."
    )
    _output.print_text(text)  # to a file or a pipe: as it is
    assert capsys.readouterr().out == text + "\n"
    assert max(map(len, _output.wrapped(text * 3).splitlines())) <= min(columns, 100)
    monkeypatch.setattr(_output.sys.stdout, "isatty", lambda: True, raising=False)
    _output.print_text(text)
    lines = capsys.readouterr().out.splitlines()
    assert all(len(line) <= columns and line.startswith("  ") for line in lines)
    assert " ".join(line.strip() for line in lines) == text.strip()


def test_plain_tables_are_aligned(capsys: pytest.CaptureFixture[str]) -> None:
    _output.print_table(["name", "value"], [["a", "1.0"], ["long name", "10.0"]], right=(1,), title="T")
    assert capsys.readouterr().out.splitlines() == [
        "T",
        "name       value",
        "---------  -----",
        "a            1.0",
        "long name   10.0",
    ]


def test_numbers_have_true_minus_signs_and_names_keep_their_hyphens(capsys: pytest.CaptureFixture[str]) -> None:
    _output.print_table(["name", "x"], [["scan -3.tif", "-1.20 ± 0.10"]], right=(1,))
    _output.print_sentence("turn X by -3.2 (to -.5), not past 2026-03-02")
    _output.print_text("kept in run -7.json")
    table, said, place = capsys.readouterr().out.splitlines()[-3:]
    assert table == "scan -3.tif  −1.20 ± 0.10"
    assert said == "turn X by −3.2 (to −.5), not past 2026-03-02"
    assert place == "kept in run -7.json"


@pytest.mark.parametrize("columns", [30, 60, 200])
def test_on_a_terminal_of_any_width_no_number_is_cut(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("COLUMNS", str(columns))
    numbers = [f"{n}.12345 ± 0.00001" for n in range(4)]
    row = ["a rather long name of a picture.tif", "nudge", *numbers]
    _output.print_table(["picture", "verdict", *"abcd"], [row], right=range(2, 6), styles={1: _output.VERDICT_STYLES})
    out = capsys.readouterr().out
    for number in numbers:
        assert number in out
    assert "\x1b[" in out
    assert "nudge" in out


def test_no_color_is_respected(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("NO_COLOR", "1")
    _output.print_table(["a"], [["nudge"]], styles={0: _output.VERDICT_STYLES})
    assert "\x1b" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("error", "words", "status"),
    [
        (ReadError("a.tif", "it is empty", "Save it again"), "a.tif: it is empty. Save it again", 1),
        (InstrumentError("lab.toml: limits.x is no key"), "lab.toml: limits.x is no key", 2),
        (StoreError("log.db", "it is locked", "Close the other program"), "log.db: it is locked", 1),
        (MissingExtraError("dask", "A cluster"), 'python -m pip install ".[dask]"', 2),
        (FileNotFoundError(2, "No such file", "b.tif"), "b.tif: there is no such file or folder", 1),
        (PermissionError(13, "Permission denied", "c.tif"), "c.tif: no permission", 1),
        (OSError(28, "No space left on device", "d.png"), "d.png: No space left on device", 1),
        (MemoryError(), "not enough memory", 1),
        (ZeroDivisionError("division by zero"), "unexpected ZeroDivisionError: division by zero", 1),
    ],
)
def test_errors_become_words(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, error: Exception, words: str, status: int
) -> None:
    monkeypatch.delenv("APERTRUE_DEBUG", raising=False)
    _output.report_error(error)
    err = capsys.readouterr().err
    assert words in err
    assert err.startswith("apertrue: ")
    assert "Traceback" not in err
    assert _output.exit_status_of(error) == status


def test_a_developer_may_ask_for_the_traceback(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("APERTRUE_DEBUG", "1")
    try:
        raise ZeroDivisionError("here")
    except ZeroDivisionError as error:
        _output.report_error(error)
    assert "Traceback" in capsys.readouterr().err
