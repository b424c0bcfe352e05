"""Telling sessions apart: by gaps in time, by the sheet that names the pictures, or by folder."""

import json
from dataclasses import dataclass
from typing import Literal

from ..registry import SESSION_GAP_H
from ..store import Store


@dataclass(frozen=True, slots=True)
class SessionRule:
    """How sessions are told apart.

    Attributes:
        by: ``gap`` (a pause between pictures), ``sheet`` (the sheet or other source that names them), ``folder``.
        gap_h: the pause that parts two sessions, h.
    """

    by: Literal["gap", "sheet", "folder"] = "gap"
    gap_h: float = SESSION_GAP_H

    def __post_init__(self) -> None:
        if self.by not in ("gap", "sheet", "folder"):
            raise ValueError(f"sessions are told apart by gap, sheet or folder, not by {self.by!r}")
        if not self.gap_h > 0:
            raise ValueError(f"the pause between sessions must be above 0 h, got {self.gap_h:g}")


def assign_sessions(store: Store, audit: int, rule: SessionRule) -> None:
    """Name each picture's session. With ``gap`` a session is called by its first picture's time as stated there.

    Pictures that could not be read, and with ``gap`` those without time, belong to no session (null).
    """
    with store.transaction():
        store.execute("update audit_pictures set session = null where audit = ?", (audit,))
        if rule.by == "gap":
            _by_gap(store, audit, rule.gap_h * 3600.0)
            return
        column = "source" if rule.by == "sheet" else "folder"
        for row in store.all(f"select distinct {column} as text from audit_files where audit = ?", (audit,)):  # noqa: S608
            label = json.loads(row["text"])
            label = label.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1] if rule.by == "sheet" else label
            store.execute(
                f"""
                update audit_pictures set session = ? where audit = ? and error is null
                  and key in (select key from audit_files where audit = ? and {column} = ?)
                """,  # noqa: S608
                (label.encode("utf-8", "backslashreplace").decode("utf-8"), audit, audit, row["text"]),
            )


def _by_gap(store: Store, audit: int, gap_s: float) -> None:
    """One walk through the pictures in order of time; only the sessions' limits are kept in memory."""
    spans: list[tuple[str, float, float]] = []
    used: dict[str, int] = {}
    last = None
    for row in store.rows(
        "select taken_unix, taken_at from audit_pictures where audit = ? and taken_unix is not null and error is null "
        "order by taken_unix, key, place",
        (audit,),
    ):
        when = float(row["taken_unix"])
        if last is None or when - last > gap_s:
            label = str(row["taken_at"])[:16].replace("T", " ")
            used[label] = used.get(label, 0) + 1
            spans.append((label if used[label] == 1 else f"{label} ({used[label]})", when, when))
        else:
            spans[-1] = (spans[-1][0], spans[-1][1], when)
        last = when
    store.execute_many(
        "update audit_pictures set session = ? where audit = ? and taken_unix between ? and ? and error is null",
        [(label, audit, start, end) for label, start, end in spans],
    )
