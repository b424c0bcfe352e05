"""Many tasks over worker processes, with a time limit and a memory limit a task.

Why own code: the standard library's pool and joblib's can neither stop one stuck worker nor bound what is queued; the
library that can shares one pipe among all workers, which a worker killed in the middle of a message leaves broken. Here
each worker has its own pipe, so that any of them may die at any moment.
"""

import multiprocessing
import pickle
import signal
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, Generic

from ..threads import inherited_one_thread, one_thread
from .outcome import CRASHED, Failure, Outcome, R, RunnerError, T, timed_out, too_large
from .own_time import OwnTime
from .worker import memory_mb, worker_loop

#: Tasks that wait at each worker, so that none idles while the parent is busy.
AHEAD = 3
#: Seconds of its own within which a worker must have imported what it needs.
START_LIMIT_S = 120.0
#: A worker is replaced after so many tasks: leaks of decoders stay bounded.
TASKS_A_WORKER = 5000
#: Windows can wait for 63 handles at once.
MOST_WORKERS = 60


class _Worker(Generic[T]):
    """One process, its pipe, and the tasks given to it (the first is being worked on)."""

    def __init__(self, work_pickled: bytes) -> None:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        self.pipe: Connection = ours
        self.process: SpawnProcess = context.Process(target=worker_loop, args=(theirs, work_pickled), daemon=True)
        with _interrupts_held(), inherited_one_thread():
            self.process.start()
        theirs.close()
        self.queue: deque[tuple[int, T, int]] = deque()
        self.own = OwnTime(self.process.pid or "self")
        self.begin()
        self.ready = False
        self.finished = 0
        self.retiring = False

    def begin(self) -> None:
        """The time of the first task in line runs from now on."""
        self.own.begin()
        self.since, self.look_after = time.monotonic(), 0.0

    def give(self, index: int, task: T, tries: int) -> None:
        """Queue one task."""
        if not self.queue:
            self.begin()
        self.queue.append((index, task, tries))
        with suppress(OSError):  # a dead worker shows when its pipe is read
            self.pipe.send((index, task))

    def _limit(self, time_limit_s: float | None) -> float | None:
        if not self.ready:
            return START_LIMIT_S
        return time_limit_s if self.queue else None

    def deadline(self, time_limit_s: float | None) -> float | None:
        """When to look whether the worker is stuck; ``None`` = never."""
        limit = self._limit(time_limit_s)
        return None if limit is None else max(self.since + limit, self.look_after)

    def stuck(self, time_limit_s: float | None) -> bool:
        """Whether its task has been at work for longer than the limit; what it spent in line for a core is no work."""
        limit = self._limit(time_limit_s)
        if limit is None:
            return False
        left = limit - self.own.seconds
        self.look_after = time.monotonic() + left
        return left <= 0

    def stop(self) -> None:
        """End the process now."""
        self.process.kill()
        self.process.join(1.0)
        self.pipe.close()
        with suppress(ValueError):
            self.process.close()


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Children start with Ctrl-C blocked (they inherit the mask), so that only the parent reacts to it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class ProcessPool(Generic[T, R]):
    """Runs one work function on a stream of tasks; see :func:`apertrue.runner.run` for the arguments."""

    def __init__(
        self,
        work: Callable[[T], R],
        *,
        workers: int,
        time_limit_s: float | None,
        memory_limit_mb: float | None,
    ) -> None:
        self._work_pickled = pickle.dumps(work)
        self._count = max(1, min(workers, MOST_WORKERS))
        self._time_limit_s = time_limit_s
        self._memory_limit_mb = memory_limit_mb
        self._workers: list[_Worker[T]] = []
        self._again: deque[tuple[int, T, int]] = deque()
        self._false_starts = 0

    def run(self, tasks: Iterable[T], may_go_on: Callable[[int], bool]) -> Iterator[Outcome[T, R]]:
        """Outcomes as they come. ``may_go_on(index)`` says whether a new task of that index may be given out yet."""
        source = enumerate(tasks)
        upcoming = next(source, None)
        try:
            while True:
                while upcoming is not None and may_go_on(upcoming[0]) and (worker := self._free()) is not None:
                    worker.give(*upcoming, 0)
                    upcoming = next(source, None)
                while self._again and (worker := self._free()) is not None:
                    worker.give(*self._again.popleft())
                if not self._again and not any(w.queue for w in self._workers):
                    if upcoming is None:
                        return
                    continue
                yield from self._step()
        finally:
            self.close()

    def close(self) -> None:
        """Stop all workers now."""
        for worker in self._workers:
            worker.process.kill()
        for worker in self._workers:
            worker.stop()
        self._workers.clear()

    def _free(self) -> _Worker[T] | None:
        """The worker with the shortest queue that takes one more task; starts one when there may be more."""
        open_ = [w for w in self._workers if not w.retiring]
        best = min(open_, key=lambda w: len(w.queue), default=None)
        if (best is None or best.queue) and len(self._workers) < self._count:
            best = _Worker(self._work_pickled)
            self._workers.append(best)
        return best if best is not None and len(best.queue) < AHEAD else None

    def _step(self) -> Iterator[Outcome[T, R]]:
        """Wait for the next message, death or deadline and deal with it."""
        now = time.monotonic()
        deadlines = [d for w in self._workers if (d := w.deadline(self._time_limit_s)) is not None]
        pause = min([d - now for d in deadlines] + ([0.25] if self._memory_limit_mb else [1.0]))
        by_pipe = {w.pipe: w for w in self._workers}
        for pipe in wait(list(by_pipe), max(pause, 0.0)):
            yield from self._hear(by_pipe[pipe])  # type: ignore[index]
        now = time.monotonic()
        for worker in list(self._workers):
            deadline = worker.deadline(self._time_limit_s)
            if deadline is not None and now >= deadline and worker.stuck(self._time_limit_s) and not worker.pipe.poll():
                if not worker.ready:
                    self._false_start(worker, f"it did not start within {START_LIMIT_S:g} s")
                else:
                    yield self._give_up(worker, timed_out(self._time_limit_s or 0.0))
            elif self._memory_limit_mb and worker.queue and worker.ready:
                used = memory_mb(worker.process.pid or "self")
                if used is not None and used > 2 * self._memory_limit_mb and not worker.pipe.poll():
                    yield self._give_up(worker, too_large(2 * self._memory_limit_mb))

    def _hear(self, worker: _Worker[T]) -> Iterator[Outcome[T, R]]:
        try:
            word, index, value, seconds, used = worker.pipe.recv()
        except Exception:  # EOF, reset, or half a message of a worker that died while sending
            yield from self._died(worker)
            return
        if word == "ready":
            worker.ready, self._false_starts = True, 0
            worker.begin()
            return
        if word == "broken":
            raise RunnerError(f"The worker processes can't load their work ({value.message}).")
        _, task, _ = worker.queue.popleft()
        worker.finished += 1
        worker.begin()
        if worker.finished >= TASKS_A_WORKER or (self._memory_limit_mb and used and used > self._memory_limit_mb):
            worker.retiring = True
        if worker.retiring:
            self._take_back(worker)
            self._remove(worker)
        if word == "done":
            yield Outcome(index, task, value, None, seconds)
        else:
            yield Outcome(index, task, None, value, seconds)

    def _give_up(self, worker: _Worker[T], failure: Failure) -> Outcome[T, R]:
        """Stop a stuck worker; its first task fails, the others are done again elsewhere."""
        seconds = time.monotonic() - worker.since
        index, task, _ = worker.queue.popleft()
        self._take_back(worker)
        self._remove(worker)
        return Outcome(index, task, None, failure, seconds)

    def _died(self, worker: _Worker[T]) -> Iterator[Outcome[T, R]]:
        if not worker.ready:
            self._false_start(worker, "it ended while starting")
            return
        lost: Outcome[T, R] | None = None
        if worker.queue:
            index, task, tries = worker.queue.popleft()
            if tries:
                lost = Outcome(index, task, None, CRASHED, time.monotonic() - worker.since)
            else:  # perhaps someone else killed it: once more, last in this worker's line
                self._again.append((index, task, 1))
        self._take_back(worker)
        self._remove(worker)
        if lost is not None:
            yield lost

    def _false_start(self, worker: _Worker[T], why: str) -> None:
        self._take_back(worker)
        self._remove(worker)
        self._false_starts += 1
        if self._false_starts >= 3:
            raise RunnerError(
                f"No worker process could be started ({why}). "
                "In a script, keep the call under: if __name__ == '__main__'."
            )

    def _take_back(self, worker: _Worker[T]) -> None:
        self._again.extendleft(reversed(worker.queue))
        worker.queue.clear()

    def _remove(self, worker: _Worker[T]) -> None:
        self._workers.remove(worker)
        worker.stop()


def in_this_process(work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[Outcome[T, R]]:
    """The same without processes (``workers=0``): no limits, for few pictures and for finding faults."""
    from .outcome import failure_of

    with one_thread():
        for index, task in enumerate(tasks):
            start = time.perf_counter()
            value: Any = None
            failure: Failure | None = None
            try:
                value = work(task)
            except Exception as error:
                failure = failure_of(error)
            yield Outcome(index, task, value, failure, time.perf_counter() - start)
