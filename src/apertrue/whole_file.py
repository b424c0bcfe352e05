"""Writing a file whole or not at all: nobody ever sees half of it, and what can't be written says why and what to do."""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from .errors import ApertrueError, WriteError

#: What the system says → reason and remedy.
_WORDS = {
    errno.ENOSPC: ("the disk is full", "Free some space, or choose another place"),
    getattr(errno, "EDQUOT", -1): ("your share of the disk is full", "Free some space, or choose another place"),
    errno.EROFS: ("the disk is read-only", "Choose another place"),
    errno.EACCES: (
        "you may not write there",
        "Check the permissions of the file and its folder, or choose another place",
    ),
    errno.EPERM: (
        "you may not write there",
        "Check the permissions of the file and its folder, or choose another place",
    ),
    errno.ENOENT: ("its folder is not there", "Make the folder, or connect its disk again, or choose another place"),
    errno.ENOTDIR: ("its folder is a file", "Choose another place"),
    errno.EISDIR: ("this is a folder", "Name a file"),
    errno.ENAMETOOLONG: ("its name is too long", "Choose a shorter one"),
    errno.EIO: ("the disk reports an error", "Check the disk or the network share, or choose another place"),
}


@contextmanager
def whole_file(path: Path | str) -> Iterator[Path]:
    """A place to write to; at the end of the block it becomes ``path`` in one step, or nothing stays behind.

    Raises:
        WriteError: it can't be written; the text names it, the reason and the remedy.
    """
    target = Path(path)
    try:
        place, part = _places(target)
        try:
            yield part
            if part != place:
                part.replace(place)
        except BaseException:
            if part != place:
                with suppress(OSError):
                    part.unlink(missing_ok=True)
            raise
    except ApertrueError:  # what was to be written has words of its own
        raise
    except (OSError, ValueError) as error:
        if isinstance(error, ValueError) and "null" not in str(error):
            raise
        raise write_error(path, error) from error


def write_whole(path: Path | str, content: str | bytes) -> Path:
    """Write a text (UTF-8) or bytes whole or not at all; returns the path."""
    with whole_file(path) as place:
        # Wrongly encoded file names reach us as lone surrogates, which UTF-8 can't hold.
        place.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "backslashreplace"))
    return Path(path)


def folder_for_output(folder: Path | str) -> Path:
    """The folder, made if it is missing; :class:`WriteError` when it can't be made."""
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        if isinstance(error, FileExistsError):
            raise WriteError(str(folder), "this is a file, not a folder", "Choose another place") from error
        raise write_error(folder, error) from error
    return place


def write_error(path: Path | str, error: OSError | ValueError) -> WriteError:
    """``error`` in the user's words."""
    if isinstance(error, ValueError):
        return WriteError(str(path), "this is not a possible file name", "Choose another one")
    known = _WORDS.get(error.errno or 0)
    reason, remedy = known or (f"it can't be written ({error.strerror or error})", "Choose another place")
    return WriteError(str(path), reason, remedy)


def _places(target: Path) -> tuple[Path, Path]:
    """Where it is to be in the end, and where it is written first: the same for what is no plain file (/dev/stdout)."""
    place = target.resolve() if target.is_symlink() else target
    if place.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if place.exists():
        if not place.is_file():
            return place, place
        if not os.access(place, os.W_OK):  # replacing it would not ask
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    return place, place.with_name(f"{place.name}.{os.getpid()}.part")
