"""Running an audit: find, compare with what is known, judge what is new or changed, store as it comes."""

import json
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from ..readers import ReadOptions, SheetRow, read_sheet
from ..runner import Outcome, run
from ..store import Store
from .entries import Entry, entries_of_sheet, find_entries, is_url
from .sessions import SessionRule, assign_sessions
from .settings import AuditSettings
from .tables import DONE, TO_CHECK, TO_DO, WHOLE_FILE
from .work import COLUMNS, FileRead, FileTask, FileWork, error_row, sheet_to_json

#: Rows that wait for one transaction at most, and for how long, s: what a kill can cost.
BATCH, BATCH_S = 64, 0.5
_SCAN_BATCH = 1000
_PAGE = 500


@dataclass(frozen=True, slots=True)
class Progress:
    """How far an audit is.

    Attributes:
        phase: ``find``, ``judge`` or ``done``.
        found: files found so far.
        total: files to read in this run (new, changed, or to be checked).
        done: of those, finished.
        failed: of those, with a row that says why not.
        known: files that need no reading.
        seconds: since judging began, s.
    """

    phase: str
    found: int = 0
    total: int = 0
    done: int = 0
    failed: int = 0
    known: int = 0
    seconds: float = 0.0

    @property
    def rate(self) -> float | None:
        """Files per second; ``None`` before the first."""
        return self.done / self.seconds if self.done and self.seconds > 0 else None

    @property
    def seconds_left(self) -> float | None:
        """Estimated seconds to go; ``None`` when it can't be told yet."""
        return (self.total - self.done) / self.rate if self.rate else None


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the run; they change no result.

    Attributes:
        workers: processes; all cores when ``None``, ``0`` = in this process.
        time_limit_s: for each picture, s.
        memory_limit_mb: for each worker, MB.
        scheduler: a Dask scheduler to use instead.
    """

    workers: int | None = None
    time_limit_s: float = 60.0
    memory_limit_mb: float = 2000.0
    scheduler: str | None = None


def run_audit(
    sources: Sequence[str],
    store: Store,
    *,
    settings: AuditSettings | None = None,
    sheets: Sequence[str] = (),
    rule: SessionRule | None = None,
    limits: Limits | None = None,
    verify: bool = False,
    retry: bool = False,
    skip: Collection[str] = (),
    on_progress: Callable[[Progress], None] | None = None,
    work: Callable[[FileTask], FileRead] | None = None,
) -> int:
    """Audit ``sources`` into ``store``; returns the audit's number, for :class:`apertrue.audit.Audit`.

    It may be stopped at any moment, in any way; started again it goes on, and the end is the same to the byte. Files
    whose size and time of change are known are not read again.

    Args:
        sources: folders, files, patterns, session sheets (``.csv``: the pictures that they name) or URLs.
        store: opened with :data:`apertrue.audit.MIGRATIONS`.
        settings: what changes results; other settings are another audit in the same store.
        sheets: session sheets that fill gaps for the pictures found.
        rule: how sessions are told apart.
        limits: workers, time, memory.
        verify: compare the content's hash instead of trusting size and time.
        retry: also do again what failed for want of time or memory.
        skip: absolute paths to leave out.
        on_progress: called now and then.
        work: what is done with one file, picklable; :class:`apertrue.audit.work.FileWork` when ``None``.

    Raises:
        ReadError: a source or sheet does not exist or is wrong.
        StoreError: the store can't be written.
        RunnerError: no worker can be started.
    """
    settings, limits = settings or AuditSettings(), limits or Limits()
    say = on_progress or (lambda _: None)
    audit = _begin(store, sources, settings)
    generation = int(store.value("select generation from audit_runs where id = ?", (audit,)))
    own = {str(store.path.absolute()) + end for end in ("", "-wal", "-shm", "-journal")} | set(skip)
    own |= {str(Path(s).absolute()) for s in (*sheets, *sources) if s.lower().endswith(".csv")}
    entries = _entries(sources, sheets, ReadOptions(timezone=settings.zone), own)
    found = _Scan(store, audit, generation, verify).run(entries, say)
    if retry:
        store.execute(
            "update audit_files set state = ?, next_page = 0 "
            "where audit = ? and failure in ('timeout', 'memory', 'crash')",
            (TO_DO, audit),
        )
    _Judging(store, audit, work or FileWork(settings), limits, verify, found, say).run()
    assign_sessions(store, audit, rule or SessionRule())
    return audit


def _begin(store: Store, sources: Sequence[str], settings: AuditSettings) -> int:
    """The audit's number, made when there is none; its generation is raised."""
    names = json.dumps([s if is_url(s) else str(Path(s).absolute()) for s in sources])
    with store.transaction():
        store.execute(
            "insert into audit_runs (sources, settings_key, settings) values (?, ?, ?) on conflict do nothing",
            (names, settings.key, settings.to_json()),
        )
        found = store.row("select id from audit_runs where sources = ? and settings_key = ?", (names, settings.key))
        assert found is not None
        store.execute("update audit_runs set generation = generation + 1 where id = ?", (found["id"],))
    return int(found["id"])


