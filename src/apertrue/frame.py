"""A picture as read, and the instrument's state that came with it: what readers hand to the rest of the house."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .fixed_map import FixedMap

#: ``Frame.taken_at_source`` of a time that is only the file's own; copying changes it, so no age is taken from it.
FILE_TIME = "file time"
#: A picture from further in the future than this has a wrong clock, s.
FUTURE_S = 120.0

_EMPTY: Mapping[str, str] = FixedMap()


@dataclass(frozen=True, slots=True)
class State:
    """The instrument's state as read; ``None`` where unknown. Units and meanings: the registry's group ``state``.

    ``sources`` says where each value came from: ``file``, ``sheet``, ``option``, ``operator`` or ``instrument file``.
    """

    gun_shift_x: float | None = None
    gun_shift_y: float | None = None
    gun_focus: float | None = None
    focus_side: str | None = None
    current_pa: float | None = None
    kv: float | None = None
    spot: str | None = None
    aperture_um: float | None = None
    magnification: float | None = None
    camera: str | None = None
    setting: str | None = None
    note: str | None = None
    sources: Mapping[str, str] = field(default_factory=lambda: _EMPTY, hash=False)

    def updated(self, source: str, **values: Any) -> "State":
        """A copy with the given values (``None`` leaves a field as it is), each marked as coming from ``source``."""
        known = {k: v for k, v in values.items() if v is not None}
        return replace(self, **known, sources={**self.sources, **dict.fromkeys(known, source)})

    def values(self) -> dict[str, Any]:
        """The fields without ``sources``, by name."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name != "sources"}


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture, ready to be measured.

    Attributes:
        pixels: 2-D array, rows downward, columns to the right, any integer or float dtype in native byte order;
            more light is a larger value. Color is already turned into intensity. Never written to.
        file: the file as given; ``None`` for an array.
        page: page of the stack, from 0.
        taken_at: when it was taken, with zone; ``None`` if unknown.
        taken_at_source: where that came from (``file``, ``file time``, ``sheet``, …).
        state: the instrument's state.
        saturation: the level at and above which a pixel is saturated, in units of ``pixels``; ``None`` if unknown.
        linear: whether gray levels are proportional to light: ``True`` stated, ``False`` known not to be
            (or nothing says so and the picture is an 8-bit display picture, colored or lossy), ``None`` unknown.
        lossy: whether a lossy compression was used.
        color: whether the file's picture had color.
        pixel_size_um: pixel size at the camera, µm.
        exposure_s: exposure time, s.
        digest: hash of the pixels' bytes, to notice the same frame again.
    """

    pixels: NDArray[Any]
    file: str | None = None
    page: int = 0
    taken_at: datetime | None = None
    taken_at_source: str | None = None
    state: State = field(default_factory=State)
    saturation: float | None = None
    linear: bool | None = None
    lossy: bool = False
    color: bool = False
    pixel_size_um: float | None = None
    exposure_s: float | None = None
    digest: str | None = None

    def __post_init__(self) -> None:
        if self.pixels.ndim != 2:
            raise ValueError(f"a Frame holds one 2-D picture, got shape {self.pixels.shape}")
        if self.pixels.dtype.kind not in "uif":
            raise ValueError(f"a Frame holds integers or floats, got dtype {self.pixels.dtype}")

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        rows, columns = self.pixels.shape
        return int(rows), int(columns)

    @property
    def photograph(self) -> bool:
        """Whether it may be a photograph of a screen, taken from anywhere, with the screen's rim and a room about."""
        return self.lossy or self.color


def as_frame(source: "Frame | NDArray[Any]", **about: Any) -> Frame:
    """A :class:`Frame` from a frame (returned as it is) or a 2-D array with what is known about it.

    An array's dtype is taken to say nothing about gamma (``linear=None``); for unsigned integers the dtype's
    maximum is taken as the saturation level.
    """
    if isinstance(source, Frame):
        return replace(source, **about) if about else source
    pixels = np.asarray(source)
    if pixels.dtype == np.bool_:
        pixels = pixels.astype(np.uint8)
    if not pixels.dtype.isnative:
        pixels = pixels.astype(pixels.dtype.newbyteorder("="))
    if pixels.dtype.kind == "u" and "saturation" not in about:
        about["saturation"] = float(np.iinfo(pixels.dtype).max)
    return Frame(pixels, **about)


def age_min(frame: Frame, now: datetime, trust_file_time: bool = False) -> float | None:
    """Minutes since the picture was taken; ``None`` when its time is unknown, only the file's, or in the future."""
    if frame.taken_at is None or (frame.taken_at_source == FILE_TIME and not trust_file_time):
        return None
    taken = frame.taken_at if frame.taken_at.tzinfo is not None else frame.taken_at.replace(tzinfo=UTC)
    age_s = (now - taken).total_seconds()
    return None if age_s < -FUTURE_S else max(age_s, 0.0) / 60.0
