"""What worker processes do in a burst: read and measure, the edges followed from picture to picture to keep up.

Following takes about a third of the time of looking afresh. Its numbers are as true (the same doubt), but differ from
those of a picture judged by itself by some tenths of σ, so that each such row carries the flag ``followed``.
"""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from ..assessment import Assessment
from ..errors import ReadError, reason_of
from ..frame import Frame
from ..instrument import Instrument, completed, dumps_instrument, loads_instrument
from ..pipeline import measure
from ..readers import BadPage, ReadOptions, read_pages
from ..scene import Hints, Scene

#: The flag of a picture whose edges were looked for where the last one had them.
FOLLOWED = "followed"
#: Pictures taken farther apart than this are no live view: each is looked at afresh, s.
APART_S = 5.0
#: A worker looks afresh at every so manieth picture, so that no wrong start lives on.
AFRESH_EVERY = 50


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """What a worker sends back; the pixels stay there, and the advice is given where the history is known."""

    frame: Frame
    scene: Scene
    assessment: Assessment


@dataclass(frozen=True, slots=True)
class Failed:
    """A page that could not be read or measured.

    Attributes:
        page: which one, from 0; ``None`` when the file has no other.
        reason: for people, without the file's name.
        unread: whether it was the reading that failed: then the file may not be whole yet.
    """

    page: int | None
    reason: str
    unread: bool


class Measure:
    """Reads and measures one file in a worker (an instrument travels as its file's text).

    Args:
        instrument: limits, costs, cameras.
        follow: start from the worker's last picture where the view is the same.
    """

    def __init__(self, instrument: Instrument, *, follow: bool = True) -> None:
        self._text = dumps_instrument(instrument)
        self._instrument: Instrument | None = None
        self._follow = follow
        self._last: tuple[_View, datetime | None, str | None, Scene] | None = None
        self._run = 0

    def __call__(self, file: str) -> list[Measured | Failed]:
        """All pages of one file; one that fails takes none of the others along."""
        if self._instrument is None:
            self._instrument = loads_instrument(self._text)
        out: list[Measured | Failed] = []
        for found in read_pages(file, options=ReadOptions(timezone=self._instrument.timezone)):
            try:
                if isinstance(found, BadPage):
                    raise found.error
                out.append(self._measured(found, self._instrument))
            except Exception as error:
                out.append(Failed(found.page, reason_of(error), isinstance(error, ReadError)))
        return out

    def _measured(self, frame: Frame, instrument: Instrument) -> Measured:
        frame = completed(frame, instrument)
        previous = self._previous(frame)
        scene, assessment = measure(frame, instrument, Hints(previous=previous))
        if previous is not None:
            assessment = replace(assessment, flags=(*(assessment.flags or ()), FOLLOWED))
        state = replace(frame.state, sources=dict(frame.state.sources))
        bare = replace(frame, pixels=np.zeros((1, 1), np.uint8), state=state)
        self._last = _view(frame), frame.taken_at, frame.digest, scene
        return Measured(bare, scene, assessment)

    def _previous(self, frame: Frame) -> Scene | None:
        """The last picture's scene, if this one can be followed from it; the engine looks whether its edges are there.

        The same frame again is looked at afresh: its numbers must not hang on how often it came.
        """
        self._run += 1
        if not self._follow or self._last is None or self._run % AFRESH_EVERY == 0:
            return None
        view, taken, digest, scene = self._last
        if view != _view(frame) or (digest is not None and digest == frame.digest):
            return None
        if taken is None or frame.taken_at is None or abs((frame.taken_at - taken).total_seconds()) > APART_S:
            return None
        return scene if scene.aperture is not None and scene.beam is not None else None


_View = tuple[object, ...]


def _view(frame: Frame) -> _View:
    """What must be the same in two pictures of one view."""
    state = frame.state
    return frame.shape, frame.pixels.dtype.str, state.camera, state.magnification, state.aperture_um
