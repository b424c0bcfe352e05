"""One entry of the log."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from ..assessment import Assessment
from ..fixed_map import FixedMap
from ..store import assessment_from_row, damaged
from .words import COLUMNS, EventKind

_NONE: Mapping[str, Any] = FixedMap()


@dataclass(frozen=True, slots=True, eq=False)
class SessionEvent:
    """One entry of the log.

    Attributes:
        id: number of the row. uid: its name across files.
        kind: what happened. at: when, with zone, clock correction applied.
        added_at: when the entry was made.
        who, origin, outcome, changed, retracts, digest: as in :data:`apertrue.session.words.COLUMNS`.
        values: the registry's fields that are not null, by name.
    """

    id: int
    uid: str
    kind: EventKind
    at: datetime
    added_at: datetime
    who: str | None = None
    origin: str | None = None
    outcome: str | None = None
    changed: tuple[str, ...] = ()
    retracts: str | None = None
    digest: str | None = None
    values: Mapping[str, Any] = field(default_factory=lambda: _NONE)

    def get(self, name: str) -> Any:
        """A registry field's value, or ``None``."""
        return self.values.get(name)

    @property
    def assessment(self) -> Assessment:
        """All fields as an assessment (for pictures)."""
        return assessment_from_row(self.values)

    @property
    def flags(self) -> tuple[str, ...]:
        """The picture's flags; empty when there are none or it is no picture."""
        text = self.values.get("flags")
        return tuple(text.split(";")) if text else ()


_OWN = frozenset(c.name for c in COLUMNS)


def event_from_row(row: Any, file: str = "the session log") -> SessionEvent:
    """The event of a row of ``log``.

    Raises:
        StoreError: the row holds what no entry can hold: ``file`` is damaged.
    """
    try:
        return _event(row)
    except (ValueError, TypeError, AttributeError, LookupError) as error:
        raise damaged(file) from error


def _event(row: Any) -> SessionEvent:
    keys = row.keys()
    return SessionEvent(
        row["id"],
        row["uid"],
        EventKind(row["kind"]),
        datetime.fromisoformat(row["at"]),
        datetime.fromisoformat(row["added_at"]),
        row["who"],
        row["origin"],
        row["outcome"],
        tuple(row["changed"].split(";")) if row["changed"] else (),
        row["retracts"],
        row["digest"],
        FixedMap({k: row[k] for k in keys if k not in _OWN and row[k] is not None}),
    )
