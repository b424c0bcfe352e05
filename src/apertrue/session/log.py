"""The session log: opening, adding, taking back, reading. Rows are only ever added."""

import os
import uuid
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from ..assessment import Assessment
from ..errors import ApertrueError, StoreError
from ..registry import FIELDS
from ..store import Store, open_store, row_from_assessment
from .clock import fixed, now
from .entry import SessionEvent, event_from_row
from .tables import MIGRATIONS, grow
from .words import OUTCOMES, EventKind


class SessionError(ApertrueError, ValueError):
    """An entry that makes no sense; the text says what is missing."""


def default_log_path() -> Path:
    """Where the log lives when no file is named: ``APERTRUE_LOG``, else the user's data folder."""
    named = os.environ.get("APERTRUE_LOG")
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("apertrue", appauthor=False) / "session.sqlite"


def open_log(path: Path | str | None = None, *, read_only: bool = False, durable: bool = True) -> Store:
    """Open the log and bring it up to date; makes the file (and the default folder) when there is none.

    Raises:
        StoreError: names the file, the reason and the remedy.
    """
    file = default_log_path() if path is None else Path(path)
    if path is None and not read_only:
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(str(file.parent), "the folder can't be made", "Name a log with --log.") from error
    store = open_store(file, migrations=MIGRATIONS, read_only=read_only, durable=durable)
    if not read_only:
        try:
            grow(store)
        except BaseException:
            store.close()
            raise
    return store


def add_event(
    store: Store,
    kind: EventKind | str,
    at: datetime | None = None,
    *,
    who: str | None = None,
    origin: str = "session",
    outcome: str | None = None,
    changed: Iterable[str] = (),
    values: Mapping[str, Any] | None = None,
    uid: str | None = None,
    retracts: str | None = None,
) -> SessionEvent:
    """Add one entry.

    Args:
        store: the log.
        kind: what happened; pictures go through :func:`add_picture`.
        at: when, with zone; the present when ``None``.
        who: who made the entry.
        origin: which part made it.
        outcome: of a run of the automatic routine.
        changed: names of what changed, for state events.
        values: registry fields.
        uid: its name across files; a new one when ``None``.
        retracts: uid of the entry it takes back.

    Raises:
        SessionError: an entry without what its kind needs.
    """
    kind = EventKind(kind)
    given = dict(values or {})
    if kind is EventKind.NUDGE:
        # What was set on the console is exact; only what it did to the beam is in doubt.
        given |= {f"{n}_sigma": 0.0 for n in ("nudge_x", "nudge_y") if given.get(n) is not None}
    row = row_from_assessment(given)
    unknown = set(values or {}) - set(row)
    if unknown:
        raise SessionError(f"no such field: {', '.join(sorted(unknown))}")
    check_entry(kind, row, outcome, tuple(changed), retracts)
    if kind is not EventKind.PICTURE:
        row["schema_version"] = None
    return _insert(
        store,
        {
            "uid": uid or uuid.uuid4().hex,
            "kind": str(kind),
            **_time(at or now()),
            "added_at": now().isoformat(),
            "who": who or None,
            "origin": origin,
            "outcome": outcome,
            "changed": ";".join(changed) or None,
            "retracts": retracts,
            **row,
        },
    )


def _time(at: datetime) -> dict[str, Any]:
    at = fixed(at)
    return {"at": at.isoformat(), "at_s": at.timestamp()}


def _insert(store: Store, row: Mapping[str, Any]) -> SessionEvent:
    number = store.insert("log", row)
    found = store.row("select * from log where id = ?", (number,))
    assert found is not None
    return event_from_row(found)


def check_entry(
    kind: EventKind, row: Mapping[str, Any], outcome: str | None, changed: tuple[str, ...], retracts: str | None
) -> None:
    """Raise :class:`SessionError` when an entry lacks what its kind needs, or a reading can't be one."""

    def need(condition: bool, text: str) -> None:
        if not condition:
            raise SessionError(f"a {kind} entry needs {text}")

    if kind is EventKind.NUDGE:
        need(row["nudge_x"] is not None or row["nudge_y"] is not None or row["note"] is not None, "the change made")
    elif kind is EventKind.ROUTINE_END:
        need(outcome in OUTCOMES, f"an outcome: {', '.join(OUTCOMES)}")
    elif kind is EventKind.RECALL:
        need(row["setting"] is not None, "the setting's name")
    elif kind is EventKind.NOTE:
        need(row["note"] is not None, "a text")
    elif kind is EventKind.CURRENT:
        need(row["current_pa"] is not None, "a current, pA")
    elif kind is EventKind.STATE:
        state = ("kv", "aperture_um", "spot", "focus_side", "magnification", "camera", "gun_focus")
        need(bool(changed) or any(row[n] is not None for n in state), "what changed")
    elif kind is EventKind.RETRACTION:
        need(retracts is not None, "the entry to take back")
    for f in FIELDS:
        if f.group == "state" and f.kind == "real" and row[f.name] is not None and not f.allows(row[f.name]):
            raise SessionError(f"{f.name} is {f.allowed}, not {row[f.name]:g}")
    if outcome is not None and kind is not EventKind.ROUTINE_END:
        raise SessionError("only the end of a routine run has an outcome")


