"""Named migrations: each is applied once, together with its record, in one transaction.

A name is ``room/number-words`` (``audit/0001-pictures``). Rooms share a file without knowing each other; a file is too
new for this program when it holds a migration of one of *our* rooms that we do not know.
"""

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from .._version import __version__
from ..errors import StoreError

_TABLE = """
create table if not exists _migrations (
  name text primary key,
  program text not null,
  applied_at text not null default (strftime('%Y-%m-%dT%H:%M:%SZ', 'now'))
) without rowid
"""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of a room's tables.

    Attributes:
        name: ``room/number-words``; never renamed once released.
        statements: SQL, each a single statement.
        code: instead of or after the statements: a function of the connection (no commit inside).
    """

    name: str
    statements: tuple[str, ...] = ()
    code: Callable[[sqlite3.Connection], None] | None = None

    def __post_init__(self) -> None:
        if self.name.count("/") != 1 or self.name.startswith("/"):
            raise ValueError(f"a migration is named room/number-words, got {self.name!r}")

    @property
    def room(self) -> str:
        """The room whose tables it changes."""
        return self.name.partition("/")[0]


def applied_migrations(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Names of the migrations that the file has, in order of their names; empty for a new file."""
    if not connection.execute("select 1 from sqlite_master where name = '_migrations'").fetchone():
        return ()
    return tuple(str(row[0]) for row in connection.execute("select name from _migrations order by name"))


def check_not_newer(connection: sqlite3.Connection, migrations: Iterable[Migration], file: str) -> None:
    """Raise :class:`StoreError` when the file was written by a newer program than this one."""
    known = {m.name for m in migrations}
    rooms = {m.room for m in migrations}
    unknown = [n for n in applied_migrations(connection) if n.partition("/")[0] in rooms and n not in known]
    if unknown:
        program = connection.execute("select program from _migrations where name = ?", (unknown[-1],)).fetchone()[0]
        raise StoreError(
            file,
            f"it was written by a newer apertrue ({program}; this is {__version__})",
            "Update apertrue, or name a new file; this one is left as it is.",
        )


def migrate(connection: sqlite3.Connection, migrations: tuple[Migration, ...]) -> tuple[str, ...]:
    """Apply what the file lacks, in the order given; returns the names applied now.

    The connection is in autocommit mode. Two programs that open a new file at once are safe: each step takes the write
    lock first and then looks again whether it is still needed.
    """
    done: list[str] = []
    have = set(applied_migrations(connection))
    for migration in migrations:
        if migration.name in have:
            continue
        connection.execute("begin immediate")
        try:
            connection.execute(_TABLE)
            if not connection.execute("select 1 from _migrations where name = ?", (migration.name,)).fetchone():
                for statement in migration.statements:
                    connection.execute(statement)
                if migration.code is not None:
                    migration.code(connection)
                connection.execute(
                    "insert into _migrations (name, program) values (?, ?)", (migration.name, __version__)
                )
                done.append(migration.name)
            connection.execute("commit")
        except BaseException:
            if connection.in_transaction:
                connection.execute("rollback")
            raise
    return tuple(done)
