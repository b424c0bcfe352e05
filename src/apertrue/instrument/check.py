"""From a parsed TOML table to an :class:`Instrument`, or all that is wrong with it, each by its key."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from difflib import get_close_matches
from math import isfinite
from typing import Any

from ..fixed_map import FixedMap
from .schema import CAMERA, SECTIONS, TOP, Key
from .settings import Camera, Console, Costs, Instrument, Limits, Working

_CLASSES: Mapping[str, type[Limits | Costs | Working | Console]] = {
    "limits": Limits,
    "costs": Costs,
    "working": Working,
    "console": Console,
}


def instrument_from_table(table: Mapping[str, Any]) -> tuple[Instrument, list[str]]:
    """The instrument that a parsed file describes, and the problems found (empty = it is valid).

    Each problem is one sentence that names the key and says what is allowed. Where there are problems, the
    instrument has starting values in their place and is not to be used.
    """
    problems: list[str] = []
    names = [k.name for k in TOP] + [*SECTIONS, "cameras"]
    _unknown(table, names, "", problems)
    values = _values(table, TOP, "", problems)
    if "apertures_um" in values:
        values["apertures_um"] = tuple(values["apertures_um"])
    for section, (_, keys) in SECTIONS.items():
        part = _table(table, section, section, problems)
        _unknown(part, [k.name for k in keys], f"{section}.", problems)
        values[section] = replace(_CLASSES[section](), **_values(part, keys, f"{section}.", problems))
    values["cameras"] = _cameras(_table(table, "cameras", "cameras", problems), problems)
    instrument = Instrument(**values)
    problems.extend(_contradictions(instrument))
    return instrument, problems


def _cameras(table: Mapping[str, Any], problems: list[str]) -> Mapping[str, Camera]:
    cameras: dict[str, Camera] = {}
    for name in table:
        where = f"cameras.{name}"
        part = _table(table, name, where, problems)
        _unknown(part, [k.name for k in CAMERA], f"{where}.", problems)
        values = _values(part, CAMERA, f"{where}.", problems)
        if "aperture_radius_px" in values:
            values["aperture_radius_px"] = FixedMap(values["aperture_radius_px"])
        cameras[name] = Camera(**values)
    return FixedMap(cameras)


def _table(parent: Mapping[str, Any], name: str, where: str, problems: list[str]) -> Mapping[str, Any]:
    part = parent.get(name, {})
    if isinstance(part, Mapping):
        return part
    problems.append(f"{where} must be a table, written as [{where}]")
    return {}


def _unknown(table: Mapping[str, Any], known: Iterable[str], prefix: str, problems: list[str]) -> None:
    known = list(known)
    for name in table:
        if name not in known:
            near = get_close_matches(name, known, n=1)
            hint = f"did you mean {prefix}{near[0]}?" if near else "known here: " + ", ".join(known)
            problems.append(f"{prefix}{name} is no key of the instrument file; {hint}")


def _values(table: Mapping[str, Any], keys: Iterable[Key], prefix: str, problems: list[str]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for key in keys:
        if key.name not in table:
            continue
        try:
            values[key.name] = _value(key, table[key.name])
        except ValueError:
            problems.append(f"{prefix}{key.name} = {_shown(table[key.name])} is not allowed; allowed: {key.allowed}")
    return values


def _value(key: Key, value: Any) -> Any:
    """The value in its proper type; ``ValueError`` when it is not allowed."""
    match key.kind:
        case "text":
            if not isinstance(value, str) or (key.words and value not in key.words):
                raise ValueError
            return value
        case "truth":
            if not isinstance(value, bool):
                raise ValueError
            return value
        case "number":
            return _number(key, value)
        case "whole":
            if isinstance(value, bool) or not isinstance(value, int) or not key.admits(value):
                raise ValueError
            return value
        case "numbers":
            if not isinstance(value, list):
                raise ValueError
            return [_number(key, v) for v in value]
        case "radii":
            if not isinstance(value, Mapping):
                raise ValueError
            return {_magnification(k): _number(key, v) for k, v in value.items()}


def _number(key: Key, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value) or not key.admits(value):
        raise ValueError
    return float(value)


def _magnification(text: str) -> str:
    """``any``, or the magnification in the spelling by which it is looked up."""
    return text if text == "any" else f"{float(text):g}"


def _shown(value: Any) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _contradictions(instrument: Instrument) -> list[str]:
    limits, console, found = instrument.limits, instrument.console, []
    for low, high, section, a, b in (
        ("offset_leave", "offset_nudge", "limits", limits.offset_leave, limits.offset_nudge),
        ("score_nudge", "score_leave", "limits", limits.score_nudge, limits.score_leave),
        ("gap_beam_from", "gap_beam_to", "limits", limits.gap_beam_from, limits.gap_beam_to),
        ("shift_min", "shift_max", "console", console.shift_min, console.shift_max),
    ):
        if a >= b:
            found.append(f"{section}.{low} = {a:g} must be smaller than {section}.{high} = {b:g}")
    if instrument.default_camera is not None and instrument.default_camera not in instrument.cameras:
        known = ", ".join(instrument.cameras) or "none is described yet"
        found.append(
            f'default_camera = "{instrument.default_camera}" is not described; '
            f'allowed: a camera of this file ({known}); describe it under [cameras."{instrument.default_camera}"]'
        )
    if instrument.timezone is not None and not _is_zone(instrument.timezone):
        found.append(
            f'timezone = "{instrument.timezone}" is no time zone; '
            'allowed: an IANA name such as "Europe/Berlin" or "UTC"'
        )
    return found


def _is_zone(name: str) -> bool:
    from zoneinfo import ZoneInfo, available_timezones

    try:
        ZoneInfo(name)
    except (OSError, ValueError, KeyError):
        # Windows has no zone data of its own; without any there is nothing to check against.
        return not available_timezones()
    return True
