"""The closed set of what a session log holds, and the columns beside the registry's fields."""

from dataclasses import dataclass
from enum import StrEnum


class EventKind(StrEnum):
    """What happened."""

    PICTURE = "picture"
    NUDGE = "nudge"
    ROUTINE_START = "routine-start"
    ROUTINE_END = "routine-end"
    RECALL = "recall"
    STATE = "state"
    SERVICE = "service"
    NOTE = "note"
    CURRENT = "current"
    RETRACTION = "retraction"


EVENT_WORDS: dict[EventKind, str] = {
    EventKind.PICTURE: "a picture was judged",
    EventKind.NUDGE: "the gun shift was changed by hand (nudge_x, nudge_y: the change made)",
    EventKind.ROUTINE_START: "the automatic routine was started",
    EventKind.ROUTINE_END: "the automatic routine ended (outcome: done, hung, failed or stopped)",
    EventKind.RECALL: "a stored gun setting was recalled (setting: its name)",
    EventKind.STATE: "the instrument's state changed (changed: what; the new values in their own columns)",
    EventKind.SERVICE: "service on the gun or the column",
    EventKind.NOTE: "a note",
    EventKind.CURRENT: "a current was read (current_pa)",
    EventKind.RETRACTION: "an earlier entry was taken back (retracts: its uid); the entry itself stays",
}

#: How a run of the automatic routine can end.
OUTCOMES = ("done", "hung", "failed", "stopped")

#: State fields whose change ends forecast, calibration and remembered aperture.
RESTARTS = ("kv", "aperture_um", "spot", "focus_side", "magnification", "camera")

#: What a state event's ``changed`` may name beside state fields; each lets the gun settle.
SETTLINGS = ("kv", "emission", "monochromator")


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the log that is no field of the registry."""

    name: str
    sql: str
    unit: str
    meaning: str


#: In the order of the table and of the CSV file (which leaves out ``id``).
COLUMNS: tuple[Column, ...] = (
    Column("id", "integer primary key autoincrement", "", "number of the row, in the order of adding"),
    Column("uid", "text not null unique", "", "name of the entry that no other has, in any file"),
    Column("kind", "text not null", "", "what happened; the words are in the table kinds"),
    Column("at", "text not null", "", "when it happened: ISO 8601 with zone, clock correction applied"),
    Column("at_s", "real not null", "s", "the same in seconds since 1970-01-01T00:00:00Z, for sorting"),
    Column("added_at", "text not null", "", "when the entry was made: ISO 8601 with zone, by this machine's clock"),
    Column("who", "text", "", "who made the entry; masked in what is meant for others"),
    Column("origin", "text", "", "which part made the entry: session, watch, assess, sheet, …"),
    Column("outcome", "text", "", "how a run of the automatic routine ended: done, hung, failed or stopped"),
    Column("changed", "text", "", "names of what changed, ;-joined"),
    Column("retracts", "text", "", "uid of the entry that this one takes back"),
    Column("digest", "text", "", "fingerprint of the picture's pixels"),
    Column("clock_correction_s", "real", "s", "what was added to the camera's time (taken_at) to give at"),
)
