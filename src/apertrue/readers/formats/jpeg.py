"""JPEG with Exif.

Specifications: ITU-T T.81 (JPEG), ITU-T T.871 (JFIF), JEITA CP-3451 "Exif 2.3" (orientation: tag 274). Its gray levels
are made for showing and its compression loses detail, so they are never taken as linear unless stated.
"""

from typing import Any

from ..guard import check_stored
from ..metadata.exif import facts_from_exif
from ..options import ReadOptions
from ..page import RawPage
from ..source import Source
from ._pillow import check_image, decoded

#: An 8 × 8 block takes at least about a bit a component; the most a baseline or progressive file can expand.
_RATIO = 1024.0


class JpegPages:
    """An opened JPEG file."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        from PIL.JpegImagePlugin import JpegImageFile

        source.handle.seek(0)
        self.image: Any = JpegImageFile(source.handle)
        check_image(self.image, source, options)
        check_stored(source, self.image.size[0] * self.image.size[1], _RATIO)

    def __len__(self) -> int:
        return 1

    def read(self, _page: int, /) -> RawPage:
        """The only picture."""
        exif = self.image.getexif()
        raw = RawPage(decoded(self.image), facts_from_exif(exif), display=True, lossy=True)
        return raw.oriented(int(exif.get(0x0112, 1)))

    def close(self) -> None:
        """Drop the decoder."""
        self.image = None


def open_pages(source: Source, options: ReadOptions) -> JpegPages:
    """Open a JPEG file."""
    return JpegPages(source, options)
