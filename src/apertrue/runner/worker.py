"""The loop that runs in each worker process."""

import os
import pickle
import signal
import threading
import time
import warnings
from multiprocessing import parent_process
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

from .outcome import failure_of


def worker_loop(pipe: Connection, work_pickled: bytes) -> None:
    """Receive ``(index, task)``, send ``("done" | "failed", index, value | Failure, seconds, MB)``, until ``None``.

    Ctrl-C is the parent's business; when the parent is gone, so is the worker, even in the middle of something.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warnings.simplefilter("ignore")  # a worker speaks to its parent, not to the user's screen
    threading.Thread(target=_die_with_parent, daemon=True).start()
    word, value = "ready", None
    try:
        work = pickle.loads(work_pickled)  # noqa: S301 our own parent sent it
    except BaseException as error:
        word, value = "broken", failure_of(error)
    try:
        pipe.send((word, 0, value, 0.0, None))
    except (BrokenPipeError, ConnectionError):  # the parent is gone: nobody to tell
        return
    while word == "ready":
        try:
            message = pipe.recv()
        except (EOFError, OSError):
            return
        if message is None:
            return
        index, task = message
        start = time.perf_counter()
        try:
            answer: tuple[str, int, Any] = ("done", index, work(task))
        except BaseException as error:  # also SystemExit from a careless library: a worker goes on
            answer = ("failed", index, failure_of(error))
        seconds = time.perf_counter() - start
        try:
            pipe.send((*answer, seconds, memory_mb()))
        except (BrokenPipeError, ConnectionError):
            return
        except Exception as error:  # a value that can't be pickled
            pipe.send(("failed", index, failure_of(error), seconds, memory_mb()))


def memory_mb(pid: int | str = "self") -> float | None:
    """Resident memory of a process, MB; ``None`` where the system does not tell."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
    except (OSError, ValueError, IndexError, AttributeError):
        return None


def _die_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
