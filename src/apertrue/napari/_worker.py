"""One piece of work at a time in a thread; the newest request wins, and what is outdated is thrown away."""

from collections.abc import Callable
from functools import partial
from typing import Any

from qtpy.QtCore import QObject, Signal
from superqt.utils import create_worker


class Latest(QObject):
    """Runs jobs in the thread pool that napari uses, too.

    Not by napari's own ``create_worker``: that notes each worker, with all that its job holds, for as long as the window
    lives (napari 0.9: one picture a job). For work that goes on until it is stopped that note is right; here it leaks.

    A running job can't be broken off; :meth:`cancel` throws its result away. While one runs, only the newest further
    job waits, so that a fast live layer never piles up work.
    """

    done = Signal(object)
    failed = Signal(object)
    busy = Signal(bool)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._token = 0
        self._running = False
        self._waiting: Callable[[], Any] | None = None
        self._closed = False

    @property
    def running(self) -> bool:
        """Whether a job runs whose result is still wanted."""
        return self._running

    def start(self, job: Callable[[], Any]) -> None:
        """Run ``job``, or let it wait until the running one is through."""
        if self._closed:
            return
        if self._running:
            self._waiting = job
            return
        self._running = True
        self._token += 1
        worker = create_worker(_caught, job, _start_thread=False)
        worker.returned.connect(partial(self._take, self._token))
        self.busy.emit(True)
        worker.start()

    def cancel(self) -> None:
        """Throw away what runs and what waits."""
        self._token += 1
        self._waiting = None
        if self._running:
            self._running = False
            self.busy.emit(False)

    def close(self) -> None:
        """Cancel, and take no more jobs. Safe to call when Qt's own part is gone."""
        self._closed = True
        self._token += 1
        self._waiting, self._running = None, False

    def _take(self, token: int, outcome: tuple[Any, BaseException | None]) -> None:
        if token != self._token or self._closed:
            return
        self._running = False
        value, error = outcome
        following, self._waiting = self._waiting, None
        if error is None:
            self.done.emit(value)
        else:
            self.failed.emit(error)
        if following is not None and not self._closed:
            self.start(following)
        elif not self._running:
            self.busy.emit(False)


def _caught(job: Callable[[], Any]) -> tuple[Any, BaseException | None]:
    try:
        return job(), None
    except Exception as error:  # shown in the panel; nothing else stops
        return None, error
