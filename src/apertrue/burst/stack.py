"""Mean pictures of many frames, summed as they come, so that a long burst is never in memory as a whole."""

from dataclasses import dataclass, replace
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame

#: Mean pictures kept of frames that are too dim to be read one by one.
GROUPS = 8


@dataclass(slots=True)
class Sum:
    """The running sum of frames of one shape."""

    count: int = 0
    total: NDArray[np.float64] | None = None
    saturated: NDArray[np.bool_] | None = None

    def add(self, frame: Frame) -> None:
        """One more frame."""
        if self.total is None:
            self.total = frame.pixels.astype(np.float64)
        else:
            self.total += frame.pixels
        self.count += 1
        if frame.saturation is not None:
            over = frame.pixels >= frame.saturation
            if over.any():
                self.saturated = over if self.saturated is None else self.saturated | over

    def merged(self, other: "Sum") -> "Sum":
        """Both together."""
        assert self.total is not None
        assert other.total is not None
        marks = [s for s in (self.saturated, other.saturated) if s is not None]
        saturated = None if not marks else np.logical_or.reduce(marks)
        return Sum(self.count + other.count, self.total + other.total, saturated)

    def mean(self, like: Frame) -> Frame:
        """The mean picture, float32, with all else as in ``like``.

        A pixel that was saturated in any of the frames stands at the saturation level, so that it is known as such.
        """
        assert self.total is not None
        pixels: NDArray[Any] = (self.total / self.count).astype(np.float32)
        if self.saturated is not None and like.saturation is not None:
            pixels[self.saturated] = like.saturation
        return replace(like, pixels=pixels, digest=None)


class Groups:
    """Sums of equally many successive frames each; when there are too many groups, neighbors are merged."""

    def __init__(self, most: int = GROUPS) -> None:
        self._most = 2 * (most // 2)
        self._each = 1
        self._sums: list[Sum] = []

    def add(self, frame: Frame) -> None:
        """One more frame."""
        if not self._sums or self._sums[-1].count >= self._each:
            if len(self._sums) == self._most:
                self._sums = self.merged(self._sums)
                self._each *= 2
            self._sums.append(Sum())
        self._sums[-1].add(frame)

    @staticmethod
    def merged(sums: list[Sum]) -> list[Sum]:
        """Neighbors added up, two and two; an odd one at the end is dropped."""
        return [a.merged(b) for a, b in zip(sums[::2], sums[1::2], strict=False)]

    @property
    def full(self) -> list[Sum]:
        """The groups that have their whole number of frames."""
        return [s for s in self._sums if s.count == self._each]

    @property
    def whole(self) -> Sum:
        """All frames together."""
        return reduce(Sum.merged, self._sums)

    @property
    def each(self) -> int:
        """Frames a group."""
        return self._each
