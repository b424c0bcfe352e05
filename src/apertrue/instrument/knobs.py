"""Shift readings and moves in words, in the digits that the console shows: one wording for all who advise a move."""

from .settings import Console


def console_digits(step: float) -> int:
    """Digits after the point that a console with this step shows (3 for a continuous one)."""
    if step <= 0:
        return 3
    return 0 if step >= 1 and step == int(step) else min(6, len(f"{step:.6f}".rstrip("0").split(".")[1]))


def reading_words(value: float, step: float, *, signed: bool = False) -> str:
    """A reading, or with ``signed`` a change of it: ``−2.6``, ``+3.2``; with a true minus sign."""
    text = f"{value:{'+' if signed else ''}.{console_digits(step)}f}"
    return text.replace("-", "−")


def axis_words(console: Console, axis: int, change: float, sigma: float, to: float | None) -> str:
    """What to do with one axis: ``change gun shift X by −2.60 ± 0.05 (to 14.3)``; change and 1σ to the same decimal.

    Args:
        console: names and step.
        axis: 0 for X, 1 for Y.
        change: of the reading, console units, as the console can set it.
        sigma: 1σ of the ideal change, console units.
        to: the reading afterwards; ``None`` when the present one is not known.
    """
    name = (console.name_x, console.name_y)[axis]
    step = console.shift_step
    if change == 0.0:
        return f"leave {name}" if to is None else f"leave {name} at {reading_words(to, step)}"
    digits = console_digits(step) + 1
    doubt = max(sigma, 10.0**-digits)
    move = f"{change:+.{digits}f}".replace("-", "−")
    end = "" if to is None else f" (to {reading_words(to, step)})"
    return f"change {name} by {move} ± {doubt:.{digits}f}{end}"
