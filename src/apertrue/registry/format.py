"""Numbers for people: one formatter for command line, window and report, so that all show the same digits.

``value ± σ unit``: σ with two significant digits when it begins with 1 or 2, else with one, and the value to the same
place (the custom of the GUM, JCGM 100:2008, 7.2.6, which asks for at most two). What is not measured is ``—``; minus signs
are true ones. Programs get numbers, not these texts.
"""

import re
from collections.abc import Iterable
from math import floor, isfinite, log10
from typing import Any

from .fields import field

#: What stands for "not measured" or "not known".
NOTHING = "—"
#: Before numbers for people; a hyphen is easily missed.
MINUS = "−"

_UNITS = {"1": "", "0–100": "", "deg": "°", "% of the aperture radius": "%", "console units": ""}
_MOST_DECIMALS = 6
_TYPED = re.compile(r"[-+]?(\d+[.,]?\d*|[.,]\d+)([eE][-+]?\d+)?")
_HYPHEN_MINUS = re.compile(r"(?<![\w.-])-(?=[\d.])")


def format_value(name: str, value: Any, sigma: float | None = None, *, unit: bool = True) -> str:
    """The field ``name``'s value for people, with its 1σ where there is one: ``12.3 ± 0.4 %``; ``—`` for ``None``.

    ``unit=False`` leaves the unit out, for tables that state it in the heading. Units of ``console units`` and pure
    numbers are never printed. Lists are comma-separated, an empty list reads ``none``.
    """
    f = field(name.removesuffix("_sigma"))
    if value is None:
        return NOTHING
    if f.kind == "texts":
        return ", ".join(_items(value)) or "none"
    if f.kind == "text":
        return str(value)
    if f.kind == "whole":
        return str(int(value))
    symbol = unit_symbol(name) if unit else ""
    return format_number(float(value), sigma, unit=symbol, decimals=f.decimals, exact=not f.measured)


def format_number(
    value: float | None,
    sigma: float | None = None,
    *,
    unit: str = "",
    decimals: int = 2,
    exact: bool = False,
) -> str:
    """``value ± sigma unit`` with sensible digits; without a (positive, finite) σ, ``decimals`` digits after the point.

    ``exact`` drops trailing zeros: right for settings and readings (``200 kV``), not for measured values.
    """
    if value is None or not isfinite(value):
        return NOTHING
    if sigma is not None and isfinite(sigma) and sigma > 0:
        places = _places(sigma)
        digits = max(places, 0)
        text = f"{_plain(round(value, places), digits)} ± {_plain(round(sigma, places), digits)}"
    else:
        text = _plain(value, decimals)
        if exact and "." in text:
            text = text.rstrip("0").rstrip(".")
    return text + ("" if not unit else unit if unit == "°" else f" {unit}")


def as_current(pa: float) -> str:
    """A current in three digits as people write it: ``38 pA``, ``1.2 nA``."""
    # From half a digit below: three digits of 999.7 pA are 1 nA.
    return f"{pa / 1000:.3g} nA" if abs(pa) >= 999.5 else f"{pa:.3g} pA"


def number_typed(text: str) -> float | None:
    """The finite number that a person typed, with decimal point or comma and either minus sign; ``None`` if it is none."""
    plain = text.strip().replace(MINUS, "-")
    if not _TYPED.fullmatch(plain):
        return None
    value = float(plain.replace(",", "."))
    return value if isfinite(value) else None


def with_minus(text: str) -> str:
    """A text for people with true minus signs before its numbers; dates, ranges and names with hyphens stay."""
    return _HYPHEN_MINUS.sub(MINUS, text)


def unit_symbol(name: str) -> str:
    """The short unit of a field as printed after a number; empty for pure numbers, texts and console units."""
    unit = field(name.removesuffix("_sigma")).unit
    return _UNITS.get(unit, unit)


def heading(name: str) -> str:
    """A table's heading: the field's label with its unit."""
    f, unit = field(name), unit_symbol(name)
    return f"{f.heading}, {unit}" if unit else f.heading


def _places(sigma: float) -> int:
    """Decimal places (negative: tens, hundreds) to which a value with this σ is rounded."""
    for _ in range(2):
        exponent = floor(log10(sigma))
        leading = sigma / 10.0**exponent
        places = (1 if leading < 2.95 else 0) - exponent
        rounded = round(sigma, places)
        if rounded > 0 and floor(log10(rounded)) > exponent:  # 0.096 rounds up into the next decade
            sigma = rounded
            continue
        break
    return min(places, _MOST_DECIMALS)


def _plain(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if not text.startswith("-"):
        return text
    return MINUS + text[1:] if text.strip("-0.") else text[1:]  # no "−0.00"


def _items(value: Any) -> Iterable[str]:
    return value.split(";") if isinstance(value, str) else [str(v) for v in value]
