"""Work functions that the worker processes of the tests import by name."""

import os
import time
from pathlib import Path


def double(n: int) -> int:
    return 2 * n


def mixed(task: tuple[str, int]) -> int:
    word, n = task
    if word == "raise":
        raise ValueError(f"no {n}")
    if word == "hang":
        time.sleep(600)
    if word == "die":
        os._exit(3)
    if word == "exit":
        raise SystemExit(4)
    if word == "memory":
        raise MemoryError
    if word == "slow":
        time.sleep(0.05)
    return n


def die_once(mark: str) -> str:
    path = Path(mark)
    if not path.exists():
        path.touch()
        os._exit(9)
    return path.name


def unpicklable(n: int) -> object:
    return (lambda: n) if n else n


def swallow(megabytes: int) -> int:
    block = bytearray(megabytes * 1_000_000)
    block[::4096] = b"x" * len(block[::4096])
    time.sleep(20)
    return len(block)


def pid_of(seconds: float) -> int:
    time.sleep(seconds)
    return os.getpid()


class Unloadable:
    def __call__(self, n: int) -> int:
        return n

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return _refuse, ("gone",)


def _refuse(word: str) -> None:
    raise RuntimeError(f"module is {word}")


def blas_threads(_: int) -> int:
    import numpy  # noqa: F401 loads the library that is asked
    from threadpoolctl import threadpool_info

    return max(int(about["num_threads"]) for about in threadpool_info() if about["user_api"] == "blas")
