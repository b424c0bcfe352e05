"""A store whose bytes were changed: a message that names it, and the file left as it is; wrong SQL is no damage."""

import sqlite3
from pathlib import Path

import pytest

from apertrue.errors import StoreError
from apertrue.store import Migration, open_store

ONE = Migration("log/0001-entries", ("create table entries (who text, note text)",))


def _made(path: Path) -> bytes:
    with open_store(path, migrations=[ONE]) as store:
        store.insert("entries", {"who": "operator", "note": "first entry"})
    db = sqlite3.connect(path)
    db.execute("pragma journal_mode = delete")
    db.close()
    return path.read_bytes()


def test_a_column_that_lost_its_name(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    path.write_bytes(_made(path).replace(b"note text)", b"nope text)"))
    with open_store(path, migrations=[ONE]) as store, pytest.raises(StoreError, match=r"log\.sqlite.*damaged"):
        store.all("select note from entries")


def test_text_that_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    path.write_bytes(_made(path).replace(b"first entry", b"first \xff\xfetry"))
    with open_store(path, migrations=[ONE]) as store, pytest.raises(StoreError, match=r"log\.sqlite"):
        list(store.rows("select note from entries"))


def test_wrong_sql_is_told_as_a_fault_of_the_program(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    _made(path)
    with open_store(path, migrations=[ONE]) as store, pytest.raises(sqlite3.OperationalError, match="nowhere"):
        store.value("select nowhere from entries")


def test_a_record_of_migrations_that_is_gone(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    path.write_bytes(_made(path).replace(b"log/0001-entries", b"lag/0001-entries"))
    with pytest.raises(StoreError, match=r"log\.sqlite.*damaged"):
        open_store(path, migrations=[ONE])


def test_an_entry_of_no_known_kind_is_damage(tmp_path: Path) -> None:
    from apertrue.session import add_event, events, open_log

    path = tmp_path / "day.sqlite"
    with open_log(path) as store:
        add_event(store, "note", values={"note": "x"})
        store.execute("drop trigger log_no_update")
        store.execute("update log set kind = 'nonsense'")
        with pytest.raises(StoreError, match=r"day\.sqlite.*damaged"):
            events(store)
