"""How often the canvas is drawn while a live layer is judged.

Without a graphics card a drawn frame takes as much processor time as a judged one (some 60 ms at 2048², of both cores),
and a window draws each picture that comes: the judging then gets less than its own core. Nobody sees the difference
between 11 and 16 drawings a second of a beam that creeps; a number that is late, one does.
"""

import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from qtpy.QtCore import QEvent, QObject, Qt, QTimer

#: Between two drawings of a live layer at least, s.
GAP_S = 0.085


class DrawPace(QObject):
    """Puts drawings off that follow too soon on the last one, while ``wanted()``; the last one asked for is always drawn.

    What is on the screen stays there in the meantime. A canvas that changed its size is drawn at once.

    Args:
        canvas: the Qt widget that is drawn.
        wanted: asked before each drawing.
        parent: Qt's owner.
    """

    def __init__(self, canvas: Any, wanted: Callable[[], bool], parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._canvas, self._wanted = canvas, wanted
        self._drawn_at = float("-inf")
        self._later = QTimer(self)
        self._later.setSingleShot(True)
        self._later.setTimerType(Qt.TimerType.PreciseTimer)
        self._later.timeout.connect(canvas.update)
        canvas.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: ARG002, N802
        """Swallows a paint event that comes too soon."""
        kind = event.type()
        if kind == QEvent.Type.Resize:
            self._drawn_at = float("-inf")
        elif kind == QEvent.Type.Paint:
            now = time.monotonic()
            wait = self._drawn_at + GAP_S - now
            if wait > 0 and self._wanted():
                if not self._later.isActive():
                    self._later.start(max(1, round(1000 * wait)))
                return True
            self._drawn_at = now
        return False

    def end(self) -> None:
        """Let the canvas go; what was put off is drawn."""
        waits = self._later.isActive()
        self._later.stop()
        with suppress(RuntimeError):  # the window is gone
            self._canvas.removeEventFilter(self)
            if waits:
                self._canvas.update()
