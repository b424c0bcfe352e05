"""One connection to a store file: opening, transactions and small helpers."""

import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from ..errors import StoreError
from .migrations import Migration, applied_migrations, check_not_newer, migrate
from .trouble import damaged, translated

Parameters = Sequence[Any] | Mapping[str, Any]

#: "apTr": marks the file as ours, so that another program's database is never written to.
APPLICATION_ID = 0x61705472


class Store:
    """An open store. Made by :func:`open_store`; use it in the thread that opened it, one store a thread.

    Outside :meth:`transaction` each statement is its own transaction.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, steps: tuple[Migration, ...] = ()) -> None:
        self.path = path
        self._db = connection
        self._depth = 0
        self._steps = steps
        self._file = _identity(path)

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Errors in words. Text that is no text, and columns that our migrations made but are gone, mean damage."""
        try:
            with translated(self.path):
                yield
        except UnicodeDecodeError as error:
            raise damaged(self.path) from error
        except sqlite3.OperationalError as error:
            if _columns(self._steps) <= _columns_of(self._db):
                raise  # wrong SQL: a fault of the program
            raise damaged(self.path) from error

    @contextmanager
    def transaction(self) -> Iterator[Self]:
        """All or nothing: commits at the end of the block, rolls back when it raises.

        Takes the write lock at once, so that two writers wait for each other instead of failing half-way.
        A transaction inside a transaction is a savepoint: when it raises, only its own changes go.
        """
        self._still_there()
        with translated(self.path):
            name = f"s{self._depth}"
            self._db.execute("begin immediate" if self._depth == 0 else f"savepoint {name}")
            self._depth += 1
            try:
                yield self
            except BaseException:
                self._depth -= 1
                if self._db.in_transaction:
                    if self._depth:
                        self._db.execute(f"rollback to {name}")
                        self._db.execute(f"release {name}")
                    else:
                        self._db.execute("rollback")
                raise
            self._depth -= 1
            self._db.execute(f"release {name}" if self._depth else "commit")

    def _still_there(self) -> None:
        """SQLite goes on writing into a file that was deleted under it, and nobody would find what was entered."""
        if self._file is not None and _identity(self.path) != self._file:
            raise StoreError(
                str(self.path),
                "the file is gone: deleted, replaced, or its disk was taken away; what comes now can't be saved",
                "Bring the disk back or name another place, then run it again",
            )

    def execute(self, sql: str, parameters: Parameters = ()) -> int:
        """Run one statement; returns the number of rows it changed (−1 where that has no meaning)."""
        self._still_there()
        with self._told():
            return self._db.execute(sql, parameters).rowcount

    def execute_many(self, sql: str, rows: Iterable[Parameters]) -> int:
        """Run one statement for each row in one transaction; returns the number of rows changed."""
        with self.transaction():
            return self._db.executemany(sql, rows).rowcount

    def rows(self, sql: str, parameters: Parameters = ()) -> Iterator[sqlite3.Row]:
        """The rows of a query, one after the other (bounded memory); index them by name or number."""
        with self._told():
            # No "yield from": it would close the cursor of a store that may be closed by then.
            for row in self._db.execute(sql, parameters):  # noqa: UP028
                yield row

    def all(self, sql: str, parameters: Parameters = ()) -> list[sqlite3.Row]:
        """All rows of a query at once."""
        with self._told():
            return self._db.execute(sql, parameters).fetchall()

    def row(self, sql: str, parameters: Parameters = ()) -> sqlite3.Row | None:
        """The first row, or ``None``."""
        with self._told():
            found: sqlite3.Row | None = self._db.execute(sql, parameters).fetchone()
            return found

    def value(self, sql: str, parameters: Parameters = (), default: Any = None) -> Any:
        """The first column of the first row; ``default`` when there is no row."""
        found = self.row(sql, parameters)
        return default if found is None else found[0]

    def insert(self, table: str, values: Mapping[str, Any]) -> int:
        """Insert one row; returns its row id."""
        columns = ", ".join(_quoted(c) for c in values)
        marks = ", ".join("?" * len(values))
        sql = f"insert into {_quoted(table)} ({columns}) values ({marks})"  # noqa: S608 names are quoted
        self._still_there()
        with self._told():
            return int(self._db.execute(sql, tuple(values.values())).lastrowid or 0)

    def upsert(self, table: str, values: Mapping[str, Any], key: Sequence[str]) -> None:
        """Insert one row, or update the row with the same ``key`` columns (they need a unique index)."""
        columns = ", ".join(_quoted(c) for c in values)
        marks = ", ".join("?" * len(values))
        others = [c for c in values if c not in key]
        action = (
            "update set " + ", ".join(f"{_quoted(c)} = excluded.{_quoted(c)}" for c in others) if others else "nothing"
        )
        keys = ", ".join(_quoted(c) for c in key)
        sql = (
            f"insert into {_quoted(table)} ({columns}) values ({marks}) "  # noqa: S608 names are quoted
            f"on conflict ({keys}) do {action}"
        )
        self.execute(sql, tuple(values.values()))

    @property
    def migrations(self) -> tuple[str, ...]:
        """Names of the migrations that the file has."""
        with translated(self.path):
            return applied_migrations(self._db)

    def backup(self, path: Path | str) -> None:
        """Write a consistent copy to ``path`` while others may go on writing."""
        target = Path(path)
        with translated(target):
            copy = sqlite3.connect(target)
            try:
                self._db.backup(copy)
            finally:
                copy.close()

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Store({str(self.path)!r})"


