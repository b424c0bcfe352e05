"""One thread for linear algebra, in every way of running.

With more, the sum of a long row of numbers depends in its last bits on how many share it, so that the same picture would
give other bytes here than on a cluster; and where workers or other programs already use all cores, threads only wait for
each other (a picture took four times the processor time of one thread).
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

#: What the libraries read when they are loaded; later only a call changes it.
LIMITS = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


@contextmanager
def inherited_one_thread() -> Iterator[None]:
    """Processes that are started within it, and libraries loaded within it, have one thread."""
    before = {name: os.environ.get(name) for name in LIMITS}
    os.environ.update(LIMITS)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextmanager
def one_thread() -> Iterator[None]:
    """Within it this process has one thread, also in libraries that were loaded before."""
    from threadpoolctl import threadpool_limits

    with inherited_one_thread(), threadpool_limits(limits=1, user_api="blas"):
        yield


@lru_cache(maxsize=1)
def use_one_thread() -> None:
    """For the rest of this process' life, of which the first call is the one that counts."""
    from threadpoolctl import threadpool_limits

    os.environ.update(LIMITS)
    threadpool_limits(limits=1, user_api="blas")


@contextmanager
def one_at_work() -> Iterator[None]:
    """Within it this thread's linear algebra has one thread, and in most libraries that of the whole process; 30 µs.

    Where there is one already nothing is changed and nothing put back: two pieces of work that overlap would else leave
    the limit of the one for good.
    """
    libraries = _controller()
    if all(library["num_threads"] <= 1 for library in libraries.info()):
        yield
        return
    with libraries.limit(limits=1):
        yield


@lru_cache(maxsize=1)
def _controller() -> Any:
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController().select(user_api="blas")
