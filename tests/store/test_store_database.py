"""The store under use: transactions, two writers, kills, and errors that say what to do."""

import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from apertrue.errors import StoreError
from apertrue.store import Migration, Store, open_store

ONE = Migration("log/0001-entries", ("create table entries (id integer primary key, who text, n integer)",))
TWO = Migration("log/0002-notes", ("alter table entries add column note text",))
OTHER = Migration("audit/0001-things", ("create table things (name text primary key, n integer)",))


def test_migrations_are_applied_once_and_in_order(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    with open_store(path, migrations=[ONE]) as store:
        store.insert("entries", {"who": "a", "n": 1})
        assert store.migrations == ("log/0001-entries",)
    with open_store(path, migrations=[ONE, TWO]) as store:
        assert store.migrations == ("log/0001-entries", "log/0002-notes")
        assert tuple(store.row("select who, n, note from entries")) == ("a", 1, None)


def test_two_rooms_share_a_file_without_knowing_each_other(tmp_path: Path) -> None:
    path = tmp_path / "both.sqlite"
    open_store(path, migrations=[ONE, TWO]).close()
    with open_store(path, migrations=[OTHER]) as store:
        assert store.migrations == ("audit/0001-things", "log/0001-entries", "log/0002-notes")


def test_a_failing_migration_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    broken = Migration("log/0002-broken", ("create table half (x)", "insert into nowhere values (1)"))
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        open_store(path, migrations=[ONE, broken])
    with open_store(path, migrations=[ONE]) as store:
        assert store.value("select count(*) from sqlite_master where name = 'half'") == 0


def test_a_migration_may_be_code(tmp_path: Path) -> None:
    def fill(db: sqlite3.Connection) -> None:
        db.executemany("insert into entries (n) values (?)", [(i,) for i in range(3)])

    with open_store(tmp_path / "s", migrations=[ONE, Migration("log/0002-fill", code=fill)]) as store:
        assert store.value("select sum(n) from entries") == 3


def test_names_of_migrations_carry_their_room() -> None:
    with pytest.raises(ValueError, match="room/number-words"):
        Migration("0001-entries")


def test_a_newer_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    open_store(path, migrations=[ONE, TWO]).close()
    before = path.read_bytes()
    with pytest.raises(
        StoreError, match=r"log\.sqlite: it was written by a newer apertrue .* Update apertrue"
    ) as caught:
        open_store(path, migrations=[ONE])
    assert caught.value.file == str(path)
    assert path.read_bytes() == before


def _insert_and_fail(store: Store, n: int) -> None:
    with store.transaction():
        store.insert("entries", {"n": n})
        raise RuntimeError


def test_a_transaction_is_all_or_nothing_and_may_be_nested(tmp_path: Path) -> None:
    with open_store(tmp_path / "s", migrations=[ONE]) as store:
        with pytest.raises(RuntimeError):
            _insert_and_fail(store, 1)
        assert store.value("select count(*) from entries") == 0
        with store.transaction():
            store.insert("entries", {"n": 1})
            with pytest.raises(RuntimeError):
                _insert_and_fail(store, 2)
            with store.transaction():
                store.insert("entries", {"n": 3})
        assert [r["n"] for r in store.rows("select n from entries order by n")] == [1, 3]


def test_helpers(tmp_path: Path) -> None:
    with open_store(tmp_path / "s", migrations=[OTHER]) as store:
        store.upsert("things", {"name": "a", "n": 1}, key=["name"])
        store.upsert("things", {"name": "a", "n": 2}, key=["name"])
        assert store.execute_many("insert into things values (?, ?)", [("b", 5), ("c", 6)]) == 2
        assert [tuple(r) for r in store.all("select * from things order by name")] == [("a", 2), ("b", 5), ("c", 6)]
        assert store.row("select * from things where name = 'z'") is None
        assert store.value("select n from things where name = 'z'", default=-1) == -1
        assert store.execute("delete from things where n > 2") == 2
        store.backup(tmp_path / "copy")
    with open_store(tmp_path / "copy", read_only=True) as copy:
        assert copy.value("select n from things") == 2
        with pytest.raises(StoreError, match=r"can't be written"):
            copy.execute("delete from things")


def test_foreign_keys_are_kept(tmp_path: Path) -> None:
    step = Migration("a/1", ("create table p (id integer primary key)", "create table c (p integer references p(id))"))
    with open_store(tmp_path / "s", migrations=[step]) as store, pytest.raises(sqlite3.IntegrityError):
        store.insert("c", {"p": 7})


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"this is a letter, not a database" * 50, "it is no apertrue store"), (None, "it is a folder")],
)
def test_what_is_no_store_is_named_and_left_alone(tmp_path: Path, content: bytes | None, words: str) -> None:
    path = tmp_path / "x"
    if content is None:
        path.mkdir()
    else:
        path.write_bytes(content)
    with pytest.raises(StoreError, match=words):
        open_store(path, migrations=[ONE])
    assert content is None or path.read_bytes() == content


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    db = sqlite3.connect(path)
    db.execute("create table theirs (x)")
    db.commit()
    db.close()
    with pytest.raises(StoreError, match="another program's database"):
        open_store(path, migrations=[ONE])


