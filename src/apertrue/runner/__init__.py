"""Many pictures over all cores or a Dask cluster: bounded memory, a time limit each, never stopped by a bad one."""

import os
from collections.abc import Callable, Iterable, Iterator

from .outcome import Failure, Outcome, R, RunnerError, T

__all__ = ["Failure", "Outcome", "RunnerError", "cores", "run"]

#: In ordered runs, how far a finished task may be ahead of an unfinished one (bounds what is held back).
WINDOW = 256


def cores() -> int:
    """Number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0)) or 1
    return os.cpu_count() or 1


def run(
    work: Callable[[T], R],
    tasks: Iterable[T],
    *,
    workers: int | None = None,
    time_limit_s: float | None = 60.0,
    memory_limit_mb: float | None = 2000.0,
    ordered: bool = False,
    scheduler: str | None = None,
) -> Iterator[Outcome[T, R]]:
    """Run ``work`` on each task and give one :class:`Outcome` for each; nothing a task does stops the others.

    Closing the iterator, or any exception (Ctrl-C too), stops the workers at once.

    Args:
        work: a picklable function of one task (a module's function or an instance of a module's class).
        tasks: picklable; taken from the iterable only a few ahead of what is being worked on.
        workers: processes; all cores when ``None``; ``0`` works in this process, without limits.
        time_limit_s: limit for each task, s; a stuck worker is stopped and replaced.
        memory_limit_mb: a worker above it is replaced after its task; above twice that it is stopped (where the system
            tells a process' memory). Not on a cluster: Dask has its own.
        ordered: give outcomes in the order of the tasks instead of as they come.
        scheduler: address of a Dask scheduler (``tcp://host:port``) to use instead of own processes.

    Raises:
        RunnerError: no worker can be started.
        MissingExtraError: a scheduler was given and Dask is not installed.
    """
    wanted = 0

    def may_go_on(index: int) -> bool:
        return not ordered or index < wanted + WINDOW

    if scheduler is not None:
        from .cluster import on_cluster

        stream = on_cluster(work, tasks, may_go_on, scheduler=scheduler, time_limit_s=time_limit_s)
    elif workers == 0:
        from .processes import in_this_process

        stream = in_this_process(work, tasks)
    else:
        from .processes import ProcessPool

        pool: ProcessPool[T, R] = ProcessPool(
            work, workers=workers or cores(), time_limit_s=time_limit_s, memory_limit_mb=memory_limit_mb
        )
        stream = pool.run(tasks, may_go_on)
    try:
        if not ordered:
            yield from stream
            return
        held: dict[int, Outcome[T, R]] = {}
        for outcome in stream:
            held[outcome.index] = outcome
            while wanted in held:
                yield held.pop(wanted)
                wanted += 1
    finally:
        close = getattr(stream, "close", None)
        if close is not None:
            close()
