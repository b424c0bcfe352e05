"""Reading pictures: the few functions that the rest of the house calls."""

import re
from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from ..errors import MissingExtraError, ReadError
from ..frame import Frame
from .finish import to_frame
from .guard import shield
from .options import ReadOptions
from .page import Pages
from .registry import FORMATS, Format, identify, is_text
from .source import Source, open_bytes, open_path, open_stream, os_error

_URL = re.compile(r"^[a-z][a-z0-9+.-]+://", re.IGNORECASE)
_KNOWN = "Known are {} and {}".format(", ".join(f.words for f in FORMATS[:-1]), FORMATS[-1].words)


def count_pages(path: str | Path, *, options: ReadOptions | None = None) -> int:
    """Number of pages in a file (1 for a plain picture); :class:`apertrue.errors.ReadError` if it is no picture."""
    with _opened(_source(path, None), options or ReadOptions()) as (source, words, pages), shield(source, words):
        return len(pages)


def read_frame(path: str | Path, page: int = 0, *, options: ReadOptions | None = None) -> Frame:
    """One page of a picture file; raises :class:`apertrue.errors.ReadError` when it cannot be read."""
    return next(read_frames(path, pages=(page,), options=options))


def read_frames(
    path: str | Path,
    *,
    pages: Iterable[int] | None = None,
    options: ReadOptions | None = None,
    display_name: str | None = None,
) -> Iterator[Frame]:
    """The pages of a picture file, one after another; only the page at hand is in memory.

    Args:
        path: a file, or a URL that fsspec understands (``s3://…``, with the extra ``remote``).
        pages: which pages, from 0; all of them when ``None``.
        options: limits, time zone, what fills gaps.
        display_name: what messages and ``Frame.file`` call it; the path as given when ``None``.

    Raises:
        ReadError: on the first ``next`` for a file that is no picture, later for a page that is damaged.
    """
    yield from _frames(_source(path, display_name), pages, options or ReadOptions())


@dataclass(frozen=True, slots=True, eq=False)
class BadPage:
    """A page that could not be read.

    Attributes:
        page: which one, from 0; ``None`` when the file has no other, or could not be opened at all.
        error: what stood against it, mostly a :class:`apertrue.errors.ReadError`.
    """

    page: int | None
    error: Exception


def read_pages(
    path: str | Path,
    *,
    first: int = 0,
    last: int | None = None,
    options: ReadOptions | None = None,
    display_name: str | None = None,
) -> Generator[Frame | BadPage, None, None]:
    """As :func:`read_frames`, but nothing is raised: a page that is damaged takes none of those behind it along.

    The file is opened once, however many of its pages are damaged.

    Args:
        path: as in :func:`read_frames`.
        first: the first page wanted.
        last: the last page wanted; to the end when ``None``.
        options: limits, time zone, what fills gaps.
        display_name: what messages and ``Frame.file`` call it; the path as given when ``None``.
    """
    options, counted = options or ReadOptions(), False
    try:
        with _opened(_source(path, display_name), options) as (source, words, opened):
            with shield(source, words):
                count = len(opened)
            counted = True
            for page in range(first, count if last is None else last + 1):
                yield _page(opened, page, count, source, words, options)
    except Exception as error:
        if not counted:  # what goes wrong behind the last page, on closing, concerns none of them
            yield BadPage(None, error)


def read_bytes(
    data: bytes | BinaryIO,
    name: str,
    *,
    pages: Iterable[int] | None = None,
    options: ReadOptions | None = None,
) -> Iterator[Frame]:
    """As :func:`read_frames`, from bytes or a seekable binary stream, which is closed afterwards.

    Args:
        data: the whole file's bytes, or the stream.
        name: what messages and ``Frame.file`` call it.
        pages: which pages, from 0; all of them when ``None``.
        options: limits, time zone, what fills gaps.
    """
    source = (
        open_bytes(bytes(data), name) if isinstance(data, bytes | bytearray | memoryview) else open_stream(data, name)
    )
    yield from _frames(source, pages, options or ReadOptions())


def looks_like_picture(path: str | Path) -> bool:
    """Whether the file's first bytes are those of a format that can be read. Cheap; never raises, never blocks."""
    try:
        source = open_path(path)
    except ReadError:
        return False
    try:
        if identify(source.head, source.size) is not None:
            return True
        if is_text(source.head):
            return False
    finally:
        source.close()
    from .formats import more

    return more.claims(Path(path))


def _source(path: str | Path, name: str | None) -> Source:
    if isinstance(path, str) and _URL.match(path):
        return _remote(path, name or path)
    return open_path(path, name)


def _remote(url: str, name: str) -> Source:
    try:
        import fsspec
    except ImportError:
        missing = MissingExtraError("remote", "Reading from a URL")
        raise ReadError(name, "it lies on another machine", str(missing)) from missing
    try:
        handle = fsspec.open(url, "rb").open()
    except OSError as problem:
        raise os_error(problem, name) from problem
    except ImportError as problem:  # fsspec names what this kind of address needs
        raise ReadError(name, f"this kind of address needs one more package ({problem})", "Install it") from problem
    except Exception as problem:  # each kind of storage has errors of its own
        raise ReadError(name, f"it could not be fetched ({problem})", "Check the address and your access") from problem
    return open_stream(handle, name)


@contextmanager
def _opened(source: Source, options: ReadOptions) -> Iterator[tuple[Source, str, Pages]]:
    """The opened pages of ``source``, which is closed in the end."""
    pages: Pages | None = None
    try:
        known = identify(source.head, source.size)
        words = known.words if known else "picture"
        with shield(source, words):
            pages = _open(known, source, options)
        yield source, words, pages
    finally:
        if pages is not None:
            with shield(source, words):
                pages.close()
        source.close()


def _open(known: Format | None, source: Source, options: ReadOptions) -> Pages:
    if known is not None:
        return known.open(source, options)
    if is_text(source.head):
        raise source.error("this is a text file, not a picture", _KNOWN)
    for magic, what in ((b"\x1f\x8b", "gzip"), (b"BZh", "bzip2"), (b"PK\3\4", "zip"), (b"\xfd7zXZ", "xz")):
        if source.head.startswith(magic):
            raise source.error(f"this is a {what} archive, not a picture", "Unpack it first")
    from .formats import more

    return more.open_pages(source, options)


def _frames(source: Source, pages: Iterable[int] | None, options: ReadOptions) -> Iterator[Frame]:
    with _opened(source, options) as (_, words, opened):
        with shield(source, words):
            count = len(opened)
        for page in range(count) if pages is None else pages:
            yield _frame(opened, page, count, source, words, options)


def _page(opened: Pages, page: int, count: int, source: Source, words: str, options: ReadOptions) -> Frame | BadPage:
    try:
        return _frame(opened, page, count, source, words, options)
    except Exception as error:
        return BadPage(page if count > 1 or page else None, error)


def _frame(opened: Pages, page: int, count: int, source: Source, words: str, options: ReadOptions) -> Frame:
    if not 0 <= page < count:
        raise source.error(
            f"it has {count} page{'' if count == 1 else 's'}, there is no page {page}", "Pages count from 0"
        )
    with shield(source, words):
        return to_frame(opened.read(page), source, page, options)
