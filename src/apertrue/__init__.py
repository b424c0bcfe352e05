"""apertrue: is the beam centered in the condenser aperture? One picture, one answer, with its doubt.

>>> import apertrue
>>> a = apertrue.assess("snapshot.tif")  # doctest: +SKIP
>>> a.verdict, a.offset_percent, a.offset_percent_sigma  # doctest: +SKIP
('nudge', 8.31, 0.05)

Importing the package loads nothing heavy; each name below is imported when it is first used.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

from ._version import __version__

if TYPE_CHECKING:
    from .advice import Advice, Context
    from .api import Combined, Judged, assess, combine
    from .assessment import Assessment
    from .errors import ApertrueError, InstrumentError, ReadError
    from .frame import Frame
    from .instrument import Instrument, load_instrument
    from .scene import Hints

__all__ = [
    "Advice",
    "ApertrueError",
    "Assessment",
    "Combined",
    "Context",
    "Frame",
    "Hints",
    "Instrument",
    "InstrumentError",
    "Judged",
    "ReadError",
    "__version__",
    "assess",
    "combine",
    "load_instrument",
]

# Name → module that has it.
_WHERE = {
    "Advice": "advice",
    "ApertrueError": "errors",
    "Assessment": "assessment",
    "Combined": "api",
    "Context": "advice",
    "Frame": "frame",
    "Hints": "scene",
    "Instrument": "instrument",
    "InstrumentError": "errors",
    "Judged": "api",
    "ReadError": "errors",
    "assess": "api",
    "combine": "api",
    "load_instrument": "instrument",
}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f".{_WHERE[name]}", __name__), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)


class _Package(ModuleType):
    """Keeps ``apertrue.assess`` the function: importing the room of that name would bind the room over it."""

    def __setattr__(self, name: str, value: Any) -> None:
        if name == "assess" and isinstance(value, ModuleType):
            return
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
