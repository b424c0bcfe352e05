"""One entry in one line for people."""

from ..advise.age import unknown_age
from ..registry import Verdict
from ..registry.format import format_value, with_minus
from .entry import SessionEvent
from .words import EventKind

_STATE = (
    ("kv", "high tension"),
    ("aperture_um", "condenser aperture"),
    ("spot", "spot"),
    ("focus_side", "focus side"),
    ("gun_focus", "gun-lens focus"),
    ("magnification", "magnification"),
    ("camera", "camera"),
    ("setting", "stored setting"),
)


def value(event: SessionEvent, name: str, *, unit: bool = True) -> str:
    """A field for people, with its 1σ."""
    return format_value(name, event.get(name), event.get(name + "_sigma"), unit=unit)


def age_note(event: SessionEvent) -> str:
    """That a picture's age was not known when it was judged, as a sentence; else empty."""
    return unknown_age(str(event.get("reasons") or "").split(";"))


def describe(event: SessionEvent, *, old: bool = False) -> str:
    """What happened, in one line; without time and number.

    Args:
        event: the entry.
        old: whether the picture is too old to act on: then that stands in place of its advice.
    """
    note = event.get("note")
    text = _picture(event, old) if event.kind is EventKind.PICTURE else _what(event)
    if note and event.kind is not EventKind.NOTE:
        text = f"{text}; {note}" if text else str(note)
    return " ".join(text.split())


def _what(event: SessionEvent) -> str:
    kind = event.kind
    if kind is EventKind.NUDGE:
        moves = [f"{axis} {_signed(event.get(n))}" for axis, n in (("X", "nudge_x"), ("Y", "nudge_y")) if event.get(n)]
        return "gun shift " + ", ".join(moves) if moves else "gun shift turned, by how much was not noted"
    if kind is EventKind.ROUTINE_START:
        return "automatic routine started"
    if kind is EventKind.ROUTINE_END:
        return f"automatic routine ended: {event.outcome}"
    if kind is EventKind.RECALL:
        return f"stored gun setting recalled: {event.get('setting')}"
    if kind is EventKind.STATE:
        told = [f"{words} {value(event, name)}" for name, words in _STATE if event.get(name) is not None]
        other = [name for name in event.changed if event.get(name) is None]
        parts = ["now " + ", ".join(told)] if told else []
        return "; ".join([*parts, "changed: " + ", ".join(other)] if other else parts)
    if kind is EventKind.SERVICE:
        return "service"
    if kind is EventKind.NOTE:
        return str(event.get("note"))
    if kind is EventKind.CURRENT:
        focus = "" if event.get("gun_focus") is None else f" at gun-lens focus {value(event, 'gun_focus')}"
        return f"current {value(event, 'current_pa')}{focus}"
    return "takes an entry back"


def _picture(event: SessionEvent, old: bool) -> str:
    if event.get("error"):
        return f"picture not read: {event.get('error')}"
    verdict = event.get("verdict") or "not judged"
    if old and verdict in (Verdict.LEAVE, Verdict.NUDGE, Verdict.AUTO):
        verdict = "too old to act on"
    parts = [f"{verdict}: {event.get('scene') or 'nothing'}"]
    if event.get("offset_percent") is not None:
        parts.append(f"offset {value(event, 'offset_percent')}")
        if event.get("offset_direction_deg") is not None:
            parts.append(f"toward {event.get('offset_direction_deg'):.0f}°")
    if event.get("working_score") is not None:
        parts.append(f"working score {value(event, 'working_score')}")
    if event.flags:
        parts.append(", ".join(event.flags))
    return ", ".join(parts)


def _signed(number: float | None) -> str:
    return "" if number is None else with_minus(f"{number:+g}")
