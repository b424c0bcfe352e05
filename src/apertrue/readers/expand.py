"""From what a user names (files, folders, patterns) to the files meant."""

import glob
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from .api import looks_like_picture
from .registry import ENDINGS

_HIDDEN = getattr(stat, "FILE_ATTRIBUTE_HIDDEN", 2)


def expand(paths: Iterable[str | Path]) -> Iterator[Path]:
    """The files meant by ``paths``, in the order given.

    - A file is passed on as it is, even one that does not exist: the reader says what is wrong with it.
    - A folder yields its pictures, those of its subfolders too, sorted by path. What is no picture, by content, and
      hidden files are skipped; a broken file with a picture's ending is passed on, so that it gets its message.
    - A pattern (``*``, ``?``, ``[…]``, ``**``) that is no existing file is expanded here, for shells that don't.

    Folders that link back to themselves are visited once.
    """
    for given in paths:
        path = Path(given)
        if _is_dir(path):
            yield from _walk(path, set())
        elif glob.has_magic(str(given)) and not _exists(path):
            found = sorted(glob.glob(str(given), recursive=True))  # noqa: PTH207 - patterns may be absolute
            if not found:
                yield path
            seen: set[tuple[int, int]] = set()
            for name in found:
                match = Path(name)
                if not _is_dir(match):
                    yield match
                elif "**" not in str(given):  # ** has already listed what lies inside
                    yield from _walk(match, seen)
        else:
            yield path


def _walk(folder: Path, seen: set[tuple[int, int]]) -> Iterator[Path]:
    try:
        about = folder.stat()
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError:
        return
    key = (about.st_dev, about.st_ino)
    if key in seen:
        return
    seen.add(key)
    for entry in entries:
        if _hidden(entry):
            continue
        path = folder / entry.name
        if _is_dir(path):
            yield from _walk(path, seen)
        elif _is_file(path) and (path.suffix.lower() in ENDINGS or looks_like_picture(path)):
            yield path


def _hidden(entry: os.DirEntry[str]) -> bool:
    if entry.name.startswith("."):
        return True
    try:
        attributes = getattr(entry.stat(follow_symlinks=False), "st_file_attributes", 0)
    except OSError:
        return False
    return bool(attributes & _HIDDEN)


def _is_dir(path: Path) -> bool:
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _exists(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):
        return False
