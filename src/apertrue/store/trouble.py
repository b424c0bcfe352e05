"""SQLite's errors in the user's words: which file, what is wrong, what to do."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..errors import ApertrueError, StoreError

_DAMAGED = ("the file is damaged", "Restore it from a copy, or name a new file; this one is left as it is")
#: Part of SQLite's message (lower case) → reason and remedy. SQLite's wording is stable; the first match counts.
_WORDS: tuple[tuple[str, str, str], ...] = (
    (
        "database or disk is full",
        "the disk is full",
        "Free some space, then run it again; nothing that was saved is lost",
    ),
    (
        "readonly database",
        "it can't be written",
        "Check the permissions of the file and its folder, or choose another place",
    ),
    ("read-only", "it can't be written", "Check the permissions of the file and its folder, or choose another place"),
    ("file is not a database", "it is no apertrue store", "Name another file; this one is left as it is"),
    ("malformed", *_DAMAGED),
    (
        "database is locked",
        "another program has held it for too long",
        "Close the other program that uses it, then try again",
    ),
    ("unable to open", "it can't be opened", "Check that the folder exists and may be written"),
    (
        "disk i/o error",
        "the disk reports an error",
        "Check the disk or the network share; a store belongs on a local disk",
    ),
)


def store_error(file: Path | str, error: sqlite3.Error | OSError) -> StoreError:
    """``error`` as a :class:`StoreError` that names ``file``, the reason and the remedy."""
    text = str(error).lower()
    for part, reason, remedy in _WORDS:
        if part in text:
            return StoreError(str(file), reason, remedy + ".")
    return StoreError(str(file), f"the store could not be used ({error})", "Check the file, or name a new one.")


def damaged(file: Path | str) -> StoreError:
    """The error of a store whose contents are not what was written."""
    reason, remedy = _DAMAGED
    return StoreError(str(file), reason, f"{remedy}.")


@contextmanager
def translated(file: Path | str) -> Iterator[None]:
    """Run a block; SQLite's and the system's errors leave it as :class:`StoreError`.

    Errors of the program itself (wrong SQL, broken constraints, wrong types) pass unchanged: they are no fault of the
    file.
    """
    try:
        yield
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError):
        raise
    except sqlite3.OperationalError as error:
        if any(w in str(error) for w in ("syntax error", "no such ", "has no column", "already exists")):
            raise
        raise store_error(file, error) from error
    except sqlite3.Error as error:
        raise store_error(file, error) from error
    except ApertrueError:  # a picture that can't be read, say: it has its own words already
        raise
    except OSError as error:
        raise StoreError(
            str(file), (error.strerror or str(error)).lower(), "Check the path and its permissions."
        ) from error
