"""What changed between two pictures and whether it is larger than the doubt, as numbers. Pure.

Offsets are compared in % of each picture's own aperture, so that view and magnification may differ; pixel positions
only when the view is the same.
"""

from dataclasses import dataclass
from math import atan2, degrees, hypot, sqrt
from typing import Literal

import numpy as np

from ..assessment import Assessment
from .agreement import Point2, agreement

Outcome = Literal["better", "worse", "same", "unknown"]

#: Relative 1σ of a current reading when none is given.
METER = 0.01
#: Standard deviations from which a change of the current, or of the offset's length, counts.
COUNTS_FROM = 3.0
#: Doubt of an edge position beside its σ: vibration and the camera's own wander, px (common practice, no source).
WANDER_PX = 0.3


@dataclass(frozen=True, slots=True)
class Change:
    """Before against after.

    Attributes:
        moved: offset after − before, % of the aperture radius, y down; ``None`` when either is not measured.
        moved_percent: its length with 1σ.
        moved_direction_deg: its direction; ``None`` when it is not larger than the doubt.
        larger_than_doubt: whether the move is real; ``None`` when unknown.
        outcome: whether the beam lies nearer to the center, farther, or the same within the doubt.
        aperture_moved: the aperture's movement, px, y down, when the view is the same.
        aperture_moved_real: whether that is larger than its doubt.
        together: both edges moved, and alike: the wrong deflector.
        current_percent: (change of the current as read, 1σ), %; ``None`` without both readings.
        expected_percent: (change of the current that the edges explain, 1σ), %; ``None`` without both scores.
        current_agrees: whether both agree; ``None`` when unknown.
    """

    moved: Point2 | None
    moved_percent: tuple[float, float] | None
    moved_direction_deg: float | None
    larger_than_doubt: bool | None
    outcome: Outcome
    aperture_moved: Point2 | None
    aperture_moved_real: bool
    together: bool
    current_percent: tuple[float, float] | None
    expected_percent: tuple[float, float] | None
    current_agrees: bool | None


def change(before: Assessment, after: Assessment, *, same_view: bool = False, meter: float = METER) -> Change:
    """The change from one picture to the next.

    Args:
        before: the first picture's numbers, with its current where known.
        after: the second's.
        same_view: whether magnification, camera and size are the same, so that pixel positions compare.
        meter: relative 1σ of a current reading.
    """
    first, second = offset_of(before), offset_of(after)
    test = agreement(second, first) if first is not None and second is not None else None
    moved = None if test is None else test.difference
    real = None if test is None else not test.agrees
    places = (aperture_of(before), aperture_of(after)) if same_view else (None, None)
    shift = agreement(places[1], places[0]) if places[0] is not None and places[1] is not None else None
    shifted = shift is not None and not shift.agrees
    read, expected = current_change(before, after, meter), expected_change(before, after)
    return Change(
        moved=moved,
        moved_percent=None if moved is None else length_of(moved),
        moved_direction_deg=direction_of(moved) if moved is not None and real else None,
        larger_than_doubt=real,
        outcome=outcome(before, after),
        aperture_moved=None if shift is None else shift.difference,
        aperture_moved_real=shifted,
        together=shifted and real is False,
        current_percent=read,
        expected_percent=expected,
        current_agrees=_agree(read, expected),
    )


def offset_of(a: Assessment) -> Point2 | None:
    """The offset in the aperture plane, % of the radius; ``None`` when not measured."""
    if a.offset_x_percent is None or a.offset_y_percent is None:
        return None
    sx, sy = a.offset_x_percent_sigma, a.offset_y_percent_sigma
    if sx is None or sy is None:
        return None
    return Point2(a.offset_x_percent, a.offset_y_percent, sx, sy, a.offset_xy_correlation or 0.0)


def aperture_of(a: Assessment) -> Point2 | None:
    """The aperture's center as seen in the picture, px; ``None`` when not measured in it."""
    if a.aperture_x_px is None or a.aperture_y_px is None or a.aperture_source != "picture":
        return None
    sx, sy = a.aperture_x_px_sigma or 0.0, a.aperture_y_px_sigma or 0.0
    return Point2(a.aperture_x_px, a.aperture_y_px, hypot(sx, WANDER_PX), hypot(sy, WANDER_PX))


def length_of(p: Point2) -> tuple[float, float]:
    """(length, 1σ) of a vector, to first order; with no length the larger σ."""
    v = np.array([p.x or 0.0, p.y or 0.0])
    c, size = p.covariance(), float(np.hypot(p.x or 0.0, p.y or 0.0))
    if size == 0.0:
        return 0.0, float(np.sqrt(np.linalg.eigvalsh(c)[-1]))
    return size, float(np.sqrt(max(v @ c @ v, 0.0))) / size


def direction_of(p: Point2) -> float:
    """Direction on the screen (y down in, 90 is up out), degrees."""
    return degrees(atan2(-(p.y or 0.0), p.x or 0.0)) % 360.0


def outcome(before: Assessment, after: Assessment) -> Outcome:
    """Nearer to the center, farther, or the same within 3σ of the lengths' difference."""
    a, b = before.offset_percent, after.offset_percent
    if a is None or b is None:
        return "unknown"
    doubt = hypot(before.offset_percent_sigma or 0.0, after.offset_percent_sigma or 0.0)
    if abs(b - a) <= COUNTS_FROM * doubt:
        return "same"
    return "better" if b < a else "worse"


def current_change(before: Assessment, after: Assessment, meter: float) -> tuple[float, float] | None:
    """(change of the current, 1σ) in % of the first reading; ``None`` without two positive readings."""
    a, b = before.current_pa, after.current_pa
    if a is None or b is None or not (a > 0 and b >= 0):
        return None
    ratio = b / a
    return 100.0 * (ratio - 1.0), 100.0 * max(ratio, 0.1) * sqrt(2.0) * meter


def expected_change(before: Assessment, after: Assessment) -> tuple[float, float] | None:
    """(change of the current that the edges explain, 1σ), %, the halo counted as the meter counts it.

    With h the halo's share before and S the scores, I_after/I_before = h + (1 − h)·S_after/S_before.
    """
    a, b = before.score, after.score
    if a is None or b is None or a <= 0:
        return None
    halo = before.halo_fraction or 0.0
    ratio = b / a
    doubt = ratio * hypot((before.score_sigma or 0.0) / a, (after.score_sigma or 0.0) / b if b > 0 else 0.0)
    halo_doubt = (before.halo_fraction_sigma or 0.02) * abs(ratio - 1.0)
    return 100.0 * (1.0 - halo) * (ratio - 1.0), 100.0 * hypot((1.0 - halo) * doubt, halo_doubt)


def _agree(read: tuple[float, float] | None, expected: tuple[float, float] | None) -> bool | None:
    if read is None or expected is None:
        return None
    return abs(read[0] - expected[0]) <= COUNTS_FROM * hypot(read[1], expected[1])
