"""What a caller may say about reading."""

from dataclasses import dataclass, field

from ..frame import State

#: Largest page that is read by default, pixels (rows × columns): 8192 × 8192. Whatever a file of it holds, reading and
#: judging stays under 1 GiB.
MAX_PIXELS = 64 * 2**20
#: A picture's side may not be shorter, px: nothing round can be measured in less.
MIN_SIDE = 16


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """Limits of reading, and what fills the gaps that a file leaves.

    Attributes:
        max_pixels: largest page, rows × columns; larger ones are refused before anything is decoded.
        timezone: IANA name (``Europe/Berlin``) of the zone of times that a file states without one;
            ``None`` = the zone of this machine.
        state: fills what the file does not state about the instrument; marked with the source ``option``.
        linear: whether gray levels are proportional to light, where the file does not say.
        saturation: level at which the camera saturates, gray levels, where the file does not say.
    """

    max_pixels: int = MAX_PIXELS
    timezone: str | None = None
    state: State = field(default_factory=State)
    linear: bool | None = None
    saturation: float | None = None

    @property
    def max_bytes(self) -> int:
        """Largest decoded page, bytes (7 for each allowed pixel: three channels of 16 bits, or most of a double)."""
        return 7 * self.max_pixels
