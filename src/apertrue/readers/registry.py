"""Which format a file has, by its content; the module that reads it is imported only then."""

import importlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from .formats import _mrc_head
from .options import ReadOptions
from .page import Pages
from .source import Source


@dataclass(frozen=True, slots=True)
class Format:
    """One format: its words for people, how its first bytes are known, and the module with ``open_pages``."""

    name: str
    words: str
    known: Callable[[bytes, int], bool]
    module: str
    endings: tuple[str, ...]

    def open(self, source: Source, options: ReadOptions) -> Pages:
        """Open the pages; imports the module."""
        module: Any = importlib.import_module(f".formats.{self.module}", __package__)
        pages: Pages = module.open_pages(source, options)
        return pages


def _starts(*magic: bytes) -> Callable[[bytes, int], bool]:
    return lambda head, _size: head.startswith(magic)


def _bmp(head: bytes, _size: int) -> bool:
    return head[:2] == b"BM" and int.from_bytes(head[14:18], "little") in (12, 16, 40, 52, 56, 64, 108, 124)


def _webp(head: bytes, _size: int) -> bool:
    return head[:4] == b"RIFF" and head[8:12] == b"WEBP"


#: Recognized by content, in this order.
FORMATS = (
    Format("tiff", "TIFF", _starts(b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"), "tiff", (".tif", ".tiff", ".btf", ".tf8")),
    Format("png", "PNG", _starts(b"\x89PNG\r\n\x1a\n"), "png", (".png",)),
    Format("jpeg", "JPEG", _starts(b"\xff\xd8\xff"), "jpeg", (".jpg", ".jpeg", ".jpe")),
    Format("npy", "NPY", _starts(b"\x93NUMPY"), "npy", (".npy",)),
    Format("gif", "GIF", _starts(b"GIF87a", b"GIF89a"), "gif", (".gif",)),
    Format("webp", "WebP", _webp, "webp", (".webp",)),
    Format("bmp", "BMP", _bmp, "bmp", (".bmp", ".dib")),
    Format("mrc", "MRC", _mrc_head.known, "mrc", (".mrc", ".mrcs", ".map", ".st")),
)

#: Endings under which people keep pictures of the formats above.
ENDINGS = frozenset(ending for f in FORMATS for ending in f.endings) - {".map", ".st"}

#: Endings that say that a file is no picture, so that it is not even opened where many files are looked through.
OTHERS = frozenset(
    (
        *(".txt", ".csv", ".json", ".jsonl", ".toml", ".yaml", ".yml", ".xml", ".html", ".htm", ".css", ".js"),
        *(".log", ".ini", ".md", ".rst", ".py", ".ipynb", ".bat", ".ps1", ".sh", ".lnk", ".exe", ".dll"),
        *(".sqlite", ".sqlite-wal", ".sqlite-shm", ".db", ".parquet", ".pdf", ".zip", ".docx", ".xlsx", ".pptx"),
        *(".mp4", ".avi", ".mov"),
    )
)


def named_as_other(name: str) -> bool:
    """Whether a file's name says that it is no picture: by its ending, or as a system's own note beside a picture."""
    lower = name.lower()
    return lower.startswith("._") or lower == ".ds_store" or os.path.splitext(lower)[1] in OTHERS  # noqa: PTH122 hot path


def identify(head: bytes, size: int) -> Format | None:
    """The format of a file with these first bytes and this size; ``None`` when the built-in readers don't know it."""
    return next((f for f in FORMATS if f.known(head, size)), None)


def is_text(head: bytes) -> bool:
    """Whether these bytes look like text."""
    if not head or b"\0" in head:
        return head.startswith((b"\xff\xfe", b"\xfe\xff"))
    controls = sum(b < 32 and b not in b"\t\n\r\f\x1b" for b in head)
    return controls <= len(head) // 100
