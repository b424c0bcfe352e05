"""A recipe's parameters as text: their meanings, and values read from ``name=value``."""

import re
from collections.abc import Iterable
from dataclasses import fields
from difflib import get_close_matches
from typing import Any

from .recipe import Recipe


def meanings() -> dict[str, str]:
    """What each parameter means, by name, from the one place where it is written down: :class:`Recipe`'s docstring."""
    text = (Recipe.__doc__ or "").partition("Attributes:")[2]
    out: dict[str, str] = {}
    for names, meaning in re.findall(r"^ {8}([a-z_0-9, ]+): (.+(?:\n {12}.+)*)", text, re.MULTILINE):
        words = re.sub(r"\s+", " ", meaning).strip().replace("``", "").replace('""', "empty")
        out |= dict.fromkeys((n.strip() for n in names.split(",")), words)
    return out


def parse_values(settings: Iterable[str]) -> dict[str, Any]:
    """Values by name from texts like ``offset_x_percent=6``.

    Raises:
        ValueError: for an unknown name or a value that does not fit; the text says what is allowed.
    """
    defaults = {f.name: f.default for f in fields(Recipe)}
    out: dict[str, Any] = {}
    for setting in settings:
        name, equals, text = setting.partition("=")
        name = name.strip()
        if not equals:
            raise ValueError(f"{setting!r} must read name=value")
        if name not in defaults:
            near = get_close_matches(name, defaults, 3)
            hint = f"; did you mean {' or '.join(near)}?" if near else ""
            raise ValueError(f"there is no parameter {name!r}{hint} (--list shows all)")
        out[name] = _value(name, defaults[name], text.strip())
    return out


def _value(name: str, default: Any, text: str) -> Any:
    if isinstance(default, str):
        return text
    if isinstance(default, bool):
        words = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
        if text.lower() not in words:
            raise ValueError(f"{name} must be yes or no, got {text!r}")
        return words[text.lower()]
    if default is None and text.lower() in ("", "none"):
        return None
    try:
        number = float(text)
    except ValueError:
        raise ValueError(f"{name} must be a number, got {text!r}") from None
    if isinstance(default, int):
        if number != int(number):
            raise ValueError(f"{name} must be a whole number, got {text!r}")
        return int(number)
    return number
