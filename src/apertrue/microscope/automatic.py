"""An automatic routine that maximizes current, takes its time and sometimes hangs; and the same search for comparison.

The search scans each axis over the flank of the transmission curve and goes to the middle of what lies above nine
tenths of its maximum: the intensity center. A beam smaller than the aperture has a flat top there, hence the middle.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

#: Scan positions an axis.
SCAN = 9


@dataclass(frozen=True, slots=True)
class AutomaticRun:
    """One run.

    Attributes:
        outcome: ``done`` or ``hung``.
        minutes: how long it took, min.
        readings: current readings that it made.
        start, end: readings of the shift before and after, console units.
    """

    outcome: str
    minutes: float
    readings: int
    start: tuple[float, float]
    end: tuple[float, float]


def maximize_current(
    measure: Callable[[float, float], float],
    start: tuple[float, float],
    reach: tuple[float, float],
    *,
    rounds: int = 3,
    low: float = -np.inf,
    high: float = np.inf,
) -> tuple[float, float, int]:
    """The readings of most current, found by scanning each axis in turn.

    Args:
        measure: sets readings and returns the current, pA.
        start: readings to start from.
        reach: half width of the first scan of each axis, console units.
        rounds: scans of both axes; each round's reach is 0.75 of the one before. A scan whose maximum lies at its
            end is repeated from there, twice at most.
        low: lower end of the console's range.
        high: its upper end.

    Returns:
        X, Y and the number of current readings.
    """
    at = [start[0], start[1]]
    n = 0
    for turn in range(rounds):
        for axis in (0, 1):
            half = reach[axis] * 0.75**turn
            for _ in range(3):
                where = np.clip(np.linspace(at[axis] - half, at[axis] + half, SCAN), low, high)
                seen = np.empty(SCAN)
                for i, value in enumerate(where):
                    place = list(at)
                    place[axis] = float(value)
                    seen[i] = measure(place[0], place[1])
                n += SCAN
                top = float(np.sort(seen)[-2:].mean())
                at[axis] = _middle(where, seen, 0.9 * top)
                # A maximum at the scan's end is none yet: scan on from there.
                if np.argmax(seen) not in (0, SCAN - 1):
                    break
    measure(at[0], at[1])
    return at[0], at[1], n + 1


def _middle(where: np.ndarray, seen: np.ndarray, level: float) -> float:
    """Middle between the two places where the current crosses a level around its maximum, linear between readings."""
    k = int(np.argmax(seen))
    left = k
    while left > 0 and seen[left - 1] > level:
        left -= 1
    right = k
    while right < len(seen) - 1 and seen[right + 1] > level:
        right += 1
    a, b = float(where[left]), float(where[right])
    if left > 0:
        a -= (seen[left] - level) / (seen[left] - seen[left - 1]) * float(where[left] - where[left - 1])
    if right < len(seen) - 1:
        b += (seen[right] - level) / (seen[right] - seen[right + 1]) * float(where[right + 1] - where[right])
    return (a + b) / 2.0
