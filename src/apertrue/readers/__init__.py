"""Reading pictures: files, bytes and URLs to :class:`apertrue.frame.Frame`.

Formats are recognized by content, and the library for one is imported only when such a file is met.
"""

from .api import BadPage, count_pages, looks_like_picture, read_bytes, read_frame, read_frames, read_pages
from .expand import expand
from .options import MAX_PIXELS, ReadOptions
from .sheet import SheetRow, apply_sheet, read_sheet, sheet_misses

__all__ = [
    "MAX_PIXELS",
    "BadPage",
    "ReadOptions",
    "SheetRow",
    "apply_sheet",
    "count_pages",
    "expand",
    "looks_like_picture",
    "read_bytes",
    "read_frame",
    "read_frames",
    "read_pages",
    "read_sheet",
    "sheet_misses",
]
