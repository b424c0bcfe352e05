"""The working day: a log of what was seen and done, and what follows from it for the next decision."""

from .clock import TimeError, read_time, zone_of
from .context import context_for
from .events import SessionEvent
from .judging import Logged, add_result, judge_in_session
from .log import SessionError, add_event, add_picture, default_log_path, events, open_log, retract
from .standing import Standing, standing
from .words import EVENT_WORDS, OUTCOMES, EventKind

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
