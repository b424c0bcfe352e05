"""CSV out and in: exact round trip, other people's sheets, names masked."""

import io
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from apertrue.errors import ReadError
from apertrue.session import add_event, add_picture, events, open_log, retract
from apertrue.session.sheet import export_csv, import_csv

BERLIN = ZoneInfo("Europe/Berlin")


def _export(store, **how):
    out = io.StringIO(newline="")
    export_csv(store, out, **how)
    return out.getvalue()


def _import(store, path, text):
    path.write_text(text, encoding="utf-8", newline="")
    return import_csv(store, path, zone=BERLIN)


def test_round_trip_is_exact(log, day_filler, tmp_path):
    day_filler(log)
    retract(log, 3)
    text = _export(log)
    with open_log(tmp_path / "second.sqlite", durable=False) as second:
        added, there = _import(second, tmp_path / "day.csv", text)
        assert (added, there) == (log.value("select count(*) from log"), 0)
        assert _export(second) == text
        rows = "select * from log order by id"
        skip = {"id"}
        for a, b in zip(log.rows(rows), second.rows(rows), strict=True):
            assert {k: a[k] for k in a.keys() if k not in skip} == {k: b[k] for k in b.keys() if k not in skip}  # noqa: SIM118
        assert [e.uid for e in events(log)] == [e.uid for e in events(second)]
        assert _import(second, tmp_path / "day.csv", text) == (0, added)


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(
            st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\0"), min_size=1),
            st.floats(allow_nan=False, allow_infinity=False),
        ),
        min_size=1,
        max_size=30,
    )
)
@example([("\r", -0.0), ("\n\r\n", 5e-324), ('"', 1e308), ("-", 0.1), (";,", 1 / 3), ("=1+1", 2.0), ("\ufeff", 0.0)])
def test_any_text_and_number_survive(tmp_path, pairs):
    with open_log(":memory:") as a, open_log(":memory:") as b:
        with a.transaction():
            for text, number in pairs:
                add_event(a, "state", values={"gun_focus": number, "note": text})
        _import(b, tmp_path / "x.csv", _export(a))
        assert [(e.get("note"), e.get("gun_focus")) for e in events(b)] == pairs


def test_an_empty_list_is_not_an_unknown_one(log, make_assessment, start, tmp_path):
    add_picture(log, make_assessment(1, 1, flags=()), start, digest="a")
    add_picture(log, make_assessment(1, 1, flags=None), start, digest="b")
    with open_log(tmp_path / "b.sqlite") as second:
        _import(second, tmp_path / "x.csv", _export(log))
        assert [e.assessment.flags for e in events(second)] == [(), None]


def test_a_sheet_of_ones_own_needs_time_and_kind_only(log, tmp_path):
    sheet = "at;kind;nudge_x;note\n2026-05-04 09:30;nudge;1.5;\n2026-05-04T10:00+00:00;note;;warm today\n"
    assert _import(log, tmp_path / "own.csv", sheet) == (2, 0)
    assert _import(log, tmp_path / "own.csv", sheet) == (0, 2)
    assert [e.at.isoformat() for e in events(log)] == ["2026-05-04T09:30:00+02:00", "2026-05-04T10:00:00+00:00"]


def test_two_equal_rows_are_two_entries(log, tmp_path):
    sheet = "at,kind,nudge_x\n2026-05-04 09:30,nudge,1.5\n2026-05-04 09:30,nudge,1.5\n"
    assert _import(log, tmp_path / "own.csv", sheet) == (2, 0)
    assert _import(log, tmp_path / "own.csv", sheet) == (0, 2)


@pytest.mark.parametrize(
    ("sheet", "text"),
    [
        ("kind,note\nnote,x\n", "no column at"),
        ("at,kind,colour\n2026-05-04 09:30,note,x\n", "unknown column colour"),
        ("at,kind,note\n2026-05-04 09:30,note,x\nyesterday,note,y\n", "row 3: yesterday: no time"),
        ("at,kind,nudge_x\n2026-05-04 09:30,nudge,far\n", "row 2: nudge_x: 'far' is no number"),
        ("at,kind\n2026-05-04 09:30,party\n", "row 2: kind 'party'"),
        ("at,kind,note\n2026-03-29 02:30,note,x\n", "does not exist"),
        ("at,kind,note\n2026-10-25 02:30,note,x\n", "happens twice"),
    ],
)
def test_a_wrong_sheet_names_the_row_and_adds_nothing(log, tmp_path, sheet, text):
    with pytest.raises(ReadError, match=text):
        _import(log, tmp_path / "own.csv", sheet)
    assert log.value("select count(*) from log") == 0


def test_a_picture_is_no_sheet(log, tmp_path):
    (tmp_path / "x.csv").write_bytes(b"\x89PNG\r\n\x1a\n\xff\xfe")
    with pytest.raises(ReadError, match=r"x\.csv"):
        import_csv(log, tmp_path / "x.csv", zone=BERLIN)


def test_masked_leaves_names_and_folders_out(log, day_filler, make_assessment, start):
    day_filler(log)
    add_picture(log, make_assessment(1, 1, file="C:\\Users\\robin\\snap.tif"), start, digest="z", who="Robin Example")
    plain, masked = _export(log), _export(log, masked=True)
    assert "Robin" in plain
    assert "Users" in plain
    assert "Robin" not in masked
    assert "Example" not in masked
    assert "Users" not in masked
    assert "robin" not in masked
    assert "[name] saw the screen flicker" in masked
    assert "snap.tif" in masked
