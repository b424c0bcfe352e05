"""Does a new calibration contradict the one that it follows in the same state? A sign typed wrongly shows here."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .confirm import DENIED, view_of
from .leastsquares import chi2_tail
from .model import Calibration, choose, date_words, newest_valid

Array = NDArray[np.float64]

#: Directions or lengths of an axis that differ by less than this are drift, focus or an honest doubt, no mistake.
_APART_DEG, _APART_RATIO = 15.0, 1.25


@dataclass(frozen=True, slots=True)
class Contradiction:
    """What a new calibration says otherwise than the newest kept one of its state.

    Attributes:
        number: of the kept one in its file, from 1.
        opposite: the axes (``X``, ``Y``) that turn the beam the other way than there.
        sentences: the same for people, with what to do.
    """

    number: int
    opposite: tuple[str, ...]
    sentences: tuple[str, ...]


def contradiction(kept: Sequence[Calibration], new: Calibration) -> Contradiction | None:
    """What ``new`` says otherwise than the calibration that its state had before; ``None`` where they agree.

    Args:
        kept: the calibrations of the file, without the new one.
        new: the new one, as it will be added behind them.
    """
    before = newest_valid(kept, new.state)
    if before is None:
        return None
    difference = (new.a - before.a).ravel()
    if chi2_tail(float(difference @ np.linalg.pinv(new.cov + before.cov) @ difference), 4) > DENIED:
        return None
    opposite = tuple(name for k, name in enumerate("XY") if float(before.a[:, k] @ new.a[:, k]) < 0.0)
    if not opposite and not any(_apart(before.a[:, k], new.a[:, k]) for k in (0, 1)):
        return None
    number = next(i for i, c in enumerate(kept, 1) if c is before)
    when = date_words(before)
    which = f"calibration {number}{f' of {when}' if when else ''} in the same state"
    if opposite:
        turn = "turn" if len(opposite) == 2 else "turns"
        said = f"Gun shift {' and '.join(opposite)} {turn} the beam the other way than in {which}."
        why = f"One of both has a typing error (a sign), or the view is {view_of(opposite)} since."
    else:
        said = f"This calibration contradicts {which}: {_compared(before, new)}."
        why = "One of both has a typing error, or something changed that the pictures don't tell."
    used = "this one" if choose([*kept, new], new.state) is new else "the earlier one, which is dated later,"
    end = f"From now on {used} is used. Find out which is wrong and take it out: apertrue calibrate --forget NUMBER"
    numbers = f"({number} is the earlier one, {len(kept) + 1} this one)"
    return Contradiction(number, opposite, (said, why, f"{end} {numbers}."))


def _apart(before: Array, new: Array) -> bool:
    ratio = float(np.hypot(*new) / max(np.hypot(*before), 1e-12))
    cosine = float(before @ new) / max(float(np.hypot(*before) * np.hypot(*new)), 1e-12)
    turned = float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
    return turned > _APART_DEG or not 1 / _APART_RATIO < ratio < _APART_RATIO


def _compared(before: Calibration, new: Calibration) -> str:
    a, b = before.description, new.description
    return ", ".join(
        f"{axis} +1 moves the beam {b[f'gain_{k}_percent']:.2f} % toward {b[f'direction_{k}_deg']:.0f}° instead of "
        f"{a[f'gain_{k}_percent']:.2f} % toward {a[f'direction_{k}_deg']:.0f}°"
        for axis, k in (("X", "x"), ("Y", "y"))
    )
