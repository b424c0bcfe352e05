"""Between the libraries and the user: no foreign exception, warning or log line comes through."""

import logging
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

from ..errors import ApertrueError, ReadError
from .options import MIN_SIDE, ReadOptions
from .source import Source, os_error

_LOGGERS = ("tifffile", "PIL", "imagecodecs", "rsciio", "mrcfile")


class _Quiet:
    """Silences warnings and the libraries' loggers while at least one thread reads.

    ``warnings.catch_warnings`` restores whatever it found; two overlapping threads would leave each other's filter
    behind. So the first one in sets and the last one out restores.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._depth = 0
        self._catch: warnings.catch_warnings[None] | None = None
        self._levels: dict[str, int] = {}

    def __enter__(self) -> None:
        with self._lock:
            self._depth += 1
            if self._depth == 1:
                self._catch = warnings.catch_warnings()
                self._catch.__enter__()
                warnings.simplefilter("ignore")
                for name in _LOGGERS:
                    logger = logging.getLogger(name)
                    self._levels[name] = logger.level
                    logger.setLevel(logging.CRITICAL + 1)

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._depth -= 1
            if self._depth == 0 and self._catch is not None:
                self._catch.__exit__(None, None, None)
                self._catch = None
                for name, level in self._levels.items():
                    logging.getLogger(name).setLevel(level)


_QUIET = _Quiet()


@contextmanager
def shield(source: Source, words: str) -> Iterator[None]:
    """Turn whatever a library raises inside into a :class:`ReadError` about ``source``; ``words`` names the format."""
    try:
        with _QUIET:
            yield
    except ApertrueError:
        raise
    except MemoryError as problem:
        raise source.error(
            "there is not enough memory to decode it", "Close other programs, or save a smaller picture"
        ) from problem
    except OSError as problem:
        if problem.errno is not None:
            raise os_error(problem, source.name) from problem
        raise _damaged(source, words, problem) from problem
    except Exception as problem:  # whatever a damaged file makes a library raise
        raise _damaged(source, words, problem) from problem


def _damaged(source: Source, words: str, problem: BaseException) -> ReadError:
    said = " ".join(str(problem).split())
    said = said if len(said) <= 120 else said[:117] + "…"
    # A library's bare key or number (KeyError: 0) tells nobody anything.
    telling = len(said.split()) > 1 and any(c.isalpha() for c in said) and source.name not in said
    detail = f" ({said})" if telling else ""
    return source.error(
        f"this {words} file is damaged, cut off or of a kind that is not supported{detail}",
        "Copy it again, or save the picture anew as TIFF or PNG",
    )


def check_shape(
    source: Source,
    options: ReadOptions,
    rows: int,
    columns: int,
    samples: int = 1,
    itemsize: int = 1,
) -> None:
    """Refuse, before decoding, what a header claims when it is too small or too large."""
    if rows < 1 or columns < 1 or samples < 1:
        raise source.error(f"its header states an impossible size of {columns} × {rows} px", "Save the picture again")
    if rows < MIN_SIDE or columns < MIN_SIDE:
        raise source.error(
            f"it is too small to measure ({columns} × {rows} px)", f"Use a picture of at least {MIN_SIDE} px a side"
        )
    remedy = "Crop or bin the picture; the limit is the reading option max_pixels"
    if rows * columns > options.max_pixels:
        most = f"{options.max_pixels / 2**20:.4g} Mpx"
        raise source.error(f"its header states {columns} × {rows} px, more than the limit of {most}", remedy)
    if rows * columns * samples * itemsize > options.max_bytes:
        most = f"{options.max_bytes / 2**20:.4g} MiB"
        raise source.error(
            f"its header states {columns} × {rows} px of {samples * itemsize} bytes, more than the limit of {most}",
            remedy,
        )


def check_stored(source: Source, needed: int, ratio: float = 1.0) -> None:
    """Refuse when ``needed`` decoded bytes cannot come out of this file at a compression of at most ``ratio``."""
    if needed > source.size * ratio:
        if ratio == 1.0:
            raise source.truncated()
        raise source.error(
            "it states far more pixels than its bytes can hold (cut off, or made to fill the memory)",
            "Copy it again, or save it again",
        )
