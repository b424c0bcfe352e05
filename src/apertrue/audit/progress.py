"""How far an audit is."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Progress:
    """How far an audit is.

    Attributes:
        phase: ``find``, ``judge`` or ``done``.
        found: files found so far.
        total: files to read in this run (new, changed, or to be checked).
        done: of those, finished.
        failed: of those, with a row that says why not.
        known: files that need no reading.
        seconds: since judging began, s.
    """

    phase: str
    found: int = 0
    total: int = 0
    done: int = 0
    failed: int = 0
    known: int = 0
    seconds: float = 0.0

    @property
    def rate(self) -> float | None:
        """Files per second; ``None`` before the first."""
        return self.done / self.seconds if self.done and self.seconds > 0 else None

    @property
    def seconds_left(self) -> float | None:
        """Estimated seconds to go; ``None`` when it can't be told yet."""
        return (self.total - self.done) / self.rate if self.rate else None