def _entries(
    sources: Sequence[str], sheets: Sequence[str], options: ReadOptions, skip: Collection[str]
) -> Iterator[tuple[Entry, str | None]]:
    """Each file with what the sheets say about it."""
    said = _Sheets([row for sheet in sheets for row in read_sheet(sheet, options=options)])
    for source in sources:
        if not is_url(source) and source.lower().endswith(".csv") and Path(source).is_file():
            rows = read_sheet(source, options=options)
            own = _Sheets(rows)
            for entry in entries_of_sheet((row.file for row in rows), source):
                yield entry, own.about(entry.name)
        else:
            for entry in find_entries(source, prefix=len(sources) > 1, skip=skip):
                yield entry, said.about(entry.name) or said.about(entry.path)


class _Sheets:
    """Rows of sheets, found by the end of a file's path."""

    def __init__(self, rows: Sequence[SheetRow]) -> None:
        self._by_name: dict[str, list[SheetRow]] = {}
        for row in rows:
            self._by_name.setdefault(_parts(row.file)[-1], []).append(row)

    def about(self, name: str) -> str | None:
        """What they say about the file of this name, as JSON; ``None`` = nothing."""
        parts = _parts(name)
        rows = [r for r in self._by_name.get(parts[-1], ()) if (p := _parts(r.file)) == parts[-len(p) :]]
        return sheet_to_json(rows) if rows else None


def _parts(name: str) -> tuple[str, ...]:
    return tuple(p for p in name.replace("\\", "/").split("/") if p not in ("", ".")) or (name,)


def key_of(name: str) -> bytes:
    """A file's key: its name as bytes, one for one, in the order of its characters, also for wrongly encoded names."""
    return name.encode("utf-8", "surrogatepass")


def name_of(key: bytes) -> str:
    """The name back from :func:`key_of`."""
    return key.decode("utf-8", "surrogatepass")


class _Scan:
    """Enters what is found; marks what must be read; drops what is gone."""

    def __init__(self, store: Store, audit: int, generation: int, verify: bool) -> None:
        self._store, self._audit, self._generation, self._verify = store, audit, generation, verify

    def run(self, entries: Iterator[tuple[Entry, str | None]], say: Callable[[Progress], None]) -> int:
        found = 0
        batch: list[tuple[Entry, str | None]] = []
        for item in entries:
            batch.append(item)
            found += 1
            if len(batch) >= _SCAN_BATCH:
                self._enter(batch)
                batch.clear()
                say(Progress("find", found))
        self._enter(batch)
        # Only now that all was found: what was not seen this time is gone.
        self._store.execute(
            "delete from audit_files where audit = ? and generation < ?", (self._audit, self._generation)
        )
        say(Progress("find", found))
        return found

    def _enter(self, batch: Sequence[tuple[Entry, str | None]]) -> None:
        # A file is done again when anything that was known about it differs. The place of a file (its path) is no such
        # thing: archives move.
        again = (
            "size <> excluded.size or mtime_ns <> excluded.mtime_ns or sheet is not excluded.sheet "
            "or problem is not excluded.problem"
        )
        sql = f"""
            insert into audit_files
              (audit, key, path, source, folder, sheet, size, mtime_ns, problem, generation)
            values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
            on conflict (audit, key) do update set
              path = excluded.path, source = excluded.source, folder = excluded.folder, sheet = excluded.sheet,
              size = excluded.size, mtime_ns = excluded.mtime_ns, problem = excluded.problem,
              generation = excluded.generation,
              next_page = case when {again} then 0 else next_page end,
              digest = case when {again} then null else digest end,
              state = case when {again} then {TO_DO}
                           when state <> {TO_DO} and {int(self._verify)} then {TO_CHECK} else state end
        """  # noqa: S608 no outside text
        rows = [
            (
                self._audit,
                key_of(e.name),
                json.dumps(e.path),  # paths need not be text that SQLite can hold
                json.dumps(e.source),
                json.dumps(e.folder),
                sheet,
                e.size,
                e.mtime_ns,
                e.problem,
                self._generation,
            )
            for e, sheet in batch
        ]
        self._store.execute_many(sql, rows)


