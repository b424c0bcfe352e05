"""One calibration point: the shift readings and the offset seen at them. All estimates start from these."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from ..assessment import Assessment
from ..errors import CalibrationError

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Point:
    """A snapshot at known readings.

    Attributes:
        shift_x, shift_y: readings of gun shift X and Y, console units.
        offset_x, offset_y: beam center − aperture center in the aperture plane, % of the aperture radius, x right, y
            down.
        x_sigma, y_sigma: their 1σ; ``None`` when unknown (then the residuals tell).
        correlation: of the two errors.
        minutes: when it was taken, min from any common start; ``None`` if unknown.
        approach: from which side each axis came, (−1, 0 or 1 for X, the same for Y); 0 = unknown or did not move.
            ``None``: taken from the order of the points.
        aperture_px: position of the aperture's center in the picture (x, y) and its 1σ, px, for the check that a move
            left it where it was.
        radius_px: the aperture's radius, px.
        label: how people find it again (file name, row).
    """

    shift_x: float
    shift_y: float
    offset_x: float
    offset_y: float
    x_sigma: float | None = None
    y_sigma: float | None = None
    correlation: float = 0.0
    minutes: float | None = None
    approach: tuple[int, int] | None = None
    aperture_px: tuple[float, float, float] | None = None
    radius_px: float | None = None
    label: str = ""

    @property
    def readings(self) -> Array:
        """(shift_x, shift_y), console units, shape (2,)."""
        return np.array([self.shift_x, self.shift_y])

    @property
    def offset(self) -> Array:
        """(offset_x, offset_y), % of the aperture radius, shape (2,)."""
        return np.array([self.offset_x, self.offset_y])

    @property
    def covariance(self) -> Array | None:
        """Covariance of the offset, shape (2, 2), %²; ``None`` when unknown."""
        if self.x_sigma is None or self.y_sigma is None:
            return None
        off = self.correlation * self.x_sigma * self.y_sigma
        return np.array([[self.x_sigma**2, off], [off, self.y_sigma**2]])


def point_from(
    assessment: Assessment,
    *,
    shift_x: float | None = None,
    shift_y: float | None = None,
    minutes: float | None = None,
    label: str | None = None,
) -> Point:
    """The point that an assessed picture gives.

    Args:
        assessment: of the picture; its state's readings are used where none are given here.
        shift_x: reading of gun shift X, console units.
        shift_y: reading of gun shift Y, console units.
        minutes: when it was taken, min from any common start; from ``taken_at`` when ``None``.
        label: how people find it again; the file's name when ``None``.

    Raises:
        CalibrationError: no reading, or no offset (the beam is lost or the picture can't tell).
    """
    a = assessment
    label = label if label is not None else (a.file or "this picture")
    sx = shift_x if shift_x is not None else a.gun_shift_x
    sy = shift_y if shift_y is not None else a.gun_shift_y
    if sx is None or sy is None:
        raise CalibrationError(f"{label}: the gun shift readings are missing. Give both")
    if a.offset_x_percent is None or a.offset_y_percent is None:
        scene = a.scene or "nothing"
        raise CalibrationError(
            f"{label}: no offset could be measured (the picture shows: {scene}). "
            "Go back to the last readings at which the beam was seen and take smaller steps"
        )
    if minutes is None and a.taken_at:
        minutes = datetime.fromisoformat(a.taken_at).timestamp() / 60.0
    aperture = None
    if a.aperture_source != "remembered" and a.aperture_x_px is not None and a.aperture_y_px is not None:
        sigma = max(a.aperture_x_px_sigma or 0.0, a.aperture_y_px_sigma or 0.0)
        aperture = (a.aperture_x_px, a.aperture_y_px, sigma)
    return Point(
        float(sx),
        float(sy),
        a.offset_x_percent,
        a.offset_y_percent,
        a.offset_x_percent_sigma,
        a.offset_y_percent_sigma,
        a.offset_xy_correlation or 0.0,
        minutes,
        None,
        aperture,
        a.aperture_radius_px,
        label,
    )


def with_approach(points: Sequence[Point]) -> tuple[Point, ...]:
    """The points with ``approach`` filled in from their order: the sign of the last change of each reading."""
    out: list[Point] = []
    last = [0, 0]
    for i, point in enumerate(points):
        if i:
            for axis, change in enumerate(point.readings - points[i - 1].readings):
                if change:
                    last[axis] = 1 if change > 0 else -1
        out.append(point if point.approach is not None else replace(point, approach=(last[0], last[1])))
    return tuple(out)
