"""From what a user names (folders, files, patterns, sheets, URLs) to a stream of files, in bounded memory.

Everything found becomes an entry, also what can't be read, but for files in folders whose names say that they are no
pictures: these are handed to ``other``, to be counted. Nothing is left out in silence, and nothing is opened here.
"""

import glob
import os
import stat
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from ..errors import MissingExtraError, ReadError
from ..readers.registry import named_as_other

_LINK_REMEDY = "Repair or remove the link."
_READ_REMEDY = "Ask its owner for permission."


@dataclass(frozen=True, slots=True)
class Entry:
    """One file to look at.

    Attributes:
        name: what reports call it: relative to the source, parted by ``/``, the same on every machine.
        path: how to open it: a path or a URL.
        source: the source as given.
        folder: the folder part of ``name``; ``.`` for none.
        size: bytes; −1 if unknown.
        mtime_ns: time of last change, ns; −1 if unknown.
        problem: why it can't be read (reason and remedy), when that is known without opening it.
    """

    name: str
    path: str
    source: str
    folder: str
    size: int
    mtime_ns: int
    problem: str | None = None


def is_url(text: str) -> bool:
    """Whether a source is a URL for fsspec (``s3://…``, ``memory://…``)."""
    scheme, mark, _ = text.partition("://")
    return bool(mark) and len(scheme) > 1 and scheme.replace("+", "").replace("-", "").replace(".", "").isalnum()


#: Takes the name of a file that is left out because its name says that it is no picture.
Other = Callable[[str], object]


def find_entries(
    source: str, *, prefix: bool = False, skip: Collection[str] = (), other: Other = lambda _: None
) -> Iterator[Entry]:
    """The files of one source: a folder, a file, a pattern or a URL.

    Args:
        source: as given.
        prefix: begin names with the source, so that several sources can't clash.
        skip: absolute paths to leave out (the audit's own output).
        other: told the name of each file in a folder, or found by a pattern, that is no picture by its name.

    Raises:
        ReadError: there is nothing of that name.
    """

    def name_of(relative: str) -> str:
        return f"{source.rstrip('/')}/{relative}".replace(os.sep, "/") if prefix else relative

    if is_url(source):
        yield from _remote(source, name_of, other)
        return
    path = Path(source)
    try:
        is_folder, exists = path.is_dir(), path.exists()
    except OSError as error:
        raise ReadError(
            source, (error.strerror or str(error)).lower(), "Check the path and its permissions."
        ) from error
    if is_folder:
        yield from _folder(path, source, name_of, frozenset(skip), other)
    elif exists or os.path.lexists(path):
        yield _local(str(path), path.name if not prefix else source.replace(os.sep, "/"), source)
    elif glob.has_magic(source):
        yield from _pattern(source, frozenset(skip), other)
    else:
        raise ReadError(source, "there is no such file or folder", "Check the spelling.")


def _pattern(source: str, skip: frozenset[str], other: Other) -> Iterator[Entry]:
    found = False
    for match in sorted(glob.glob(source, recursive=True)):  # noqa: PTH207 absolute patterns
        found = True
        shown = match.replace(os.sep, "/")
        if not os.path.isdir(match):  # noqa: PTH112
            if named_as_other(os.path.basename(match)):  # noqa: PTH119
                other(shown)
            else:
                yield _local(match, shown, source)
        elif "**" not in source:
            yield from _folder(Path(match), source, _Below(shown), skip, other)
    if not found:
        raise ReadError(source, "no file matches this pattern", "Check the pattern.")


class _Below:
    """Names below a folder that a pattern matched."""

    def __init__(self, folder: str) -> None:
        self._folder = folder

    def __call__(self, relative: str) -> str:
        return f"{self._folder}/{relative}"


