"""One piece of work at a time in a thread; the newest request wins, and what is outdated is thrown away."""

from collections.abc import Callable
from contextlib import suppress
from threading import Lock
from typing import Any

from qtpy.QtCore import QObject, QRunnable, QThreadPool, Signal

Job = Callable[[], Any]
Outcome = tuple[Any, BaseException | None]


class Latest(QObject):
    """Runs jobs in Qt's thread pool, which napari uses, too.

    Not by ``create_worker``. napari's notes each worker, with all that its job holds, for as long as the window lives
    (napari 0.9: one picture a job); superqt's, which that one is built on, keeps 5 kB of Qt's objects a job (superqt 0.9
    with PySide6 6.12: 200 MB in a day of one picture a second). For work that goes on until it is stopped both are right.

    A running job can't be broken off; :meth:`cancel` throws its result away. While one runs, only the newest further
    job waits, so that a fast live layer never piles up work. The thread goes on with it at once: waiting until the
    window, busy with drawing, takes the last outcome would cost as long as a drawing takes.
    """

    done = Signal(object)
    failed = Signal(object)
    busy = Signal(bool)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._queue = _Queue()
        self._post = _Post()
        self._post.outcome.connect(self._take)
        self._running = False
        self._closed = False

    @property
    def running(self) -> bool:
        """Whether a job runs whose result is still wanted."""
        return self._running

    def start(self, job: Job) -> None:
        """Run ``job``, or let it wait until the running one is through."""
        if self._closed:
            return
        was_running, self._running = self._running, True
        if self._queue.put(job):
            QThreadPool.globalInstance().start(_Work(self._queue, self._post))
        if not was_running:
            self.busy.emit(True)

    def cancel(self) -> None:
        """Throw away what runs and what waits."""
        self._leave()
        if self._running:
            self._running = False
            self.busy.emit(False)

    def close(self) -> None:
        """Cancel, and take no more jobs. Safe to call when Qt's own part is gone."""
        self._closed = True
        self._leave()
        self._running = False

    def _leave(self) -> None:
        self._queue.drop()
        self._queue = _Queue()

    def _take(self, told: "tuple[_Queue, Outcome]") -> None:
        queue, (value, error) = told
        if queue is not self._queue or self._closed:
            return
        queue.answered += 1
        self._running = not queue.through
        if error is None:
            self.done.emit(value)
        else:
            self.failed.emit(error)
        if queue is self._queue and not self._running:
            self.busy.emit(False)


class _Queue:
    """At most one waiting job, between the window's thread and the one that works."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._waiting: Job | None = None
        self._worked = False
        self._taken = 0
        #: Outcomes that the window has seen.
        self.answered = 0

    def put(self, job: Job) -> bool:
        """Let ``job`` wait in place of an older one; whether nobody works on the queue yet (now the caller has to)."""
        with self._lock:
            self._waiting = job
            alone, self._worked = not self._worked, True
            return alone

    def next(self) -> Job | None:
        """Take the waiting job; ``None`` when there is none, and then nobody works on the queue any more."""
        with self._lock:
            job, self._waiting = self._waiting, None
            self._worked = job is not None
            self._taken += self._worked
            return job

    def drop(self) -> None:
        """Forget the waiting job."""
        with self._lock:
            self._waiting = None

    @property
    def through(self) -> bool:
        """Whether nothing waits and all outcomes were seen."""
        with self._lock:
            return self._waiting is None and self._taken == self.answered


class _Post(QObject):
    """Carries outcomes from the thread that works to the window's."""

    outcome = Signal(object)


class _Work(QRunnable):
    """Works until nothing waits."""

    def __init__(self, queue: _Queue, post: _Post) -> None:
        super().__init__()
        self._queue, self._post = queue, post

    def run(self) -> None:
        """In the pool's thread."""
        while (job := self._queue.next()) is not None:
            outcome = _caught(job)
            with suppress(RuntimeError):  # the window is gone
                self._post.outcome.emit((self._queue, outcome))
            # Nothing of a picture is held while the next one is worked on, or none.
            del job, outcome


def _caught(job: Job) -> Outcome:
    try:
        return job(), None
    except Exception as error:  # shown in the panel; nothing else stops
        return None, error
