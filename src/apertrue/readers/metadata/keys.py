"""Generic ``key = value`` metadata: which spellings are understood, and in which units.

A value is taken only when its unit is stated (``High tension: 200 kV``, ``High tension [kV] = 200``, ``exposure_ms =
40``) or when the key alone fixes it (a field's own name such as ``kv`` or ``current_pa``, a pure number such as the
magnification, a console reading such as ``gun shift x``). Units are never guessed. :data:`KEYS` is the documentation.
"""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from math import isfinite
from types import MappingProxyType
from typing import Any

from ...registry import FIELDS
from ..page import Facts
from .times import parse_time

_LENGTH_UM = {"um": 1.0, "micron": 1.0, "microns": 1.0, "micrometer": 1.0, "mm": 1e3}
_TIME_S = {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0}
_TENSION_KV = {"kv": 1.0, "v": 1e-3, "kev": 1.0, "ev": 1e-3}
_CURRENT_PA = {"a": 1e12, "ma": 1e9, "ua": 1e6, "na": 1e3, "pa": 1.0, "fa": 1e-3}
_NO_UNIT = {"": 1.0}
#: What may be typed or read of the instrument's state.
_STATE = {f.name: f for f in FIELDS if f.group == "state" and f.kind == "real"}


@dataclass(frozen=True, slots=True)
class Key:
    """One field and how files spell it.

    Attributes:
        field: our name: a field of ``State``, or exposure_s, pixel_size_um, saturation, linear, taken_at.
        names: spellings in lower case, words parted by single spaces.
        units: unit in lower case (µ as u) → factor to our unit; ``""`` = a bare number is allowed. Empty = text.
        top: names that count only at the top level of nested metadata, being too general further down.
    """

    field: str
    names: frozenset[str]
    units: Mapping[str, float] = dataclass_field(default_factory=lambda: MappingProxyType({}))
    top: frozenset[str] = frozenset()


def _key(name: str, names: str, units: Mapping[str, float] | None = None, top: str = "") -> Key:
    split = [frozenset(n.strip() for n in part.split(",") if n.strip()) for part in (names, top)]
    return Key(name, split[0] | {name.replace("_", " ")}, units or {}, split[1])


KEYS: tuple[Key, ...] = (
    _key(
        "kv",
        "high tension, high voltage, acceleration voltage, accelerating voltage, beam voltage, beam energy",
        _TENSION_KV,
        "ht, tension, voltage",
    ),
    _key(
        "aperture_um",
        "condenser aperture, condenser aperture diameter, condenser aperture size, aperture diameter",
        _LENGTH_UM,
        "aperture",
    ),
    _key(
        "magnification",
        "mag, indicated magnification, nominal magnification",
        {"": 1.0, "x": 1.0, "kx": 1e3, "k": 1e3, "k x": 1e3},
    ),
    _key("spot", "spot size, spot index, spot number"),
    _key("gun_focus", "gun lens focus, gun lens reading", _NO_UNIT),
    _key("gun_shift_x", "gun deflection x, gunshift x", _NO_UNIT),
    _key("gun_shift_y", "gun deflection y, gunshift y", _NO_UNIT),
    _key("focus_side", ""),
    _key("current_pa", "beam current, probe current, screen current", _CURRENT_PA, "current"),
    _key("camera", "camera name, detector name", None, "detector"),
    _key("setting", "gun setting, stored gun setting", None),
    _key("note", "operator note, operators note"),
    _key("exposure_s", "exposure, exposure time, integration time", _TIME_S),
    _key(
        "pixel_size_um", "camera pixel size, detector pixel size, camera pixel pitch, detector pixel pitch", _LENGTH_UM
    ),
    _key("saturation", "saturation level", _NO_UNIT),
    _key("linear", "linear gray levels"),
    _key(
        "taken_at",
        "acquired, acquired at, acquisition date, acquisition time, acquisition datetime, acquisition date time, "
        "date acquired, datetime, date time, date time original, datetime original, timestamp, creation time",
    ),
)

#: What a field's own name says about its unit.
_OWN_UNIT = {"kv": "kv", "aperture um": "um", "current pa": "pa", "exposure s": "s", "pixel size um": "um"}
_BRACKETS = re.compile(r"^(.*?)\s*[\[(]\s*([^\])]*?)\s*[\])]$")
_VALUE = re.compile(r"^([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*)$")
_PAIR = re.compile(r"^\s*([^=:\t]{1,80}?)\s*(?:=|:|\t)\s*(.*?)\s*$")
_MAX_TEXT, _MAX_PAIRS, _MAX_DEPTH = 4 * 2**20, 20_000, 12
_RESERVED_NAMES = {name: k for k in KEYS for name in k.names}
_TOP_NAMES = _RESERVED_NAMES | {name: k for k in KEYS for name in k.top}