def _folder(
    root: Path, source: str, name_of: Callable[[str], str], skip: frozenset[str], other: Other
) -> Iterator[Entry]:
    """All files below ``root``. Links to folders are followed once, and only when they lead out of ``root``."""
    top = os.path.realpath(root)
    visited = {top}
    folders: list[tuple[str, str]] = [(str(root), "")]
    while folders:
        folder, relative = folders.pop()
        below: list[tuple[str, str]] = []
        try:
            with os.scandir(folder) as found:
                for item in found:
                    name = f"{relative}{item.name}"
                    try:
                        is_folder, is_link = item.is_dir(), item.is_symlink()
                    except OSError:
                        is_folder, is_link = False, True
                    if not is_folder:
                        if os.path.abspath(item.path) in skip:  # noqa: PTH100 no resolving of links
                            continue
                        if named_as_other(item.name):
                            other(name_of(name))
                        else:
                            yield _local(item.path, name_of(name), source)
                        continue
                    if is_link:
                        real = os.path.realpath(item.path)
                        if real in visited or real == top or real.startswith(top + os.sep):
                            continue
                        visited.add(real)
                    below.append((item.path, name + "/"))
        except OSError as error:
            reason = "you may not look into this folder" if isinstance(error, PermissionError) else _reason(error)
            shown = name_of(relative.rstrip("/") or ".")
            yield Entry(shown, folder, source, _parent(shown), -1, -1, f"{reason}. {_READ_REMEDY}")
        folders.extend(sorted(below, reverse=True))


def _local(path: str, name: str, source: str) -> Entry:
    problem: str | None = None
    size = mtime = -1
    try:
        about = os.stat(path)  # noqa: PTH116 fast, and names need not be text
        size, mtime = about.st_size, about.st_mtime_ns
        if not stat.S_ISREG(about.st_mode):
            problem, size, mtime = (
                "this is a device, pipe or socket, not a picture. Save the picture to a file.",
                -1,
                -1,
            )
    except FileNotFoundError:
        problem = f"the link leads nowhere. {_LINK_REMEDY}" if os.path.islink(path) else None  # noqa: PTH114
    except PermissionError:
        problem = f"you may not look at this file. {_READ_REMEDY}"
    except OSError as error:  # a link to itself, a name that is too long, …
        problem = f"{_reason(error)}. {_LINK_REMEDY}"
    except ValueError:
        problem = "this is not a possible file name. Rename it."
    return Entry(name, path, source, _parent(name), size, mtime, problem)


def _reason(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()


def _parent(name: str) -> str:
    return str(PurePosixPath(name).parent)


def _remote(url: str, name_of: Callable[[str], str], other: Other) -> Iterator[Entry]:
    try:
        import fsspec
    except ImportError as error:
        raise MissingExtraError("remote", "Auditing a URL") from error
    try:
        fs, root = fsspec.core.url_to_fs(url)
        if not fs.exists(root):
            raise ReadError(url, "there is no such file or folder", "Check the address and your access.")
        if fs.isfile(root):
            yield _remote_entry(fs, fs.info(root), root.rsplit("/", 1)[-1], url)
            return
        for _, _, files in fs.walk(root, detail=True):
            for about in files.values():
                relative = str(about["name"])[len(root.rstrip("/")) :].lstrip("/")
                if named_as_other(relative.rsplit("/", 1)[-1]):
                    other(name_of(relative))
                    continue
                yield _remote_entry(fs, about, name_of(relative), url)
    except ReadError:
        raise
    except ImportError as error:  # fsspec names what this kind of address needs
        raise ReadError(url, f"this kind of address needs one more package ({error})", "Install it.") from error
    except Exception as error:  # each kind of storage has errors of its own
        raise ReadError(url, f"it could not be listed ({error})", "Check the address and your access.") from error


def _remote_entry(fs: "object", about: "dict[str, object]", name: str, source: str) -> Entry:
    when = next(
        (about[k] for k in ("mtime", "LastModified", "last_modified", "updated", "created") if about.get(k)), None
    )
    mtime = -1
    if isinstance(when, int | float):
        mtime = int(when * 1e9)
    elif hasattr(when, "timestamp"):
        mtime = int(when.timestamp() * 1e6) * 1000
    size = about.get("size")
    path = fs.unstrip_protocol(str(about["name"]))  # type: ignore[attr-defined]
    problem = None if about.get("type", "file") == "file" else "this is no regular file. Save the picture to a file."
    return Entry(name, path, source, _parent(name), int(size) if isinstance(size, int) else -1, mtime, problem)


def entries_of_sheet(rows: Iterable[str], sheet: str) -> Iterator[Entry]:
    """The files that a session sheet names, each once; relative ones are meant from the sheet's folder."""
    base = Path(sheet).parent
    seen: set[str] = set()
    for written in rows:
        if written in seen:
            continue
        seen.add(written)
        if is_url(written):
            yield Entry(written, written, sheet, _parent(written), -1, -1)
            continue
        path = base / written
        if "\\" in written and not os.path.lexists(path):  # sheets travel between systems
            path = base / written.replace("\\", "/")
        yield _local(str(path), written.replace("\\", "/"), sheet)
