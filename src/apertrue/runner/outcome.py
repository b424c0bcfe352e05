"""What comes back for each piece of work: its value, or the reason why there is none."""

from dataclasses import dataclass
from typing import Generic, Literal, TypeVar

from ..errors import ApertrueError

T = TypeVar("T")
R = TypeVar("R")

FailureKind = Literal["error", "timeout", "memory", "crash"]


class RunnerError(ApertrueError, RuntimeError):
    """The workers themselves can't work (not: one picture fails); the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a task has no value.

    Attributes:
        kind: ``error`` (the work raised), ``timeout`` (over the time limit, its worker was stopped), ``memory`` (over
            the memory limit), ``crash`` (the worker died over it, twice).
        message: one sentence for the user, without the file's name.
    """

    kind: FailureKind
    message: str


@dataclass(frozen=True, slots=True)
class Outcome(Generic[T, R]):
    """One finished task. Exactly one of ``value`` and ``failure`` counts: the value when ``failure`` is ``None``.

    Attributes:
        index: number of the task in the order given, from 0.
        task: the task as given.
        value: what the work returned.
        failure: why there is no value.
        seconds: how long it took, s.
    """

    index: int
    task: T
    value: R | None
    failure: Failure | None
    seconds: float


def failure_of(error: BaseException) -> Failure:
    """An exception of the work as a :class:`Failure`."""
    if isinstance(error, MemoryError):
        return Failure("memory", "not enough memory for it. Crop it or save it smaller.")
    text = " ".join(str(error).split())
    if isinstance(error, ApertrueError):
        return Failure("error", text)
    return Failure("error", f"{type(error).__name__}: {text}" if text else type(error).__name__)


def timed_out(limit_s: float) -> Failure:
    """The failure of a task over the time limit."""
    return Failure("timeout", f"not finished within {limit_s:g} s; it was stopped. Raise the time limit to try again.")


CRASHED = Failure("crash", "the reading process died over it, twice. The file is probably damaged.")


def too_large(limit_mb: float) -> Failure:
    """The failure of a task over the memory limit."""
    return Failure(
        "memory", f"it took more than {limit_mb:g} MB of memory and was stopped. Crop it or save it smaller."
    )
