"""Reading and writing the instrument file (TOML 1.0, https://toml.io)."""

import json
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from ..errors import InstrumentError
from .check import instrument_from_table
from .schema import CAMERA, SECTIONS, TOP, Key
from .settings import Camera, Instrument

__all__ = [
    "ENVIRONMENT_VARIABLE",
    "calibrations_beside",
    "default_instrument_path",
    "dumps_instrument",
    "find_instrument",
    "load_instrument",
    "loads_instrument",
]

#: Names the instrument file to use where none is given.
ENVIRONMENT_VARIABLE = "APERTRUE_INSTRUMENT"

# No instrument file comes near this; a picture given by mistake does.
_MOST_BYTES = 1_000_000


def default_instrument_path() -> Path:
    """Where the instrument file lies when nothing else is said: the user's folder for settings."""
    from platformdirs import user_config_path

    return user_config_path("apertrue", appauthor=False) / "instrument.toml"


def calibrations_beside(path: str | os.PathLike[str] | None = None) -> Path:
    """Where the shift calibrations of an instrument lie: ``microscope.toml`` has ``microscope.calibrations.json``.

    ``None``: beside the default instrument file, whether there is one or not.
    """
    return (default_instrument_path() if path is None else Path(path)).with_suffix(".calibrations.json")


def find_instrument(path: str | os.PathLike[str] | None = None) -> tuple[Instrument, Path | None]:
    """The instrument to use and the file it came from (``None`` = starting values, no file).

    Looked for in this order: ``path``, the environment variable APERTRUE_INSTRUMENT, the default place. Only the last
    may be missing.

    Raises:
        InstrumentError: a named file is missing, or the file found is wrong.
    """
    named = path or os.environ.get(ENVIRONMENT_VARIABLE)
    place = Path(named) if named else default_instrument_path()
    if not named and not place.is_file():
        return Instrument(), None
    return load_instrument(place), place


def load_instrument(path: str | os.PathLike[str]) -> Instrument:
    """Read and check an instrument file.

    Raises:
        InstrumentError: it can't be read, is no TOML, or has keys or values that are not allowed; all are named.
    """
    place = Path(path)
    try:
        if place.stat().st_size > _MOST_BYTES:
            raise InstrumentError(f"{place}: this is too large for an instrument file. Is it a picture?")
        text = place.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InstrumentError(f"{place}: there is no such file. Write one with: apertrue instrument {place}") from None
    except UnicodeDecodeError:
        raise InstrumentError(f"{place}: this is no text in UTF-8. Save it as UTF-8, or check the file name.") from None
    except OSError as error:
        raise InstrumentError(
            f"{place}: can't be read ({error.strerror or error}). Check the file and its rights."
        ) from None
    return loads_instrument(text, str(place))


def loads_instrument(text: str, source: str = "instrument file") -> Instrument:
    """The same from a text; ``source`` stands in front of each message."""
    import tomllib

    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InstrumentError(
            f"{source}: this is no valid TOML: {error}. Texts need quotes; true and false do not."
        ) from None
    instrument, problems = instrument_from_table(table)
    if problems:
        raise InstrumentError("\n".join(f"{source}: {problem}" for problem in problems))
    return instrument


def dumps_instrument(instrument: Instrument | None = None) -> str:
    """The instrument file as text, each key with its unit, meaning and allowed values in a comment.

    What is not set stands commented out as an example. Reading the text back gives the same instrument.
    """
    instrument = instrument or Instrument()
    lines = [
        "# apertrue: instrument file of one microscope. Limits and costs start from common practice; make them yours.",
        "# Check it with: apertrue instrument --check FILE",
        "# apertrue only advises; the maker's manual, local rules and trained staff come first.",
        "",
        *_entries(TOP, instrument),
    ]
    for section, (heading, keys) in SECTIONS.items():
        lines += ["", f"# {heading}", f"[{section}]", *_entries(keys, getattr(instrument, section))]
    lines += ["", "# Cameras and screens, one section each: [cameras.NAME]"]
    for name, camera in instrument.cameras.items():
        lines += ["", f"[cameras.{_key(name)}]", *_entries(CAMERA, camera)]
    if not instrument.cameras:
        lines += ["# [cameras.screen]", *_entries(CAMERA, Camera(), off=True)]
    return "\n".join(lines) + "\n"


def _entries(keys: Iterable[Key], holder: object, *, off: bool = False) -> list[str]:
    lines = []
    for key in keys:
        value = getattr(holder, key.name)
        unset = value is None or (key.example != "" and not isinstance(value, bool | float | int) and not value)
        entry = f"{key.name} = {key.example if unset else _toml(value)}"
        if unset or off:
            entry = "# " + entry
        hint = f" [{key.hint}]" if key.hint else ""
        lines += [f"# {key.comment[0].upper()}{key.comment[1:]}{hint}", entry]
    return lines


def _toml(value: Any) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            # A JSON string is a TOML basic string, but for the one control character that JSON leaves as it is.
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case int() | float():
            return repr(value)
        case Mapping():
            return "{ " + ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items()) + " }"
        case _:
            return "[" + ", ".join(_toml(v) for v in value) + "]"


def _key(name: str) -> str:
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare else _toml(name)
