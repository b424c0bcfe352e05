"""Running an audit: find, compare with what is known, judge what is new or changed, store as it comes."""

import json
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from ..readers import ReadOptions
from ..runner import Outcome, RunnerError, run
from ..store import Store, add_missing_columns
from .entries import is_url
from .frozen import mark_frozen, pages_of
from .progress import Progress
from .scan import Others, Scan, name_of, with_sheets
from .sessions import SessionRule, assign_sessions
from .settings import AuditSettings
from .tables import DONE, TO_CHECK, TO_COUNT, TO_DO, WHOLE_FILE
from .work import COLUMNS, SLICE_S, FileRead, FileTask, FileWork, error_row

#: Rows that wait for one transaction at most, and for how long, s: what a kill can cost.
BATCH, BATCH_S = 64, 0.5
_PAGE = 500
#: One round marks frozen frames; another follows where judging them anew failed, but not for ever.
_FROZEN_ROUNDS = 3
#: Page by page, what follows so many in a row over which a worker had to be stopped is not tried.
_STOPPED_IN_A_ROW = 16


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
    others = Others()
    entries = with_sheets(sources, sheets, ReadOptions(timezone=settings.zone), own, others)
    found = Scan(store, audit, generation, verify).run(entries, say)
    store.execute("update audit_runs set others = ? where id = ?", (others.to_json(), audit))
    if retry:
        store.execute(
            "update audit_files set state = ?, next_page = 0, pages = null "
            "where audit = ? and failure in ('timeout', 'memory', 'crash')",
            (TO_DO, audit),
        )
    # A page may take all of the limit, so what a slice takes before it must be little.
    slice_s = min(SLICE_S, 0.1 * limits.time_limit_s)
    work = work or FileWork(settings, elsewhere=limits.scheduler is not None, slice_s=slice_s)
    _Judging(store, audit, work, limits, verify, found, say).run()
    assign_sessions(store, audit, rule or SessionRule())
    return audit


def changed_since(store: Store, sources: Sequence[str], settings: AuditSettings) -> tuple[str, ...]:
    """Why an audit of these sources begins anew though the store has one: what differs from the latest of them.

    Names as in :meth:`AuditSettings.to_json`; empty when the store has this very audit, or none of these sources.
    """
    known = {
        row["settings_key"]: row["settings"]
        for row in store.rows(
            "select settings_key, settings from audit_runs where sources = ? order by id", (_names(sources),)
        )
    }
    if not known or settings.key in known:
        return ()
    before, now = json.loads(list(known.values())[-1]), json.loads(settings.to_json())
    return tuple(sorted(name for name in before.keys() | now.keys() if before.get(name) != now.get(name)))


def _names(sources: Sequence[str]) -> str:
    return json.dumps([s if is_url(s) else str(Path(s).absolute()) for s in sources])


