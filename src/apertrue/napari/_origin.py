"""What a layer's picture is known to be beside its pixels: the facts that the file stated, page by page."""

import weakref
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..readers import ReadOptions, read_frame

#: Under this key a layer's metadata carries its :class:`Origin`.
KEY = "apertrue"


@dataclass(frozen=True, slots=True, eq=False)
class Origin:
    """Where a layer came from.

    Attributes:
        file: as given; ``None`` for made pictures.
        pages: facts of each page, their pixels reduced to one; empty = read from the file when needed.
        options: how the file was read.
        held: the pixels that were read, weakly; what shares their memory (a crop) is still that picture.
        simulated: whether no instrument stands behind it; such pictures are not written into the session log.
    """

    file: str | None
    pages: tuple[Frame, ...] = ()
    options: ReadOptions = field(default_factory=ReadOptions)
    held: "weakref.ref[NDArray[Any]] | None" = None
    simulated: bool = False

    def about(self, page: int) -> Frame | None:
        """The facts of a page; reads the file where they are not at hand. ``None`` if there is no such page."""
        if self.pages:
            return self.pages[page] if 0 <= page < len(self.pages) else None
        return None if self.file is None else read_frame(self.file, page, options=self.options)

    def fits(self, pixels: NDArray[Any]) -> bool:
        """Whether the facts are about these pixels: false once another program has put a new picture into the layer."""
        if self.held is None:
            return True
        held = self.held()
        return held is not None and np.may_share_memory(held, pixels)


def weak(pixels: Any) -> "weakref.ref[NDArray[Any]] | None":
    """What :attr:`Origin.held` keeps of an array; ``None`` of a lazy one."""
    return weakref.ref(pixels) if isinstance(pixels, np.ndarray) else None


def bare(frame: Frame) -> Frame:
    """The frame's facts with a single pixel in place of the picture."""
    return replace(frame, pixels=np.zeros((1, 1), frame.pixels.dtype))


def origin_of(metadata: dict[str, Any]) -> Origin | None:
    """The origin in a layer's metadata."""
    found = metadata.get(KEY)
    return found if isinstance(found, Origin) else None
