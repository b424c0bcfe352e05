"""The same work over a Dask cluster (extra ``dask``)."""

import logging
import pickle
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from queue import Empty, SimpleQueue
from typing import Any

from ..errors import MissingExtraError
from ..threads import use_one_thread
from .outcome import CRASHED, Failure, Outcome, R, RunnerError, T, failure_of, timed_out
from .own_time import OwnTime

#: Tasks in flight for each thread of the cluster.
AHEAD = 4
#: When nothing was through for so long, workers are looked for; none for so long is an error, s.
LOOK_S, ALONE_S = 5.0, 60.0


def on_cluster(
    work: Callable[[T], R],
    tasks: Iterable[T],
    may_go_on: Callable[[int], bool],
    *,
    scheduler: str,
    time_limit_s: float | None,
) -> Iterator[Outcome[T, R]]:
    """Outcomes as they come from the cluster at ``scheduler`` (``tcp://host:port``).

    A worker that dies is the cluster's business: its tasks run again elsewhere. A task over the time limit is given up,
    and its worker process restarted by its nanny (a thread can't be stopped otherwise). Dask blames a worker's death on
    all tasks that it held; so what it gives up is tried once more with nothing else at work, and only then lost.

    Raises:
        MissingExtraError: Dask is not installed.
        RunnerError: the scheduler can't be reached, has no workers, can't load the work, or is gone on the way.
    """
    try:
        import distributed
        from distributed.scheduler import KilledWorker
    except ImportError as error:
        raise MissingExtraError("dask", "Working on a cluster") from error
    dask: Any = distributed
    try:
        client = dask.Client(scheduler, timeout=5, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise RunnerError(f"The scheduler at {scheduler} can't be reached ({error}). Check the address.") from error
    with _quiet():
        try:
            yield from _flow(client, scheduler, KilledWorker, work, tasks, may_go_on, time_limit_s)
        finally:
            client.close(timeout=2)


@contextmanager
def _quiet() -> Iterator[None]:
    """What the cluster says of itself stays out of the user's screen; errors of ours say what to do."""
    known = [logging.getLogger(name) for name in [*logging.root.manager.loggerDict] if name.startswith("distributed")]
    levels = [logger.level for logger in known]
    for logger in known:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(known, levels, strict=True):
            logger.setLevel(level)


def _flow(
    client: Any,
    scheduler: str,
    killed: type[Exception],
    work: Callable[[T], R],
    tasks: Iterable[T],
    may_go_on: Callable[[int], bool],
    time_limit_s: float | None,
) -> Iterator[Outcome[T, R]]:
    threads = sum(client.nthreads().values())
    if not threads:
        raise RunnerError("The cluster has no workers. Start some with: dask worker ADDRESS")
    # Sent along with each task, not scattered: what lies only in workers' memory is lost when they are killed.
    # As bytes, so that the scheduler, which looks into what it passes on, need not load an engine.
    call = pickle.dumps(_Limited(work, time_limit_s))
    source = enumerate(tasks)
    upcoming = next(source, None)
    running: dict[Any, tuple[int, T, float]] = {}
    doubtful: deque[tuple[int, T]] = deque()
    alone = False
    done: SimpleQueue[Any] = SimpleQueue()

    def send(index: int, task: T) -> None:
        future = client.submit(_call, call, pickle.dumps(task), pure=False, retries=0)
        running[future] = (index, task, time.monotonic())
        future.add_done_callback(done.put)

    def feed() -> None:
        nonlocal upcoming, alone
        alone = False
        while upcoming is not None and len(running) < threads * AHEAD and may_go_on(upcoming[0]):
            send(*upcoming)
            upcoming = next(source, None)
        if not running and doubtful:
            alone = True
            send(*doubtful.popleft())

    feed()
    while running:
        future = _next(done, client, scheduler)
        index, task, start = running.pop(future)
        value: Any = None
        failure: Failure | None = None
        seconds = time.monotonic() - start
        try:
            answer, failure, seconds, stuck_at = future.result()
            value = None if answer is None else pickle.loads(answer)  # noqa: S301 our own worker sent it
            if stuck_at is not None:
                client.restart_workers([stuck_at], timeout=30, raise_for_error=False)
        except Exception as error:  # the cluster's trouble: what the work itself raises comes as a failure
            if client.status != "running":
                raise RunnerError(f"The cluster at {scheduler} is gone. Start it again.") from error
            if not alone:
                doubtful.append((index, task))
                future.release()
                feed()
                continue
            if not isinstance(error, killed):
                raise RunnerError(
                    f"The cluster can't do the work ({failure_of(error).message}). Install the same apertrue, with the "
                    "same packages, for its scheduler and all its workers."
                ) from error
            failure = CRASHED
        future.release()
        yield Outcome(index, task, value, failure, seconds)
        feed()
        if not running and upcoming is not None:
            raise RunnerError("The cluster stopped taking work.")


def _next(done: "SimpleQueue[Any]", client: Any, scheduler: str) -> Any:
    """The next task that is through. A cluster that has lost its last worker would be waited for without end.

    Raises:
        RunnerError: no worker came back for :data:`ALONE_S`, or the cluster is gone.
    """
    alone_since: float | None = None
    while True:
        try:
            return done.get(timeout=LOOK_S)
        except Empty:
            pass
        try:
            workers = client.nthreads()
        except Exception as error:
            raise RunnerError(f"The cluster at {scheduler} is gone. Start it again.") from error
        if workers:
            alone_since = None
            continue
        alone_since = alone_since or time.monotonic()
        if time.monotonic() - alone_since > ALONE_S:
            raise RunnerError(
                f"The cluster at {scheduler} has lost all its workers. Start some with: dask worker ADDRESS; then run this "
                "again: what is done is kept."
            )


def _call(limited: bytes, task: bytes) -> "_Answer":
    return _loaded(limited)(pickle.loads(task))  # noqa: S301 our own client sent it


@lru_cache(maxsize=2)
def _loaded(limited: bytes) -> "_Limited":
    """The work, loaded once in a worker, before the first task's time runs."""
    return pickle.loads(limited)  # type: ignore[no-any-return]  # noqa: S301


#: The pickled value or why there is none, seconds, and the address of a worker that is stuck.
_Answer = tuple[bytes | None, Failure | None, float, str | None]


class _Limited:
    """The work with a time limit, run in a thread of the Dask worker."""

    def __init__(self, work: Callable[[Any], Any], time_limit_s: float | None) -> None:
        self.work, self.time_limit_s = work, time_limit_s

    def __call__(self, task: Any) -> _Answer:
        from distributed import get_worker

        use_one_thread()
        start = time.perf_counter()
        box: list[tuple[bytes | None, Failure | None]] = []

        def body() -> None:
            try:
                box.append((pickle.dumps(self.work(task)), None))
            except BaseException as error:
                box.append((None, failure_of(error)))

        thread = threading.Thread(target=body, daemon=True)
        thread.start()
        if self.time_limit_s is None:
            thread.join()
        else:
            worker = get_worker()
            own = OwnTime(thread=thread.native_id)
            # Threads of one worker wait for each other, which the system does not tell from work.
            limit = self.time_limit_s * worker.state.nthreads
            while thread.is_alive() and (left := limit - own.seconds) > 0:
                thread.join(left)
        seconds = time.perf_counter() - start
        if box:
            return (*box[0], seconds, None)
        return None, timed_out(self.time_limit_s or 0.0), seconds, get_worker().address
