"""BMP, the device-independent bitmap.

Specification: the published structures BITMAPFILEHEADER and BITMAPINFOHEADER (and their later versions).
Usually a screenshot, so gray levels are not taken as linear.
"""

from typing import Any

from ..guard import check_stored
from ..options import ReadOptions
from ..page import RawPage
from ..source import Source
from ._pillow import check_image, decoded

#: Run-length coding writes up to 255 pixels with two bytes, or skips to the end.
_RATIO = 1024.0


class BmpPages:
    """An opened BMP file."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        from PIL.BmpImagePlugin import BmpImageFile

        source.handle.seek(0)
        self.image: Any = BmpImageFile(source.handle)
        check_image(self.image, source, options)
        check_stored(source, self.image.size[0] * self.image.size[1] // 8, _RATIO)

    def __len__(self) -> int:
        return 1

    def read(self, _page: int, /) -> RawPage:
        """The only picture."""
        return RawPage(decoded(self.image), display=True)

    def close(self) -> None:
        """Drop the decoder."""
        self.image = None


def open_pages(source: Source, options: ReadOptions) -> BmpPages:
    """Open a BMP file."""
    return BmpPages(source, options)
