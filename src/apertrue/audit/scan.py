"""Finding what there is: each file with what the sheets say about it, entered beside what is known of it."""

import json
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path, PurePosixPath

from ..readers import ReadOptions, SheetRow, read_sheet
from ..store import Store
from .entries import Entry, Other, entries_of_sheet, find_entries, is_url
from .progress import Progress
from .tables import TO_CHECK, TO_DO
from .work import sheet_to_json

_SCAN_BATCH = 1000


def with_sheets(
    sources: Sequence[str], sheets: Sequence[str], options: ReadOptions, skip: Collection[str], other: Other
) -> Iterator[tuple[Entry, str | None]]:
    """Each file with what the sheets say about it; ``other`` is told of files that are no pictures by their names."""
    said = _Sheets([row for sheet in sheets for row in read_sheet(sheet, options=options)])
    for source in sources:
        if not is_url(source) and source.lower().endswith(".csv") and Path(source).is_file():
            rows = read_sheet(source, options=options)
            own = _Sheets(rows)
            for entry in entries_of_sheet((row.file for row in rows), source):
                yield entry, own.about(entry.name)
        else:
            for entry in find_entries(source, prefix=len(sources) > 1, skip=skip, other=other):
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


class Others:
    """Counts files that are no pictures by their names, by ending."""

    def __init__(self) -> None:
        self._counts: Counter[str] = Counter()

    def __call__(self, name: str) -> None:
        """Count the file of this name."""
        last = name.rsplit("/", 1)[-1]
        self._counts[PurePosixPath(last).suffix.lower() or last] += 1

    def to_json(self) -> str:
        """The counts, most first."""
        return json.dumps(dict(sorted(self._counts.items(), key=lambda item: (-item[1], item[0]))))


def key_of(name: str) -> bytes:
    """A file's key: its name as bytes, one for one, in the order of its characters, also for wrongly encoded names."""
    return name.encode("utf-8", "surrogatepass")


def name_of(key: bytes) -> str:
    """The name back from :func:`key_of`."""
    return key.decode("utf-8", "surrogatepass")


class Scan:
    """Enters what is found; marks what must be read; drops what is gone."""

    def __init__(self, store: Store, audit: int, generation: int, verify: bool) -> None:
        self._store, self._audit, self._generation, self._verify = store, audit, generation, verify

    def run(self, entries: Iterator[tuple[Entry, str | None]], say: Callable[[Progress], None]) -> int:
        """Enter all of them; returns how many files were found."""
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
              pages = case when {again} then null else pages end,
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