def _begin(store: Store, sources: Sequence[str], settings: AuditSettings) -> int:
    """The audit's number, made when there is none; its generation is raised."""
    names = _names(sources)
    with store.transaction():
        add_missing_columns(store, "audit_pictures")
        store.execute(
            "insert into audit_runs (sources, settings_key, settings) values (?, ?, ?) on conflict do nothing",
            (names, settings.key, settings.to_json()),
        )
        found = store.row("select id from audit_runs where sources = ? and settings_key = ?", (names, settings.key))
        assert found is not None
        store.execute("update audit_runs set generation = generation + 1 where id = ?", (found["id"],))
    return int(found["id"])


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
            for _ in range(_FROZEN_ROUNDS):
                # Stacks that need more than one slice come again in the next round.
                while self._left():
                    self._round()
                again = mark_frozen(self._store, self._audit)
                if not again:
                    break
                self._progress = replace(self._progress, total=self._progress.total + again)
            while self._left():
                self._round()
        finally:
            self._flush()
        self._say(replace(self._progress, phase="done", seconds=time.monotonic() - self._start))

    def _round(self) -> None:
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
        self._progress = replace(self._progress, done=self._progress.total - self._left())

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
                select key, path, sheet, digest, problem, state, next_page, pages, frozen from audit_files
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
                    first_page=row["next_page"],
                    sheet=row["sheet"],
                    digest=row["digest"] if row["state"] == TO_CHECK else None,
                    check=self._verify,
                    frozen=pages_of(row["frozen"]),
                )
                if row["problem"] is not None:  # nothing to open
                    self._keep(task, FileRead(-2, -2, None, False, (error_row(name, row["problem"]),)), None)
                elif row["pages"] is None or row["state"] == TO_CHECK:
                    yield task
                elif row["pages"] == TO_COUNT:
                    yield replace(task, count=True)
                else:
                    yield from self._pages(task, row["pages"])

    def _pages(self, task: FileTask, count: int) -> Iterator[FileTask]:
        """The next pages of a file over which a worker had to be stopped, each a task of its own.

        A page is tried unless each of the 16 before it was stopped. None is tried before that is known: what is tried
        hangs on the pages alone, never on what a kill or a slow machine left undone.
        """
        place = "select place, stopped from audit_pictures where audit = ? and key = ? and place >= 0"
        stopped = {row["place"]: bool(row["stopped"]) for row in self._store.rows(place, (self._audit, task.key))}
        missing = [page for page in range(count) if page not in stopped]
        went_on = next((page for page in range(missing[0] - 1, -1, -1) if not stopped[page]), -1)
        within = [page for page in missing if page <= went_on + _STOPPED_IN_A_ROW]
        for page in within:
            yield replace(task, first_page=page, alone=True, check=False)
        if within:
            return
        why = (
            f"it was not tried, since reading stopped at each of the {_STOPPED_IN_A_ROW} pages before it. "
            "Copy the file again."
        )
        for page in missing:
            row = error_row(task.name, why, page, stopped=True)
            self._keep(replace(task, first_page=page, alone=True), FileRead(-2, -2, None, False, (row,)), None)

    def _take(self, outcome: Outcome[FileTask, FileRead]) -> None:
        if outcome.failure is None:
            assert outcome.value is not None
            if outcome.value.stranger is not None:
                raise RunnerError(
                    f"A worker runs another apertrue than this one ({outcome.value.stranger}); its numbers could differ. "
                    "Install the same version everywhere."
                )
            self._keep(outcome.task, outcome.value, None)
            return
        task, failure = outcome.task, outcome.failure
        # In which page of a stack a worker got stuck is not known yet; until it is, the slice that it had begun fails.
        place = task.first_page if task.first_page or task.alone else WHOLE_FILE
        row = error_row(task.name, failure.message, place, stopped=True)
        self._keep(task, FileRead(-2, -2, None, False, (row,)), failure.kind)

    def _keep(self, task: FileTask, read: FileRead, failure: str | None) -> None:
        self._waiting.append((task, read, failure))
        done = self._progress
        if read.next_page is None and not task.alone and not task.count:
            failed = any(row.values[_ERROR] is not None for row in read.rows)
            done = replace(done, done=done.done + (failure is None), failed=done.failed + failed)
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
        if task.count:
            self._write_count(task, read)
            return
        if read.same:
            self._store.execute(
                "update audit_files set state = ?, size = ?, mtime_ns = ? where audit = ? and key = ?",
                (DONE, read.size, read.mtime_ns, *where),
            )
            return
        first = task.first_page == 0 and not task.alone
        if first:
            self._store.execute("delete from audit_pictures where audit = ? and key = ?", where)
        self._store.execute_many(
            _INSERT,
            [(*where, r.place, r.taken_unix, r.outlines, r.image, r.digest, r.stopped, *r.values) for r in read.rows],
        )
        if task.alone:
            done = "(select count(*) from audit_pictures as p where p.audit = f.audit and p.key = f.key) >= pages"
            self._store.execute(
                f"update audit_files as f set failure = coalesce(?, failure), "  # noqa: S608
                f"state = case when {done} then {DONE} else {TO_DO} end where audit = ? and key = ?",
                (failure, *where),
            )
            return
        # The state the worker saw when it began counts, so that a change since is noticed; −2 and −1 = it saw none.
        size, mtime_ns = (read.size, read.mtime_ns) if first else (-2, -2)
        stuck = failure is not None
        self._store.execute(
            """
            update audit_files set state = ?, next_page = ?, pages = ?, failure = ?, digest = coalesce(?, digest),
              size = case when ? < 0 then size else ? end, mtime_ns = case when ? < 0 then mtime_ns else ? end
            where audit = ? and key = ?
            """,
            (
                TO_DO if stuck or read.next_page is not None else DONE,
                task.first_page if stuck else read.next_page or 0,
                TO_COUNT if stuck else None,
                failure,
                read.digest,
                size,
                size,
                mtime_ns,
                mtime_ns,
                *where,
            ),
        )

    def _write_count(self, task: FileTask, read: FileRead) -> None:
        """How many pages a file has over which a worker had to be stopped: with more behind, all are tried alone."""
        where = (self._audit, task.key)
        more = (read.pages or 0) > task.first_page + 1
        if more:  # which page it was will be told anew
            place = task.first_page or WHOLE_FILE
            self._store.execute("delete from audit_pictures where audit = ? and key = ? and place = ?", (*where, place))
        self._store.execute(
            "update audit_files set state = ?, next_page = 0, pages = ?, digest = coalesce(?, digest), "
            "failure = case when ? then null else failure end where audit = ? and key = ?",
            (TO_DO if more else DONE, read.pages if more else None, read.digest, more, *where),
        )


_ERROR = COLUMNS.index("error")
_ABOUT = ("audit", "key", "place", "taken_unix", "outlines", "image", "digest", "stopped")
_NAMES = ", ".join(f'"{c}"' for c in (*_ABOUT, *COLUMNS))
_INSERT = f"insert or replace into audit_pictures ({_NAMES}) values ({', '.join('?' * len((*_ABOUT, *COLUMNS)))})"  # noqa: S608