def add_picture(
    store: Store,
    assessment: Assessment,
    at: datetime,
    *,
    digest: str | None = None,
    clock_correction_s: float | None = None,
    who: str | None = None,
    origin: str = "session",
) -> tuple[SessionEvent, bool]:
    """Add a judged picture; the same picture again does nothing.

    The same: equal pixels and page with the same time or from the same file; without a fingerprint the same file, page
    and time. Equal pixels under another name with a later time are a frozen frame and get an entry of their own.

    Returns:
        its entry (the earlier one when it was there) and whether it was added.
    """
    row = row_from_assessment(assessment)
    row["schema_version"] = assessment.schema_version
    with store.transaction():
        there = _same_picture(store, row, digest)
        if there is not None:
            return there, False
        event = _insert(
            store,
            {
                "uid": uuid.uuid4().hex,
                "kind": str(EventKind.PICTURE),
                **_time(at),
                "added_at": now().isoformat(),
                "who": who or None,
                "origin": origin,
                "digest": digest,
                "clock_correction_s": clock_correction_s,
                **row,
            },
        )
        return event, True


def _same_picture(store: Store, row: Mapping[str, Any], digest: str | None) -> SessionEvent | None:
    page, file, taken = row["page"] or 0, row["file"], row["taken_at"]
    if digest is not None:
        found = store.row(
            "select * from log where digest = ? and kind = 'picture' and coalesce(page, 0) = ? "
            "and (taken_at is ? or file is ?) order by id limit 1",
            (digest, page, taken, file),
        )
    elif file is not None:
        found = store.row(
            "select * from log where digest is null and kind = 'picture' and file = ? and coalesce(page, 0) = ? "
            "and taken_at is ? order by id limit 1",
            (file, page, taken),
        )
    else:
        found = None
    return None if found is None else event_from_row(found)


def retract(
    store: Store, target: int | str, at: datetime | None = None, *, why: str | None = None, who: str | None = None
) -> SessionEvent:
    """Take an entry back by adding a retraction; the entry stays in the file. A retraction can be taken back too.

    Args:
        store: the log.
        target: the entry's number or uid.
        at: when; the present when ``None``.
        why: a note.
        who: who takes it back.

    Raises:
        SessionError: no such entry, or it is taken back already.
    """
    with store.transaction():
        column = "id" if isinstance(target, int) else "uid"
        row = store.row(f"select * from log where {column} = ?", (target,))  # noqa: S608 one of two words
        if row is None:
            raise SessionError(f"there is no entry {target}. 'apertrue session show' lists them with their numbers")
        active = (
            "select id from log as r where r.retracts = ? "
            "and not exists (select 1 from log as q where q.retracts = r.uid) limit 1"
        )
        by = store.value(active, (row["uid"],))
        if by is not None:
            raise SessionError(f"entry {row['id']} is taken back already (by entry {by})")
        if row["kind"] == EventKind.RETRACTION:
            above = store.row("select kind from log where uid = ?", (row["retracts"],))
            if above is not None and above["kind"] == EventKind.RETRACTION:
                raise SessionError(f"entry {row['id']} restored an entry; to remove that one again, take it back anew")
        return add_event(
            store, EventKind.RETRACTION, at, who=who, retracts=row["uid"], values={"note": why} if why else None
        )


def events(
    store: Store,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    kinds: Iterable[EventKind] | None = None,
    all_entries: bool = False,
    after_id: int | None = None,
) -> list[SessionEvent]:
    """Entries in the order of time, identical times in the order of adding; see :func:`each_event`."""
    return list(each_event(store, since=since, until=until, kinds=kinds, all_entries=all_entries, after_id=after_id))


def each_event(
    store: Store,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    kinds: Iterable[EventKind] | None = None,
    all_entries: bool = False,
    after_id: int | None = None,
) -> Iterator[SessionEvent]:
    """Entries one after another, in the order of time, identical times in the order of adding; bounded memory.

    Args:
        store: the log.
        since: from this moment on.
        until: before this moment.
        kinds: only these.
        all_entries: also those taken back, and the retractions.
        after_id: only those added after this row.
    """
    wanted = None if kinds is None else tuple(str(k) for k in kinds)
    clauses: list[str] = ["1"]
    parameters: list[float] = []
    if since is not None:
        clauses.append("at_s >= ?")
        parameters.append(since.timestamp())
    if until is not None:
        clauses.append("at_s < ?")
        parameters.append(until.timestamp())
    if after_id is not None:
        clauses.append("id > ?")
        parameters.append(after_id)
    if wanted is not None:
        clauses.append(f"kind in ({', '.join('?' * len(wanted))})")
    sql = f"select * from {'log' if all_entries else 'log_now'} where {' and '.join(clauses)} order by at_s, id"  # noqa: S608
    rows = store.rows(sql, (*parameters, *(wanted or ())))
    return (event_from_row(row, str(store.path)) for row in rows)


def seen_before(store: Store, digest: str, at: datetime) -> SessionEvent | None:
    """The latest earlier picture with the same pixels; ``None`` when there is none."""
    row = store.row(
        "select * from log_now where digest = ? and kind = 'picture' and at_s < ? order by at_s desc, id desc limit 1",
        (digest, at.timestamp()),
    )
    return None if row is None else event_from_row(row, str(store.path))
