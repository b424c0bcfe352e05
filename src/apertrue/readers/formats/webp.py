"""WebP, also animated: each picture is a page.

Specification: RFC 9649 (WebP Image Format): canvas size in the chunk VP8X, section 2.7; lossless header 3.4; the lossy
key frame's in RFC 6386, section 9.1. The size is read here, because the decoder takes its memory when opened.
"""

from typing import Any

from ..guard import check_shape
from ..metadata.exif import facts_from_exif
from ..options import ReadOptions
from ..page import RawPage
from ..source import Source
from ._pillow import check_image, decoded


def canvas_size(head: bytes) -> tuple[int, int] | None:
    """(rows, columns) from the first chunk."""
    kind = head[12:16]
    if kind == b"VP8X" and len(head) >= 30:
        return 1 + int.from_bytes(head[27:30], "little"), 1 + int.from_bytes(head[24:27], "little")
    if kind == b"VP8L" and len(head) >= 25:
        bits = int.from_bytes(head[21:25], "little")
        return 1 + ((bits >> 14) & 0x3FFF), 1 + (bits & 0x3FFF)
    if kind == b"VP8 " and len(head) >= 30:
        return int.from_bytes(head[28:30], "little") & 0x3FFF, int.from_bytes(head[26:28], "little") & 0x3FFF
    return None


class WebpPages:
    """An opened WebP file."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        from PIL.WebPImagePlugin import WebPImageFile

        size = canvas_size(source.head)
        if size is None:
            raise source.truncated()
        check_shape(source, options, *size, samples=4)
        source.handle.seek(0)
        self.image: Any = WebPImageFile(source.handle)
        check_image(self.image, source, options)
        self.lossy = b"VP8L" not in source.head[:HEADER_CHUNKS]

    def __len__(self) -> int:
        return int(self.image.n_frames)

    def read(self, page: int, /) -> RawPage:
        """Picture number ``page``."""
        self.image.seek(page)
        exif = self.image.getexif()
        raw = RawPage(decoded(self.image), facts_from_exif(exif), display=True, lossy=self.lossy)
        return raw.oriented(int(exif.get(0x0112, 1)))

    def close(self) -> None:
        """Drop the decoder."""
        self.image = None


#: Where the lossless chunk's name stands at the latest in files without color profile.
HEADER_CHUNKS = 64


def open_pages(source: Source, options: ReadOptions) -> WebpPages:
    """Open a WebP file."""
    return WebpPages(source, options)
