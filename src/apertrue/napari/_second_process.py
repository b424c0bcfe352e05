"""Judging a live layer's pictures in a process of its own, so that drawing and judging each have a core. No Qt.

Drawing keeps Python's one lock busy; judged in a thread beside it, a picture waits for that lock at each step and takes
ten times as long. The process is the same Python with this module as its program. It is not forked, and the
``multiprocessing`` module is not used, as that runs a user's own script again on Windows and macOS: that script may well
be the one that opened the window.

A message is two lengths (8 bytes each), a pickled part and a picture's bytes (none on the way back), through the
process's standard input and output: 1 ms for 8 MB, and nothing is left behind when either side dies. The process ends
when its input does. It keeps nothing of a picture but the room that it took, so that it answers as a thread would.
"""

import os
import pickle  # only between this program and the process that it started itself
import subprocess  # our own module, never through a shell
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import IO, Any

import numpy as np

from ..frame import Frame
from ._judge_one import judge_one

_LENGTH, _ALIGNED = 8, 16
#: Bytes of a first look at a message; more than an answer has.
_AT_ONCE = 1 << 16
#: After so many ends that nobody asked for, no further process is started.
_MOST_CRASHES = 3
_READY = b"ready"
#: Room in a pipe, where the system lets one choose (Linux; the most that any user may have): with its usual 64 KiB a
#: picture of 8 MB takes 128 turns of both processes, each of which waits for a core while the window is drawn.
_PIPE = 1 << 20
#: A process that was told to end is ended after this, s.
_PATIENCE_S = 2.0

Work = Callable[..., Any]


class StoppedError(RuntimeError):
    """The process was told to stop while it judged."""


class SecondProcess:
    """The process as seen from the window; started when first wanted, started again after a crash.

    Args:
        command: what to start; this module by default.
    """

    def __init__(self, command: list[str] | None = None) -> None:
        self._command = command or [sys.executable, "-m", __name__]
        self._process: subprocess.Popen[bytes] | None = None
        self._ready = threading.Event()
        self._busy = threading.Lock()
        self._crashes = 0
        self._closed = False

    @property
    def ready(self) -> bool:
        """Whether it waits for pictures. The first question starts it, which takes about a second."""
        if self._closed or self._crashes >= _MOST_CRASHES or not sys.executable:
            return False
        if self._process is None:
            self._start()
        return self._ready.is_set()

    @property
    def pid(self) -> int | None:
        """Its number while it runs."""
        return None if self._process is None else self._process.pid

    def judge(self, frame: Frame, *more: Any) -> Any:
        """What ``judge_one(frame, *more)`` answers, from the process; ``None`` when it is to be judged here instead.

        Waits for the answer without holding Python's lock. For one thread at a time; another one is told ``None``.
        So is who asks about a picture that raised an error there: here it raises the same.

        Raises:
            StoppedError: it was told to stop in the meantime; nobody wants the answer any more.
        """
        process = self._process
        if process is None or not self._ready.is_set() or not self._busy.acquire(blocking=False):
            return None
        try:
            pixels = np.ascontiguousarray(frame.pixels)
            bare = replace(frame, pixels=np.zeros((0, 0), pixels.dtype))
            _send(process.stdin, pickle.dumps((bare, pixels.shape, more), pickle.HIGHEST_PROTOCOL), pixels)
            value = pickle.loads(_receive(process.stdout)[0])  # noqa: S301
        except (OSError, EOFError, ValueError, pickle.UnpicklingError):
            if process is not self._process:
                raise StoppedError from None
            self._crashed(process)
            return None
        finally:
            self._busy.release()
        return None if value is None else replace(value, frame=replace(value.frame, pixels=frame.pixels))

    def stop(self) -> None:
        """End it, in the middle of a picture, too; the next live picture starts it again."""
        process, self._process = self._process, None
        self._ready.clear()
        if process is not None:
            _end(process)

    def close(self) -> None:
        """End it for good."""
        self._closed = True
        self.stop()

    def _start(self) -> None:
        self._ready.clear()
        try:
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                bufsize=0,
                pipesize=_PIPE,
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            )
        except OSError:
            self._crashes = _MOST_CRASHES
            return
        threading.Thread(target=self._await_ready, args=(self._process,), name="apertrue second", daemon=True).start()

    def _await_ready(self, process: "subprocess.Popen[bytes]") -> None:
        try:
            said = bytes(_receive(process.stdout)[0])
        except (OSError, EOFError, ValueError):
            said = b""
        if not said.startswith(_READY):
            self._crashed(process)
        elif process is self._process:
            self._ready.set()

    def _crashed(self, process: "subprocess.Popen[bytes]") -> None:
        if process is self._process:
            self._crashes += 1
            self.stop()


