"""How often the window is drawn while a live layer is judged.

Without a graphics card a drawn frame takes as much processor time as a judged one (some 60 ms at 2048², of both cores),
and a window draws each picture that comes: the judging then gets less than its own core. Nobody sees the difference
between 11 and 16 drawings a second of a beam that creeps; a number that is late, one does.
"""

import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any
from weakref import ref

from qtpy.QtCore import QCoreApplication, QEvent, QObject, Qt, QTimer

#: Between two drawings of a live layer at least, s.
GAP_S = 0.09


class DrawPace(QObject):
    """Puts the window's drawing off while it follows too soon on the last one and ``wanted()``; what changed is kept.

    It is the window that waits, not the canvas: its parts are put together in one step, however few of them changed, and
    that takes most of the time. A window that changed its size is drawn at once.

    Args:
        window: the Qt widget that is the window.
        wanted: asked before each drawing.
        parent: Qt's owner.
    """

    def __init__(self, window: Any, wanted: Callable[[], bool], parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._window: Callable[[], Any] = ref(window)  # it may go before the one who paces it
        self._wanted = wanted
        self._drawn_at = float("-inf")
        self._later = QTimer(self)
        self._later.setSingleShot(True)
        self._later.setTimerType(Qt.TimerType.PreciseTimer)
        self._later.timeout.connect(self._draw)
        window.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: ARG002, N802
        """Swallows a request to draw that comes too soon; Qt sends no further one until that is answered."""
        kind = event.type()
        if kind == QEvent.Type.Resize:
            self._drawn_at = float("-inf")
        elif kind == QEvent.Type.UpdateRequest:
            now = time.monotonic()
            wait = self._drawn_at + GAP_S - now
            if wait > 0 and self._wanted():
                if not self._later.isActive():
                    self._later.start(max(1, round(1000 * wait)))
                return True
            self._later.stop()
            self._drawn_at = now
        return False

    def end(self) -> None:
        """Let the window go; what was put off is drawn."""
        waits, window = self._later.isActive(), self._window()
        self._later.stop()
        if window is None:
            return
        with suppress(RuntimeError):  # the window is gone
            window.removeEventFilter(self)
            if waits:
                _ask_to_draw(window)

    def _draw(self) -> None:
        window = self._window()
        if window is not None:
            _ask_to_draw(window)


def _ask_to_draw(window: Any) -> None:
    QCoreApplication.postEvent(window, QEvent(QEvent.Type.UpdateRequest))
