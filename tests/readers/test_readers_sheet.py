from datetime import UTC, datetime

import numpy as np
import pytest

from apertrue.errors import ReadError
from apertrue.frame import Frame, State
from apertrue.readers import ReadOptions, SheetRow, apply_sheet, read_sheet, sheet_misses
from apertrue.readers.sheet import COLUMNS, SYNONYMS

PICTURE = np.zeros((20, 20), np.uint8)


def sheet(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "session.csv"
    path.write_bytes(text.encode(encoding) if isinstance(text, str) else text)
    return path


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_forms(tmp_path, encoding, end, separator):
    lines = [
        "file,page,time,shift x,shift y,focus,current_pa,setting,note",
        "a.tif,2,2026-03-14T09:26:53+01:00,1.5,-2,40,2e3,morning,café",
        "",
        "b.tif,,,,,,,,",
    ]
    text = end.join(line.replace(",", separator) for line in lines) + end
    first, second = read_sheet(sheet(tmp_path, text, encoding))
    assert (first.file, first.page, first.line) == ("a.tif", 2, 2)
    assert first.taken_at.isoformat() == "2026-03-14T09:26:53+01:00"
    state = first.state
    assert (state.gun_shift_x, state.gun_shift_y, state.gun_focus, state.current_pa) == (1.5, -2.0, 40.0, 2000.0)
    assert (state.setting, state.note) == ("morning", "café")
    assert set(state.sources.values()) == {"sheet"}
    assert (second.file, second.page, second.taken_at, second.line) == ("b.tif", None, None, 4)
    assert second.state == State()


def test_decimal_comma_where_commas_do_not_part_columns(tmp_path):
    (row,) = read_sheet(sheet(tmp_path, "file;x;y\na.tif;1,5;−0,25\n"))
    assert (row.state.gun_shift_x, row.state.gun_shift_y) == (1.5, -0.25)
    (row,) = read_sheet(sheet(tmp_path, 'file,note\na.tif,"good, really"\n'))
    assert row.state.note == "good, really"


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "the file is empty"),
        ("\n\n", "the sheet is empty"),
        ("page,x\n1,2\n", "line 1: there is no column 'file'"),
        ("file,colour\na,b\n", "line 1, column 'colour': there is no such column"),
        ("file,x,shift x\na,1,2\n", "line 1, column 'shift x': gun_shift_x stands there twice"),
        ("file,x\na.tif,1\nb.tif,12a\n", "line 3, column 'gun_shift_x': '12a' is no number"),
        ("file,x\na.tif,1,5\n", "line 2 has 3 cells for 2 columns"),
        ('file,x\na.tif,"1,5"\n', "line 2, column 'gun_shift_x': '1,5' is no number"),
        ("file;x\na.tif;1.234,5\n", "line 2, column 'gun_shift_x': '1.234,5' is no number"),
        ("file,x\na.tif,nan\n", "'nan' is no number"),
        ("file,kv\na.tif,1e999\n", "line 2, column 'kv': '1e999' is out of range"),
        ("file,current_pa\na.tif,-3\n", "line 2, column 'current_pa': '-3' is out of range"),
        ("file,aperture_um\na.tif,70000\n", "line 2, column 'aperture_um': '70000' is out of range"),
        ("file,page\na.tif,1.5\n", "line 2, column 'page': '1.5' is no page"),
        ("file,page\na.tif,-1\n", "line 2, column 'page': '-1' is no page"),
        ("file,time\na.tif,3/4/26 9:00\n", "line 2, column 'taken_at': '3/4/26 9:00' is no date and time"),
        ("file,focus_side\na.tif,left\n", "line 2, column 'focus_side': 'left' is no side"),
        ("file,x\n,1\n", "line 2, column 'file': it is empty"),
        ('file,note\na.tif,"open\n', "line 2 is no CSV"),
        (b"file,note\na.tif,ok\nb.tif,caf\xe9\n", "line 3 is not UTF-8 text"),
    ],
)
def test_errors_name_file_line_column_and_what_is_allowed(tmp_path, text, match):
    path = sheet(tmp_path, text)
    with pytest.raises(ReadError) as caught:
        read_sheet(path)
    assert match in str(caught.value)
    assert caught.value.file == str(path)
    assert caught.value.remedy


