"""What a layer's picture is known to be beside its pixels: the facts that the file stated, page by page."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

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
    """

    file: str | None
    pages: tuple[Frame, ...] = ()
    options: ReadOptions = field(default_factory=ReadOptions)

    def about(self, page: int) -> Frame | None:
        """The facts of a page; reads the file where they are not at hand. ``None`` if there is no such page."""
        if self.pages:
            return self.pages[page] if 0 <= page < len(self.pages) else None
        return None if self.file is None else read_frame(self.file, page, options=self.options)


def bare(frame: Frame) -> Frame:
    """The frame's facts with a single pixel in place of the picture."""
    return replace(frame, pixels=np.zeros((1, 1), frame.pixels.dtype))


def origin_of(metadata: dict[str, Any]) -> Origin | None:
    """The origin in a layer's metadata."""
    found = metadata.get(KEY)
    return found if isinstance(found, Origin) else None
