"""Numbers and directions in plain words: value ± 1σ, clock and compass words. Pure."""

from ..registry.format import MINUS, format_number

_COMPASS = ("right", "up and right", "up", "up and left", "left", "down and left", "down", "down and right")


def measured(value: float, sigma: float | None, unit: str = "", *, signed: bool = False) -> str:
    """``23.0 ± 0.3 %``, digits as everywhere in the house; a true minus sign, and a plus sign if ``signed``."""
    text = format_number(value, sigma, unit=unit, decimals=1)
    return "+" + text if signed and not text.startswith(MINUS) else text


def compass(degrees: float) -> str:
    """One of eight words for a direction, degrees counter-clockwise from +x (90 is up)."""
    return _COMPASS[round(degrees / 45.0) % 8]


def clock(degrees: float) -> str:
    """The same as on a clock's face: 90 is 12 o'clock, 0 is 3 o'clock."""
    return f"{round(3.0 - degrees / 30.0) % 12 or 12} o'clock"


def toward(degrees: float) -> str:
    """``40° (up and right, 2 o'clock)``."""
    return f"{round(degrees) % 360}° ({compass(degrees)}, {clock(degrees)})"


def minutes(value: float) -> str:
    """Expected minutes: one decimal under 10, whole beyond."""
    return f"{value:.1f} min" if value < 9.95 else f"{value:.0f} min"
