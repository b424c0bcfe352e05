"""What can go wrong, as few exceptions; each subclasses the fitting built-in."""


class ApertrueError(Exception):
    """Base of all errors that apertrue raises on purpose; its text is written for the user."""


class FileError(ApertrueError, OSError):
    """Trouble with a file. The text names the file, the reason and the remedy.

    Attributes:
        file: the file as given.
        reason: what is wrong, one clause.
        remedy: what to do, one clause.
    """

    def __init__(self, file: str, reason: str, remedy: str) -> None:
        super().__init__(f"{file}: {reason}. {remedy}")
        self.file, self.reason, self.remedy = file, reason, remedy

    def __reduce__(self) -> tuple[type["FileError"], tuple[str, str, str]]:
        return type(self), (self.file, self.reason, self.remedy)


class ReadError(FileError):
    """A picture (or sheet) could not be read."""


class WriteError(FileError):
    """Something that was asked for (a report, a table, a picture) could not be written; nothing half-written stays."""


class StoreError(FileError):
    """The session log or audit store could not be opened or written."""


def reason_of(error: Exception) -> str:
    """Why a picture could not be read or judged, in words, without its file's name; a fault of ours is called that."""
    if isinstance(error, FileError):
        return f"{error.reason}. {error.remedy}"
    if isinstance(error, ApertrueError):
        return str(error)
    if isinstance(error, MemoryError):
        return "not enough memory for it. Crop it or save it smaller"
    return f"it could not be judged ({type(error).__name__}: {error}). This is a fault of apertrue; please report it"


def picture_name(file: object, page: int | None) -> str:
    """A picture in words: its file, and its page where it is not the first."""
    return f"{file} page {page}" if page else str(file)


def told_of(file: object, page: int | None, reason: str) -> str:
    """The message about a picture that could not be read or judged, wherever it is printed or kept."""
    return f"{picture_name(file, page)}: {reason}"


class InstrumentError(ApertrueError, ValueError):
    """The instrument file is wrong; the text names the key and what is allowed."""


class CalibrationError(ApertrueError, ValueError):
    """Readings from which no shift calibration can be solved; the text says why and what to add."""


class RegionError(ApertrueError, ValueError):
    """A region to search that holds nothing of the picture; the text says how large the picture is."""


class BurstError(ApertrueError, ValueError):
    """Frames that can't be combined; the text says why."""


class MissingExtraError(ApertrueError, ImportError):
    """An optional part is not installed; the text names the extra to install."""

    def __init__(self, extra: str, purpose: str) -> None:
        self.extra, self.purpose = extra, purpose
        # Double quotes: a Windows console knows no others.
        self.remedy = f'In apertrue\'s folder: python -m pip install ".[{extra}]"'
        super().__init__(f"{purpose} needs an optional part. {self.remedy}")

    def __reduce__(self) -> tuple[type["MissingExtraError"], tuple[str, str]]:
        return type(self), (self.extra, self.purpose)