class _Judging:
    """Gives what must be read to the runner and stores what comes back."""

    def __init__(
        self,
        store: Store,
        audit: int,
        work: Callable[[FileTask], FileRead],
        limits: Limits,
        verify: bool,
        found: int,
        say: Callable[[Progress], None],
    ) -> None:
        self._store, self._audit, self._work, self._limits = store, audit, work, limits
        self._verify, self._say = verify, say
        self._waiting: list[tuple[FileTask, FileRead, str | None]] = []
        self._flushed = self._start = time.monotonic()
        total = self._left()
        self._progress = Progress("judge", found, total, known=found - total)

    def run(self) -> None:
        self._say(self._progress)
        try:
            # Stacks that need more than one slice come again in the next round.
            while self._left():
                outcomes = run(
                    self._work,
                    self._tasks(),
                    workers=self._limits.workers,
                    time_limit_s=self._limits.time_limit_s,
                    memory_limit_mb=self._limits.memory_limit_mb,
                    scheduler=self._limits.scheduler,
                )
                with closing(outcomes):  # type: ignore[type-var]
                    for outcome in outcomes:
                        self._take(outcome)
                self._flush()
        finally:
            self._flush()
        self._say(replace(self._progress, phase="done", seconds=time.monotonic() - self._start))

    def _left(self) -> int:
        return int(
            self._store.value(
                f"select count(*) from audit_files where audit = ? and state in ({TO_DO}, {TO_CHECK})",  # noqa: S608
                (self._audit,),
            )
        )

    def _tasks(self) -> Iterator[FileTask]:
        """What must be read, by name; a few hundred in memory at a time."""
        last = b""
        while True:
            rows = self._store.all(
                f"""
                select key, path, sheet, digest, problem, state, next_page from audit_files
                where audit = ? and state in ({TO_DO}, {TO_CHECK}) and key > ? order by key limit {_PAGE}
                """,  # noqa: S608
                (self._audit, last),
            )
            if not rows:
                return
            for row in rows:
                last = row["key"]
                name = name_of(row["key"])
                task = FileTask(
                    name,
                    json.loads(row["path"]),
                    row["key"],
                    row["next_page"],
                    row["sheet"],
                    row["digest"] if row["state"] == TO_CHECK else None,
                    self._verify,
                )
                if row["problem"] is not None:  # nothing to open
                    self._keep(task, FileRead(-2, -2, None, False, (error_row(name, row["problem"]),)), None)
                else:
                    yield task

    def _take(self, outcome: Outcome[FileTask, FileRead]) -> None:
        if outcome.failure is None:
            assert outcome.value is not None
            self._keep(outcome.task, outcome.value, None)
            return
        task, failure = outcome.task, outcome.failure
        # Where in a stack a worker got stuck is not known to more than the slice it had begun.
        row = error_row(task.name, failure.message, task.first_page or WHOLE_FILE)
        self._keep(task, FileRead(-2, -2, None, False, (row,)), failure.kind)

    def _keep(self, task: FileTask, read: FileRead, failure: str | None) -> None:
        self._waiting.append((task, read, failure))
        done = self._progress
        if read.next_page is None:
            failed = any(row.values[_ERROR] is not None for row in read.rows)
            done = replace(done, done=done.done + 1, failed=done.failed + failed)
        self._progress = replace(done, seconds=time.monotonic() - self._start)
        if len(self._waiting) >= BATCH or time.monotonic() - self._flushed > BATCH_S:
            self._flush()
            self._say(self._progress)

    def _flush(self) -> None:
        waiting, self._waiting = self._waiting, []
        self._flushed = time.monotonic()
        if not waiting:
            return
        with self._store.transaction():
            for task, read, failure in waiting:
                self._write(task, read, failure)

    def _write(self, task: FileTask, read: FileRead, failure: str | None) -> None:
        """One file's rows and its state, together: a kill leaves both or neither."""
        where = (self._audit, task.key)
        if not read.same:
            if task.first_page == 0:
                self._store.execute("delete from audit_pictures where audit = ? and key = ?", where)
            self._store.execute_many(
                _INSERT, [(*where, r.place, r.taken_unix, r.outlines, r.image, *r.values) for r in read.rows]
            )
        # The state the worker saw counts, so that a change since is noticed; −2 and −1 = it saw none.
        self._store.execute(
            """
            update audit_files set state = ?, next_page = ?, failure = ?, digest = coalesce(?, digest),
              size = case when ? < 0 then size else ? end, mtime_ns = case when ? < 0 then mtime_ns else ? end
            where audit = ? and key = ?
            """,
            (
                DONE if read.next_page is None else TO_DO,
                read.next_page or 0,
                failure,
                read.digest,
                read.size,
                read.size,
                read.mtime_ns,
                read.mtime_ns,
                *where,
            ),
        )


_ERROR = COLUMNS.index("error")
_NAMES = ", ".join(f'"{c}"' for c in ("audit", "key", "place", "taken_unix", "outlines", "image", *COLUMNS))
_INSERT = f"insert or replace into audit_pictures ({_NAMES}) values ({', '.join('?' * (6 + len(COLUMNS)))})"  # noqa: S608