def _end(process: "subprocess.Popen[bytes]") -> None:
    process.kill()
    with suppress(subprocess.TimeoutExpired):
        process.wait(_PATIENCE_S)
    # Its answer may be waited for in a thread: that reads the end of the pipe, which is closed there by the last hold.
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with suppress(OSError):
                pipe.close()


# --- messages ------------------------------------------------------------------------------------------------------------
def _send(pipe: IO[bytes] | None, told: bytes, pixels: Any = None) -> None:
    if pipe is None:
        raise EOFError
    # Filled up so that the picture begins where a processor likes numbers to begin; a pickle ignores what follows it.
    told += bytes(-len(told) % _ALIGNED)
    picture = memoryview(b"") if pixels is None else memoryview(pixels.reshape(-1).view(np.uint8))
    head = len(told).to_bytes(_LENGTH, "little") + len(picture).to_bytes(_LENGTH, "little")
    for part in (memoryview(head + told), picture):
        sent = 0
        while sent < len(part):
            sent += pipe.write(part[sent:]) or 0


def _receive(pipe: IO[bytes] | None, room: bytearray | None = None) -> tuple[memoryview, memoryview]:
    """The pickled part and the picture. ``EOFError`` at the end.

    Both are parts of one ``bytearray``: ``room`` where that is large enough, as clearing 8 MB anew takes 4 ms.

    The pipes are not buffered, and an answer comes by one call: after each, a thread waits until the window's thread lets
    Python's lock go. Only one message is ever under way, so what is read belongs to it.
    """
    got = b"" if pipe is None else pipe.read(_AT_ONCE)
    while len(got) < 2 * _LENGTH:
        more = pipe.read(_AT_ONCE) if pipe is not None and got else b""
        if not more:
            raise EOFError
        got += more
    told = int.from_bytes(got[:_LENGTH], "little")
    picture = int.from_bytes(got[_LENGTH : 2 * _LENGTH], "little")
    whole = 2 * _LENGTH + told + picture
    all_of_it = memoryview(bytearray(whole) if room is None or len(room) < whole else room)[:whole]
    have = len(got)
    all_of_it[:have] = got
    while have < len(all_of_it):
        count = pipe.readinto(all_of_it[have:])  # type: ignore[union-attr]
        if not count:
            raise EOFError
        have += count
    return all_of_it[2 * _LENGTH : 2 * _LENGTH + told], all_of_it[2 * _LENGTH + told :]


# --- the process ---------------------------------------------------------------------------------------------------------
def main() -> None:
    """The process's own program: judge what comes until nothing comes any more."""
    source: IO[bytes] = os.fdopen(os.dup(0), "rb", buffering=0)
    answers: IO[bytes] = os.fdopen(os.dup(1), "wb", buffering=0)
    # What a library prints must not get between the answers.
    os.dup2(2, 1)
    _send(answers, _READY)
    room = bytearray()
    with suppress(EOFError, OSError, KeyboardInterrupt):
        while True:
            told, picture = _receive(source, room)
            _send(answers, _answer(judge_one, told, picture))
            room = told.obj  # type: ignore[assignment]  # the bytearray that it is a part of


def _answer(work: Work, told: memoryview, picture: memoryview) -> bytes:
    """The result without its picture; ``None`` for an error, which the window's own thread meets again and tells."""
    bare, shape, more = pickle.loads(told)  # noqa: S301
    try:
        result = work(replace(bare, pixels=np.frombuffer(picture, bare.pixels.dtype).reshape(shape)), *more)
        return pickle.dumps(replace(result, frame=replace(result.frame, pixels=bare.pixels)), pickle.HIGHEST_PROTOCOL)
    except Exception:
        return pickle.dumps(None)


if __name__ == "__main__":
    main()
