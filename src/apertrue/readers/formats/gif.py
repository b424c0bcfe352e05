"""GIF, also animated: each picture is a page.

Specification: "Graphics Interchange Format, Version 89a" (1990). A palette of at most 256 colors, made for showing.
"""

from typing import Any

from ..options import ReadOptions
from ..page import RawPage
from ..source import Source
from ._pillow import check_image, decoded


class GifPages:
    """An opened GIF file."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        from PIL.GifImagePlugin import GifImageFile

        source.handle.seek(0)
        self.image: Any = GifImageFile(source.handle)
        self.source, self.options = source, options
        check_image(self.image, source, options)

    def __len__(self) -> int:
        return int(self.image.n_frames)

    def read(self, page: int, /) -> RawPage:
        """Picture number ``page``."""
        self.image.seek(page)
        check_image(self.image, self.source, self.options)
        return RawPage(decoded(self.image), display=True)

    def close(self) -> None:
        """Drop the decoder."""
        self.image = None


def open_pages(source: Source, options: ReadOptions) -> GifPages:
    """Open a GIF file."""
    return GifPages(source, options)
