"""What a format's module hands over: pages as stored, with what the file states about them."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..fixed_map import FixedMap


@dataclass(frozen=True, slots=True)
class Facts:
    """What a file states beside its pixels; ``None`` where it is silent.

    Attributes:
        taken_at: when the picture was taken; without zone where the file gives none.
        taken_at_source: where in the file that stands, if not simply ``file``.
        state: fields of :class:`apertrue.frame.State` by name.
        exposure_s: exposure time, s.
        pixel_size_um: pixel size at the camera, µm.
        saturation: level at which the camera saturates, gray levels.
        linear: whether gray levels are stated to be proportional to light.
    """

    taken_at: datetime | None = None
    taken_at_source: str | None = None
    state: Mapping[str, Any] = field(default_factory=FixedMap)
    exposure_s: float | None = None
    pixel_size_um: float | None = None
    saturation: float | None = None
    linear: bool | None = None

    def completed(self, other: "Facts") -> "Facts":
        """These facts, with gaps filled from ``other``."""
        gaps = {
            f.name: getattr(other, f.name)
            for f in fields(self)
            if not f.name.startswith(("state", "taken_at")) and getattr(self, f.name) is None
        }
        if self.taken_at is None:
            gaps |= {"taken_at": other.taken_at, "taken_at_source": other.taken_at_source}
        return replace(self, state={**other.state, **self.state}, **gaps)


NO_FACTS = Facts()


@dataclass(frozen=True, slots=True, eq=False)
class RawPage:
    """One page as stored.

    Attributes:
        pixels: (rows, columns), or (rows, columns, samples) with 1–2 samples gray (+ alpha), 3–4 RGB (+ alpha).
        facts: what the file states.
        saturation: level of the container (for instance 4095 for 12-bit samples); ``None`` = by dtype.
        display: a format or color space made for showing, not measuring: gray levels are not taken as linear.
        camera: a camera's own format: gray levels are proportional to light.
        lossy: whether a lossy compression was used.
        inverted: whether small values mean light.
        transpose, flip_rows, flip_columns: how to stand the picture upright: transposed first, then mirrored.
    """

    pixels: NDArray[Any]
    facts: Facts = NO_FACTS
    saturation: float | None = None
    display: bool = False
    camera: bool = False
    lossy: bool = False
    inverted: bool = False
    transpose: bool = False
    flip_rows: bool = False
    flip_columns: bool = False

    def oriented(self, orientation: int) -> "RawPage":
        """Marked with the orientation (1–8) of TIFF 6.0, tag 274, and Exif 2.3."""
        if orientation not in range(2, 9):
            return self
        # Rows of the table: orientation 2 to 8 -> (transpose, mirror rows, mirror columns).
        turn = {
            2: (False, False, True),
            3: (False, True, True),
            4: (False, True, False),
            5: (True, False, False),
            6: (True, False, True),
            7: (True, True, True),
            8: (True, True, False),
        }[orientation]
        return replace(self, transpose=turn[0], flip_rows=turn[1], flip_columns=turn[2])

    def upright(self) -> NDArray[Any]:
        """The pixels as they are to be looked at (a view)."""
        pixels = self.pixels
        if self.transpose:
            pixels = pixels.swapaxes(0, 1)
        return pixels[:: -1 if self.flip_rows else 1, :: -1 if self.flip_columns else 1]


class Pages(Protocol):
    """An opened file of one format."""

    def __len__(self) -> int:
        """Number of pages."""

    def read(self, page: int, /) -> RawPage:
        """Page number ``page`` (0 ≤ page < len), loading nothing else."""

    def close(self) -> None:
        """Release what was opened beside the source's handle."""


def native(pixels: NDArray[Any]) -> NDArray[Any]:
    """The pixels in this machine's byte order."""
    if pixels.dtype.isnative:
        return pixels
    return pixels.astype(pixels.dtype.newbyteorder("="))


def stored_array(data: bytes, dtype: np.dtype[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """An array from a file's bytes, in native byte order; read-only when nothing needed turning."""
    return native(np.frombuffer(data, dtype=dtype).reshape(shape))
