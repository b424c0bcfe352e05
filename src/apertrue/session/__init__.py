"""The working day: a log of what was seen and done, and what follows from it for the next decision.

Names are imported when they are first used: writing a note needs neither NumPy nor the drift model.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .clock import TimeError, read_time, zone_of
    from .context import context_for
    from .entry import SessionEvent
    from .judging import Logged, add_result, judge_in_session
    from .log import SessionError, add_event, add_picture, default_log_path, events, open_log, retract
    from .stand import Standing, standing
    from .words import EVENT_WORDS, OUTCOMES, EventKind

# Name → module that has it.
_WHERE = {
    "EVENT_WORDS": "words",
    "OUTCOMES": "words",
    "EventKind": "words",
    "Logged": "judging",
    "SessionError": "log",
    "SessionEvent": "entry",
    "Standing": "stand",
    "TimeError": "clock",
    "add_event": "log",
    "add_picture": "log",
    "add_result": "judging",
    "context_for": "context",
    "default_log_path": "log",
    "events": "log",
    "judge_in_session": "judging",
    "open_log": "log",
    "read_time": "clock",
    "retract": "log",
    "standing": "stand",
    "zone_of": "clock",
}

__all__ = [
    "EVENT_WORDS",
    "OUTCOMES",
    "EventKind",
    "Logged",
    "SessionError",
    "SessionEvent",
    "Standing",
    "TimeError",
    "add_event",
    "add_picture",
    "add_result",
    "context_for",
    "default_log_path",
    "events",
    "judge_in_session",
    "open_log",
    "read_time",
    "retract",
    "standing",
    "zone_of",
]


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f".{_WHERE[name]}", __name__), name)
    globals()[name] = value
    return value