def open_store(
    path: Path | str,
    *,
    migrations: Iterable[Migration] = (),
    read_only: bool = False,
    durable: bool = True,
    timeout_s: float = 20.0,
) -> Store:
    """Open (and, unless ``read_only``, make) a store and bring its tables up to date.

    Args:
        path: the file; its folder must exist. Keep it on a local disk: write-ahead mode does not work over a network.
            ``":memory:"`` makes one that is gone when closed.
        migrations: those of the rooms that use it, in order.
        read_only: open an existing file for reading; nothing is migrated.
        durable: wait until each commit is on the disk, so that it survives a power cut. ``False`` survives a kill,
            and after a power cut the file is whole but may lack the last commits.
        timeout_s: how long to wait for another writer, s.

    Raises:
        StoreError: names the file, the reason and the remedy (disk full, read-only, not a store, newer program, …).
    """
    steps = tuple(migrations)
    file = Path(path)
    memory = str(path) == ":memory:"
    if file.is_dir():
        raise StoreError(str(path), "it is a folder", "Name a file.")
    if read_only and not memory and not file.is_file():
        raise StoreError(str(path), "there is no such store", "Check the name.")
    with translated(path):
        where = f"{file.absolute().as_uri()}?mode={'ro' if read_only else 'rwc'}" if not memory else ":memory:"
        db = sqlite3.connect(where, timeout=timeout_s, isolation_level=None, uri=not memory)
        db.row_factory = sqlite3.Row
        try:
            _prepare(db, str(path), read_only, durable)
            check_not_newer(db, steps, str(path))
            if not read_only:
                migrate(db, steps)
        except UnicodeDecodeError as error:  # names and texts that are none
            db.close()
            raise damaged(path) from error
        except sqlite3.OperationalError as error:
            db.close()
            if "already exists" in str(error):  # the tables are there, their record is gone
                raise damaged(path) from error
            raise
        except BaseException:
            db.close()
            raise
    return Store(file, db, steps)


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file a path leads to now; ``None`` for none."""
    try:
        about = os.stat(path)  # noqa: PTH116 each write asks
    except OSError:
        return None
    return about.st_dev, about.st_ino


def _prepare(db: sqlite3.Connection, file: str, read_only: bool, durable: bool) -> None:
    db.execute("pragma foreign_keys = on")
    mark = db.execute("pragma application_id").fetchone()[0]
    if mark != APPLICATION_ID:
        foreign = db.execute("select 1 from sqlite_master where name <> '_migrations' limit 1").fetchone()
        # Another of our processes may have made the file between these two looks; it marks before it makes tables.
        mark = db.execute("pragma application_id").fetchone()[0]
        if mark != APPLICATION_ID and (foreign or mark):
            raise StoreError(file, "it is another program's database", "Name another file; this one is left as it is.")
    if read_only:
        return
    db.execute("pragma journal_mode = wal")
    db.execute(f"pragma synchronous = {'full' if durable else 'normal'}")
    if mark != APPLICATION_ID:
        db.execute(f"pragma application_id = {APPLICATION_ID}")


def _columns_of(db: sqlite3.Connection) -> set[tuple[str, str]]:
    """Table (or view) and column of all that a file holds; nothing when it can't be told."""
    try:
        found = db.execute(
            "select m.name, c.name from sqlite_master as m, pragma_table_info(m.name) as c where m.type in ('table', 'view')"
        )
        return {(str(table), str(column)) for table, column in found}
    except (sqlite3.Error, UnicodeDecodeError):
        return set()


def _columns(steps: tuple[Migration, ...]) -> set[tuple[str, str]]:
    """Table and column of what these migrations make."""
    fresh = sqlite3.connect(":memory:", isolation_level=None)
    try:
        migrate(fresh, steps)
        return _columns_of(fresh)
    finally:
        fresh.close()


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
