"""The log's tables: one row an event, columns named as everywhere, each documented in the file itself."""

import sqlite3

from ..registry import FIELDS
from ..store import Migration, Store, add_missing_columns, columns_sql, missing_columns
from .words import COLUMNS, EVENT_WORDS

_OWN = ", ".join(f'"{c.name}" {c.sql}' for c in COLUMNS)

#: Entries that were not taken back. A retraction that was itself taken back counts no more.
_VIEW = """
create view log_now as select * from log as e
where kind <> 'retraction' and not exists (
  select 1 from log as r where r.retracts = e.uid
  and not exists (select 1 from log as q where q.retracts = r.uid))
order by at_s, id
"""


_COLUMN_SQL = "insert or replace into columns (name, unit, meaning) values (?, ?, ?)"


def _columns() -> list[tuple[str, str, str]]:
    rows = [(c.name, c.unit, c.meaning) for c in COLUMNS]
    for f in FIELDS:
        rows.append((f.name, f.unit, f.meaning))
        if f.measured:
            rows.append((f.name + "_sigma", f.unit, f"1σ standard uncertainty of {f.name}"))
    return rows


def _describe(db: sqlite3.Connection) -> None:
    db.executemany(_COLUMN_SQL, _columns())
    db.executemany(
        "insert or replace into kinds (kind, meaning) values (?, ?)", [(str(k), w) for k, w in EVENT_WORDS.items()]
    )


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        "session/0001-log",
        (
            f"create table log ({_OWN}, {columns_sql()})",
            "create index log_time on log (at_s, id)",
            "create index log_digest on log (digest) where digest is not null",
            "create index log_retracts on log (retracts) where retracts is not null",
            "create table columns (name text primary key, unit text not null, meaning text not null) without rowid",
            "create table kinds (kind text primary key, meaning text not null) without rowid",
            # Rows are never changed or deleted: undoing adds a row.
            "create trigger log_no_delete before delete on log begin select raise(abort, 'the log only grows'); end",
            "create trigger log_no_update before update on log begin select raise(abort, 'the log only grows'); end",
            _VIEW,
        ),
        _describe,
    ),
)


def grow(store: Store) -> None:
    """Give an older file the columns of fields that the registry has gained since, and their meanings."""
    if not missing_columns(store, "log"):
        return
    with store.transaction():
        add_missing_columns(store, "log")
        store.execute("drop view log_now")
        store.execute(_VIEW)
        store.execute_many(_COLUMN_SQL, _columns())
