"""Watching a folder: each new picture judged, logged and warned about as it arrives."""

from .arrivals import Arrivals
from .engine import Settings, Update, Watcher, done_before
from .warning import Alarm, CommandError, Reminder, split_command

__all__ = [
    "Alarm",
    "Arrivals",
    "CommandError",
    "Reminder",
    "Settings",
    "Update",
    "Watcher",
    "done_before",
    "split_command",
]