def words_of(key: str) -> str:
    """``HighTension_kV`` → ``high tension kv``."""
    spaced = re.sub(r"(?<=[a-z]{2})(?=[A-Z])", " ", key.strip())
    return re.sub(r"[\s_\-./#]+", " ", spaced).strip().casefold()


def _unit(text: str) -> str:
    return text.strip().replace("µ", "u").replace("μ", "u").casefold().rstrip(".")


def find_key(key: str, *, top: bool) -> tuple[Key, str | None] | None:
    """The field that ``key`` spells, and the unit it states (``None`` if none)."""
    unit: str | None = None
    bracket = _BRACKETS.match(key.strip())
    if bracket:
        key, unit = bracket[1], _unit(bracket[2])
    name = words_of(key)
    names = _TOP_NAMES if top else _RESERVED_NAMES
    if name in names:
        return names[name], unit if unit is not None else _OWN_UNIT.get(name)
    head, _, last = name.rpartition(" ")
    if unit is None and head in names and _unit(last) in names[head].units:
        return names[head], _unit(last)
    return None


def facts_from_pairs(pairs: Mapping[str, Any] | Iterator[tuple[str, Any]]) -> Facts:
    """Facts from key–value pairs; a key of nested metadata is given as ``outer/inner``. The first statement wins."""
    found: dict[str, Any] = {}
    items = pairs.items() if isinstance(pairs, Mapping) else pairs
    for count, (path, value) in enumerate(items):
        if count >= _MAX_PAIRS:
            break
        *outer, inner = str(path).split("\0")
        match = find_key(inner, top=not outer)
        if match is None and outer:
            match = find_key(f"{outer[-1]} {inner}", top=False)
        if match is None or match[0].field in found:
            continue
        taken = _convert(match[0], match[1], value)
        if taken is not None:
            found[match[0].field] = taken
    own = ("exposure_s", "pixel_size_um", "saturation", "linear", "taken_at")
    return Facts(**{k: found.pop(k) for k in own if k in found}, state=MappingProxyType(found))


def _convert(key: Key, unit: str | None, value: Any) -> Any:
    """The value in our unit; ``None`` when it is not usable."""
    if key.field == "taken_at":
        return parse_time(str(value))
    if key.field == "linear":
        return {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}.get(
            str(value).strip().casefold()
        )
    if key.field == "focus_side":
        side = str(value).strip().casefold()
        return side if side in ("positive", "negative") else None
    if not key.units:
        text = " ".join(str(value).split())[:500]
        return text or None
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    match = _VALUE.match(str(value).strip())
    if match is None:
        return None
    stated = _unit(match[2]) or (unit or "")
    if unit and match[2].strip() and _unit(match[2]) != unit:
        return None  # key and value contradict each other
    factor = key.units.get(stated)
    number = float(match[1])
    if factor is None or not isfinite(number):
        return None
    result = number * factor
    positive = key.field not in ("gun_focus", "gun_shift_x", "gun_shift_y")
    if positive and (result < 0 or (result == 0 and key.field != "current_pa")):
        return None
    known = _STATE.get(key.field)
    if known is not None and not known.allows(result):
        return None
    return result


def facts_from_text(text: str) -> Facts:
    """Facts from free text: JSON, or lines of ``key = value``, ``key: value`` or ``key<tab>value``."""
    text = text[:_MAX_TEXT].strip("\ufeff \r\n\t\0")
    if not text:
        return Facts()
    if text[0] in "{[":
        try:
            return facts_from_pairs(flatten(json.loads(text)))
        except (ValueError, RecursionError):
            pass
    return facts_from_pairs(_lines(text))


def _lines(text: str) -> Iterator[tuple[str, Any]]:
    for line in text.splitlines():
        parts = line.split(";") if line.count("=") > 1 else [line]
        for part in parts:
            pair = _PAIR.match(part)
            if pair:
                yield pair[1], pair[2].strip("\"'")


def flatten(tree: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, Any]]:
    """Leaves of nested dictionaries, keys joined by NUL. ``{"value": 200, "unit": "kV"}`` becomes ``200 kV``."""
    if len(path) > _MAX_DEPTH:
        return
    if isinstance(tree, Mapping):
        lower = {str(k).casefold(): v for k, v in tree.items()}
        unit = lower.get("unit", lower.get("units"))
        if path and "value" in lower and isinstance(unit, str):
            yield "\0".join(path), f"{lower['value']} {unit}"
            return
        for key, value in tree.items():
            yield from flatten(value, (*path, str(key).replace("\0", "")))
    elif isinstance(tree, str | int | float) and path:
        yield "\0".join(path), tree