def test_unknown_columns_list_the_allowed_ones(tmp_path):
    with pytest.raises(ReadError) as caught:
        read_sheet(sheet(tmp_path, "file,colour\n"))
    assert all(column in caught.value.remedy for column in COLUMNS)


def test_synonyms_lead_to_columns_and_none_is_lost(tmp_path):
    assert set(SYNONYMS.values()) <= set(COLUMNS)
    assert not set(SYNONYMS) & set(COLUMNS)
    for synonym, column in SYNONYMS.items():
        value = {"taken_at": "2026-03-14T09:26:53Z", "focus_side": "negative"}.get(column, "5")
        text = f"{synonym},page\n{value},1\n" if column == "file" else f"file,{synonym}\na,{value}\n"
        (row,) = read_sheet(sheet(tmp_path, text))
        assert row.file == ("5" if column == "file" else "a")
        assert (row.taken_at is not None) == (column == "taken_at")
        assert set(row.state.sources) == {column} - {"file", "taken_at"}


def test_times_take_the_given_zone(tmp_path):
    path = sheet(tmp_path, "file,time\na.tif,2026-07-01 12:00\n")
    (row,) = read_sheet(path, options=ReadOptions(timezone="Europe/Berlin"))
    assert row.taken_at.isoformat() == "2026-07-01T12:00:00+02:00"


def test_apply(tmp_path):
    text = "file,page,time,x,y,note\na.tif,,2026-03-14T09:00:00Z,1,2,all\na.tif,1,,3,,page one\nday2/b.tif,,,9,9,\n"
    rows = read_sheet(sheet(tmp_path, text))
    given = State().updated("file", gun_shift_x=7.0, kv=200.0)
    frame = Frame(PICTURE, file="/data/day1/a.tif", page=1, state=given, taken_at_source="file time")
    result = apply_sheet(frame, rows)
    assert result.taken_at == datetime(2026, 3, 14, 9, tzinfo=UTC)
    assert result.taken_at_source == "sheet"
    assert (result.state.gun_shift_x, result.state.gun_shift_y, result.state.note) == (3.0, 2.0, "page one")
    assert result.state.kv == 200.0
    assert result.state.sources["gun_shift_x"] == "sheet"
    assert result.state.sources["kv"] == "file"
    assert frame.state.gun_shift_x == 7.0
    other = apply_sheet(Frame(PICTURE, file="C:\\data\\a.tif", page=0), rows)
    assert (other.state.gun_shift_x, other.state.note) == (1.0, "all")


@pytest.mark.parametrize("file", ["/data/day1/b.tif", "xa.tif", None, "a.tif.bak"])
def test_rows_of_other_files_do_not_count(tmp_path, file):
    rows = read_sheet(sheet(tmp_path, "file,x\na.tif,1\nday2/b.tif,9\n"))
    frame = Frame(PICTURE, file=file)
    assert apply_sheet(frame, rows) is frame


def test_names_that_do_not_meet_are_said_and_a_part_of_a_sheet_is_none():
    rows = [SheetRow("a.tif", line=2), SheetRow("b.tif", line=3), SheetRow("x.tif", line=4)]
    assert sheet_misses("s.csv", rows, ["day/a.tif"]) is None
    assert sheet_misses("s.csv", rows[:1], ["day/a.tif", "day/b.tif"]) is None
    said = sheet_misses("s.csv", rows, ["day/a.tif", "day/c.tif"])
    assert "no row of it fits day/c.tif. Rows without a picture here: line 3 (b.tif), line 4 (x.tif)." in said
    many = [SheetRow(f"{n}.tif", line=n) for n in range(2, 9)]
    assert "line 4 (4.tif) and 4 more" in sheet_misses("s.csv", many, ["c.tif"])
