"""The log's tables: one row an event, columns named as everywhere, each documented in the file itself."""

import sqlite3

from ..registry import FIELDS
from ..store import Migration, assessment_columns, columns_sql
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


def _describe(db: sqlite3.Connection) -> None:
    rows = [(c.name, c.unit, c.meaning) for c in COLUMNS]
    for f in FIELDS:
        rows.append((f.name, f.unit, f.meaning))
        if f.measured:
            rows.append((f.name + "_sigma", f.unit, f"1σ standard uncertainty of {f.name}"))
    db.executemany("insert or replace into columns (name, unit, meaning) values (?, ?, ?)", rows)
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


def add_missing_columns(db: sqlite3.Connection) -> None:
    """Give an older file the columns of fields that the registry has gained since; nothing is taken away."""
    have = {row[1] for row in db.execute("pragma table_info(log)")}
    missing = [(name, kind) for name, kind in assessment_columns() if name not in have]
    if not missing:
        return
    for name, kind in missing:
        db.execute(f'alter table log add column "{name}" {kind}')
    db.execute("drop view log_now")
    db.execute(_VIEW)
    _describe(db)
