"""Numbers and directions in plain words: value ± 1σ with fitting digits, clock and compass words. Pure."""

from math import floor, log10

MINUS = "−"

_COMPASS = ("right", "up and right", "up", "up and left", "left", "down and left", "down", "down and right")


def decimals_for(sigma: float | None, most: int = 2) -> int:
    """Digits after the point that a 1σ supports: two figures of it when it starts with 1, else one."""
    if sigma is None or not sigma > 0:
        return min(1, most)
    power = floor(log10(sigma))
    if int(sigma / 10.0**power) == 1:
        power -= 1
    return max(0, min(most, -power))


def number(value: float, decimals: int, signed: bool = False) -> str:
    """``value`` with a true minus sign, and a plus sign if ``signed``; never a negative zero."""
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0.0:
        return text
    if value < 0:
        return MINUS + text
    return "+" + text if signed else text


def measured(value: float, sigma: float | None, unit: str = "", *, most: int = 2, signed: bool = False) -> str:
    """``23.0 ± 0.3 %``; without a σ only the value. ``unit`` follows after a space."""
    decimals = decimals_for(sigma, most)
    text = number(value, decimals, signed)
    if sigma is not None and sigma > 0:
        doubt = f"{sigma:.{decimals}f}"
        if float(doubt) == 0.0:
            doubt = f"{10.0**-decimals:.{decimals}f}"
        text += f" ± {doubt}"
    return f"{text} {unit}".rstrip()


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
