"""The log: what is added stays, the same picture once, undo by adding."""

import sqlite3
from datetime import timedelta

import pytest

from apertrue.registry import FIELDS
from apertrue.session import EventKind, SessionError, add_event, add_picture, events, open_log, retract
from apertrue.session.words import COLUMNS
from apertrue.store import open_store


def test_every_kind_is_kept_with_time_and_zone(log, start, make_assessment):
    given = [
        ("state", {"kv": 200.0}, {}),
        ("nudge", {"nudge_x": 1.5}, {}),
        ("routine-start", {}, {}),
        ("routine-end", {}, {"outcome": "hung"}),
        ("recall", {"setting": "a"}, {}),
        ("service", {}, {}),
        ("note", {"note": "x"}, {}),
        ("current", {"current_pa": 24.5}, {}),
    ]
    for i, (kind, values, more) in enumerate(given):
        add_event(log, kind, start + timedelta(minutes=i), values=values, **more)
    add_picture(log, make_assessment(1.0, 2.0, at=start), start + timedelta(hours=1), digest="d")
    found = events(log)
    assert [str(e.kind) for e in found] == [k for k, _, _ in given] + ["picture"]
    assert found[1].get("nudge_x") == 1.5
    assert found[1].get("nudge_x_sigma") == 0.0
    assert found[3].outcome == "hung"
    assert found[-1].assessment.offset_x_percent == 1.0
    assert all(e.at.utcoffset() is not None for e in found)
    assert log.value("select at from log where kind = 'service'") == "2026-05-04T07:35:00+00:00"


@pytest.mark.parametrize(
    ("kind", "more", "text"),
    [
        ("nudge", {}, "the change made"),
        ("routine-end", {}, "an outcome"),
        ("recall", {}, "the setting's name"),
        ("note", {}, "a text"),
        ("current", {}, "a current"),
        ("state", {}, "what changed"),
        ("note", {"values": {"note": "x"}, "outcome": "done"}, "only the end of a routine run"),
        ("current", {"values": {"current_pa": -5.0}}, "current_pa is a number from 0 pA, not -5"),
        ("state", {"values": {"aperture_um": 70000.0}}, "aperture_um is a number above 0 and up to 1000 µm"),
        ("note", {"values": {"note": "x", "nonsense": 1}}, "no such field: nonsense"),
    ],
)
def test_entries_without_sense_are_refused(log, kind, more, text):
    with pytest.raises(SessionError, match=text):
        add_event(log, kind, **more)
    assert log.value("select count(*) from log") == 0


def test_the_same_picture_again_does_nothing(log, start, make_assessment):
    a = make_assessment(1.0, 2.0, at=start, file="a.tif")
    first, added = add_picture(log, a, start, digest="d")
    assert added
    again, added = add_picture(log, a, start, digest="d")
    assert not added
    assert again.id == first.id
    copied, added = add_picture(log, make_assessment(1.0, 2.0, at=start, file="copy/a.tif"), start, digest="d")
    assert not added
    assert copied.id == first.id
    touched = start + timedelta(hours=1)
    _, added = add_picture(log, make_assessment(1.0, 2.0, at=touched, file="a.tif"), touched, digest="d")
    assert not added
    _, added = add_picture(log, make_assessment(1.0, 2.0, at=start, page=1), start, digest="d")
    assert added  # another page of a stack
    frozen = start + timedelta(minutes=1)
    _, added = add_picture(log, make_assessment(1.0, 2.0, at=frozen, file="b.tif"), frozen, digest="d")
    assert added  # the same pixels later under another name: a frozen frame


def test_without_fingerprint_file_page_and_time_tell(log, start, make_assessment):
    a = make_assessment(1.0, 2.0, at=start)
    assert add_picture(log, a, start)[1]
    assert not add_picture(log, a, start)[1]
    later = start + timedelta(minutes=1)
    assert add_picture(log, make_assessment(1.0, 2.0, at=later), later)[1]


def test_undo_adds_and_redo_adds(log, start):
    entry = add_event(log, "note", start, values={"note": "typo"})
    back = retract(log, entry.id, why="typo")
    assert events(log) == []
    assert [e.id for e in events(log, all_entries=True)] == [entry.id, back.id]
    with pytest.raises(SessionError, match="taken back already"):
        retract(log, entry.uid)
    restored = retract(log, back.id)
    assert [e.id for e in events(log)] == [entry.id]
    with pytest.raises(SessionError, match="take it back anew"):
        retract(log, restored.id)
    retract(log, entry.id)
    assert events(log) == []
    assert log.value("select count(*) from log") == 4
    with pytest.raises(SessionError, match="no entry 99"):
        retract(log, 99)


def test_rows_can_neither_be_changed_nor_deleted(log, start):
    add_event(log, "note", start, values={"note": "x"})
    for sql in ("delete from log", "update log set note = 'y'"):
        with pytest.raises(sqlite3.IntegrityError, match="only grows"):
            log.execute(sql)


def test_identical_times_keep_the_order_of_adding(log, start):
    for i in range(5):
        add_event(log, "note", start, values={"note": str(i)})
    add_event(log, "note", start - timedelta(seconds=1), values={"note": "before"})
    assert [e.get("note") for e in events(log)] == ["before", "0", "1", "2", "3", "4"]


def test_a_period_is_half_open(log, start):
    for i in range(3):
        add_event(log, "note", start + timedelta(hours=i), values={"note": str(i)})
    found = events(log, since=start, until=start + timedelta(hours=2), kinds=[EventKind.NOTE])
    assert [e.get("note") for e in found] == ["0", "1"]


def test_the_file_documents_its_columns(log):
    have = {row["name"] for row in log.rows("select name from pragma_table_info('log')")}
    told = {row["name"] for row in log.rows("select name from columns where meaning <> ''")}
    assert have == told
    assert {c.name for c in COLUMNS} <= have
    assert {f.name for f in FIELDS} <= have
    assert {row["kind"] for row in log.rows("select kind from kinds")} == {str(k) for k in EventKind}


def test_an_older_file_gains_new_columns_and_keeps_its_rows(tmp_path, start):
    file = tmp_path / "old.sqlite"
    with open_log(file) as log:
        add_event(log, "note", start, values={"note": "x"})
    with open_store(file) as raw:  # a file from before the registry had unevenness
        raw.execute("drop view log_now")
        raw.execute("alter table log drop column unevenness_percent")
        raw.execute("create view log_now as select * from log")
    with open_log(file) as log:
        assert [e.get("note") for e in events(log)] == ["x"]
        assert "unevenness_percent" in {r["name"] for r in log.rows("select name from pragma_table_info('log')")}
        retract(log, 1)
        assert events(log) == []