def test_a_missing_folder_and_a_missing_file_are_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="can't be opened"):
        open_store(tmp_path / "none" / "s", migrations=[ONE])
    with pytest.raises(StoreError, match="there is no such store"):
        open_store(tmp_path / "none", read_only=True)
    assert not (tmp_path / "none").exists()


def test_a_full_disk_is_said_and_nothing_saved_is_lost(tmp_path: Path) -> None:
    with open_store(tmp_path / "s", migrations=[ONE]) as store:
        store.insert("entries", {"who": "kept"})
        pages = store.value("pragma page_count")
        store.row(f"pragma max_page_count = {pages}")
        with pytest.raises(StoreError, match="the disk is full"):
            store.execute_many("insert into entries (who) values (?)", [("x" * 1000,)] * 200)
        assert store.value("select count(*) from entries") == 1


def test_a_writer_that_waits_too_long_says_so(tmp_path: Path) -> None:
    first, second = open_store(tmp_path / "s", migrations=[ONE]), open_store(tmp_path / "s", timeout_s=0.05)
    with first, second, first.transaction(), pytest.raises(StoreError, match="another program"):
        second.insert("entries", {"n": 1})


_WRITER = """
import sys
from apertrue.store import Migration, open_store
steps = [Migration("log/0001-entries", ("create table entries (who text, n integer)",)), Migration("log/0002-more")]
with open_store(sys.argv[1], migrations=steps, durable=False) as store:
    for i in range(60):
        with store.transaction():
            top = store.value("select coalesce(max(n), 0) from entries")
            store.insert("entries", {"who": sys.argv[2], "n": top + 1})
"""


def test_two_processes_open_and_write_at_once_without_loss(tmp_path: Path) -> None:
    path = str(tmp_path / "s")
    writers = [subprocess.Popen([sys.executable, "-c", _WRITER, path, who]) for who in "ab"]
    assert [w.wait() for w in writers] == [0, 0]
    with open_store(path) as store:
        # Each read the highest number and added one, within a transaction: a lost update would show as a double.
        assert [r[0] for r in store.rows("select n from entries order by n")] == list(range(1, 121))
        assert store.migrations == ("log/0001-entries", "log/0002-more")


_KILLED = """
import sys
from apertrue.store import Migration, open_store
store = open_store(sys.argv[1], migrations=[Migration("k/1", ("create table t (n integer)",))])
n = store.value("select coalesce(max(n), 0) from t")
while True:
    n += 1
    with store.transaction():
        store.execute("insert into t values (?)", (n,))
        store.execute("insert into t values (?)", (-n,))
    print(n, flush=True)
"""


def test_what_was_committed_survives_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "s"
    said = 0
    for _ in range(3):
        child = subprocess.Popen([sys.executable, "-c", _KILLED, str(path)], stdout=subprocess.PIPE, text=True)
        assert child.stdout is not None
        for _ in range(20):
            said = int(child.stdout.readline())
        if hasattr(signal, "SIGKILL"):
            os.kill(child.pid, signal.SIGKILL)
        else:
            child.kill()
        rest = child.stdout.read().split()
        child.stdout.close()
        child.wait()
        said = int(rest[-1]) if rest else said
        with open_store(path) as store:
            count, total, top = store.row("select count(*), sum(n), max(n) from t")
        assert total == 0, "half a transaction was kept"
        assert count == 2 * top
        assert top >= said, "something that was reported as saved is lost"


def test_an_error_that_has_its_own_words_keeps_them(tmp_path):
    from apertrue.errors import ReadError
    from apertrue.store.trouble import translated

    with pytest.raises(ReadError, match=r"a\.tif: torn"), translated(tmp_path / "x.sqlite"):
        raise ReadError("a.tif", "torn", "Save it again")
