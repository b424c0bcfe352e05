"""An opened file, bytes or stream: opened with care, read in pieces."""

import io
import os
import stat
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from ..errors import ReadError

#: Bytes that are looked at to recognize a format.
HEAD_BYTES = 1088

_CHECK_PATH = "Check the path and the spelling"


@dataclass(slots=True)
class Source:
    """One readable picture file.

    Attributes:
        name: what messages and ``Frame.file`` call it.
        handle: binary, seekable.
        size: bytes in total.
        head: the first :data:`HEAD_BYTES` bytes.
        modified: the file's modification time, with zone; ``None`` for bytes and streams.
        path: where it lies on disk; ``None`` for bytes and streams.
    """

    name: str
    handle: BinaryIO
    size: int
    head: bytes
    modified: datetime | None = None
    path: Path | None = None

    def error(self, reason: str, remedy: str) -> ReadError:
        """A :class:`ReadError` about this file."""
        return ReadError(self.name, reason, remedy)

    def truncated(self) -> ReadError:
        """The error of a file that ends too early."""
        return self.error("the file is cut off: it ends before its pixels do", "Copy it again, or save it again")

    def block(self, offset: int, count: int) -> bytes:
        """``count`` bytes from ``offset``; :class:`ReadError` when the file ends before."""
        if offset < 0 or count < 0 or offset + count > self.size:
            raise self.truncated()
        self.handle.seek(offset)
        data = self.handle.read(count)
        if len(data) != count:
            raise self.truncated()
        return data

    def close(self) -> None:
        """Close the handle."""
        self.handle.close()


def open_path(path: str | Path, name: str | None = None) -> Source:
    """Open a regular file for reading; pipes, devices and folders are refused without opening them for data."""
    shown = name if name is not None else str(path)
    try:
        kind = os.stat(path)  # noqa: PTH116 - str or Path alike
        _require_regular(kind.st_mode, shown)
        # A file may be replaced by a pipe in between; without O_NONBLOCK opening that would wait for ever.
        flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
        handle = os.fdopen(os.open(path, flags), "rb")
    except ReadError:
        raise
    except (OSError, ValueError) as problem:
        raise os_error(problem, shown) from problem
    try:
        kind = os.fstat(handle.fileno())
        _require_regular(kind.st_mode, shown)
        head = handle.read(HEAD_BYTES)
        modified = datetime.fromtimestamp(kind.st_mtime, tz=UTC) if kind.st_mtime > 0 else None
    except (OSError, ValueError, OverflowError) as problem:
        handle.close()
        raise problem if isinstance(problem, ReadError) else os_error(problem, shown) from problem
    return _not_empty(Source(shown, handle, kind.st_size, head, modified, Path(path)))


def open_stream(handle: BinaryIO, name: str) -> Source:
    """Take a seekable binary stream (for instance of a remote file system); it is closed after reading."""
    try:
        size = handle.seek(0, io.SEEK_END)
        handle.seek(0)
        head = handle.read(HEAD_BYTES)
    except (OSError, ValueError) as problem:
        raise os_error(problem, name) from problem
    return _not_empty(Source(name, handle, size, head))


def open_bytes(data: bytes, name: str) -> Source:
    """Take bytes that are already in memory (for instance from the clipboard)."""
    return open_stream(io.BytesIO(data), name)


def os_error(problem: Exception, name: str) -> ReadError:
    """The user's words for an error of the operating system."""
    if isinstance(problem, FileNotFoundError | NotADirectoryError):
        if any(c in name for c in "*?"):
            return ReadError(name, "no file matches this pattern", _CHECK_PATH)
        return ReadError(name, "there is no such file", _CHECK_PATH)
    if isinstance(problem, PermissionError):
        return ReadError(name, "you may not read this file", "Ask its owner for permission, or copy it to your folder")
    if isinstance(problem, ValueError):
        return ReadError(name, "this is not a possible file name", _CHECK_PATH)
    words = getattr(problem, "strerror", None) or type(problem).__name__
    return ReadError(name, f"the file could not be read ({words})", "Check the disk or network, then try again")


def _require_regular(mode: int, name: str) -> None:
    if stat.S_ISREG(mode):
        return
    if stat.S_ISDIR(mode):
        raise ReadError(name, "this is a folder, not a picture", "Name a picture in it")
    raise ReadError(name, "this is a device, pipe or socket, not a picture", "Save the picture to a file first")


def _not_empty(source: Source) -> Source:
    if source.size == 0:
        source.close()
        raise source.error("the file is empty", "Save the picture again")
    return source
