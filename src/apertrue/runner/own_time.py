"""How long a task itself has been at work: the time in which it stood in line for a core is other programs' fault."""

import time
from pathlib import Path


class OwnTime:
    """A clock that stands still while a thread is ready to run but has no core.

    A picture that sleeps, or waits for a disk or a network that does not answer, is at work. Where the system does not
    tell how long a thread stood in line (it does on Linux), this is the time on the wall.

    Args:
        process: of which process; ``self`` = this one.
        thread: which of its threads, by the system's number; its first one when ``None``.
    """

    __slots__ = ("_about", "_before", "_start")

    def __init__(self, process: int | str = "self", thread: int | None = None) -> None:
        self._about = f"/proc/{process}/schedstat" if thread is None else f"/proc/{process}/task/{thread}/schedstat"
        self.begin()

    def begin(self) -> None:
        """From now on."""
        self._start, self._before = time.monotonic(), self._waited()

    @property
    def seconds(self) -> float:
        """Time at work since :meth:`begin`, s."""
        return max(time.monotonic() - self._start - (self._waited() - self._before), 0.0)

    def _waited(self) -> float:
        """Time in line for a core since the thread's start, s: the second number, in ns (Linux, sched-stats.rst)."""
        try:
            return int(Path(self._about).read_text(encoding="ascii").split()[1]) * 1e-9
        except (OSError, ValueError, IndexError):
            return 0.0
