"""The session commands: what a person types, what is answered, and with which status."""

import json

import pytest
from typer.testing import CliRunner

from apertrue.cli.session import app
from damaged_tiff import spoil


@pytest.fixture
def type_in(tmp_path, monkeypatch):
    monkeypatch.setenv("APERTRUE_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.setenv("NO_COLOR", "1")
    runner = CliRunner()

    def run(*arguments, status=0):
        done = runner.invoke(app, [str(a) for a in arguments])
        assert done.exit_code == status, done.output
        return done.output

    return run


def test_without_a_log_the_way_to_start_is_told(type_in):
    assert "session add" in type_in("show", status=1)


def test_add_note_show_undo(type_in):
    assert "gun shift X +1.5, Y −2" in type_in("add", "nudge", "nudge_x=1,5", "nudge_y=-2", "--at", "00:01")
    assert "routine ended: hung" in type_in("add", "routine-end", "--outcome", "hung")
    assert "a b" in type_in("note", "a", "b", "--who", "Robin")
    assert "taken back" in type_in("undo", "1", "--why", "wrong axis")
    shown = type_in("show")
    assert "nudge_x" not in shown
    assert "+1.5" not in shown
    assert "hung" in shown
    everything = type_in("show", "--all")
    assert "(taken back) gun shift X +1.5" in everything
    assert "takes back 1" in everything
    rows = [json.loads(line) for line in type_in("show", "--json").splitlines()]
    assert [r["kind"] for r in rows] == ["routine-end", "note", "standing"]
    assert rows[-1]["basis"] == "none"
    assert rows[0]["outcome"] == "hung"


def test_all_that_changed_is_told(type_in):
    said = type_in("add", "state", "kv=200", "--changed", "emission", "--changed", "kv")
    assert "now high tension 200 kV; changed: emission." in said
    assert ": changed: monochromator." in type_in("add", "state", "--changed", "monochromator")
    assert ": now spot 4." in type_in("add", "state", "spot=4")


@pytest.mark.parametrize(
    "arguments",
    [
        ("add", "nudge"),
        ("add", "party", "x=1"),
        ("add", "nudge", "nudge_x=far"),
        ("add", "nudge", "nudge_x=nan"),
        ("add", "nudge", "colour=red"),
        ("add", "note", "note=x", "--at", "yesterday"),
        ("add", "routine-end", "--outcome", "great"),
        ("undo", "7"),
        ("show", "--day", "monday"),
        ("plot", "day.gif"),
    ],
)
def test_wrong_usage_is_told_and_adds_nothing(type_in, arguments):
    type_in("note", "first")
    type_in(*arguments, status=2)
    assert len(type_in("show", "--json", "--all").splitlines()) == 2


def test_a_kind_typed_wrongly_is_no_missing_file(type_in):
    for words in (("nugde",), ("nugde", "nudge_x=1")):
        said = type_in("add", *words, status=2)
        assert "'nugde' is no kind of entry and no picture. Did you mean nudge? Kinds: nudge," in said
    assert "there is no such file" in type_in("add", "nowhere.tif", status=1)


def test_columns_are_listed_with_units(type_in):
    rows = {r["name"]: r for r in map(json.loads, type_in("columns", "--json").splitlines())}
    assert rows["offset_percent"]["unit"] == "% of the aperture radius"
    assert rows["clock_correction_s"]["unit"] == "s"
    assert all(r["meaning"] for r in rows.values())


def test_an_unreadable_picture_is_told_and_the_status_says_so(type_in, tmp_path):
    bad = tmp_path / "bad.tif"
    bad.write_bytes(b"II*\0 no more")
    assert "bad.tif" in type_in("add", bad, status=1)


def test_csv_out_and_in(type_in, tmp_path, monkeypatch):
    type_in("note", "one")
    type_in("export", tmp_path / "a.csv")
    monkeypatch.setenv("APERTRUE_LOG", str(tmp_path / "second.sqlite"))
    assert "Added 1 entries; 0 were" in type_in("import", tmp_path / "a.csv")
    assert "Added 0 entries; 1 were" in type_in("import", tmp_path / "a.csv")
    type_in("export", tmp_path / "b.csv")
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()


@pytest.fixture
def damaged_stack(tmp_path):
    """Three pages, the second of which is damaged."""
    import tifffile

    from apertrue.microscope import VirtualMicroscope

    scope = VirtualMicroscope(seed=3, size=128)
    path = tmp_path / "stack.tif"
    with tifffile.TiffWriter(path) as tif:
        for _ in range(3):
            tif.write(scope.snapshot().pixels, compression="zlib", photometric="minisblack", metadata=None)
    spoil(path, 1)
    return path


def test_a_damaged_page_is_told_and_those_behind_it_are_added(type_in, damaged_stack):
    *rows, _ = [
        json.loads(line) for line in _lines(type_in("add", damaged_stack, "--json", status=1)) if line[0] == "{"
    ]
    assert [r["page"] for r in rows] == [0, 1, 2]
    assert ["error" in r and r["error"] is not None for r in rows] == [False, True, False]
    assert rows[1]["error"].startswith(f"{damaged_stack} page 1: this TIFF file is damaged")
    assert [r.get("added") for r in rows] == [True, None, True]
    assert "stack.tif page 1: this TIFF file is damaged" in type_in("add", damaged_stack, status=1)


def test_a_fault_of_ours_over_one_picture_lets_the_others_be_added(type_in, damaged_stack, monkeypatch):
    import apertrue.session.judging as judging

    whole = judging.judge

    def judge(frame, **more):
        if frame.page == 0:
            raise ZeroDivisionError("made up")
        return whole(frame, **more)

    monkeypatch.setattr(judging, "judge", judge)
    *rows, _ = [
        json.loads(line) for line in _lines(type_in("add", damaged_stack, "--json", status=1)) if line[0] == "{"
    ]
    assert [r.get("added") for r in rows] == [None, None, True]
    for words in (str(damaged_stack), "ZeroDivisionError: made up", "fault of apertrue; please report it"):
        assert words in rows[0]["error"]


def _lines(text):
    return [line for line in text.splitlines() if line]
