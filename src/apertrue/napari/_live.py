"""The live view of a virtual microscope: a layer whose picture changes, as a camera's would."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from ..frame import Frame
from ..microscope import VirtualMicroscope
from ._origin import KEY, Origin, bare, weak

#: Between two pictures, ms.
PERIOD_MS = 500
#: Minutes of drift that pass for each second that one watches.
SPEED = 1.0
#: Feeds at work; nothing else holds them.
_AT_WORK: "set[Feed]" = set()


def live_frame(scope: VirtualMicroscope) -> Frame:
    """What it shows now, as taken now: the drift is sped up, the clock is not."""
    return replace(scope.frame(), taken_at=datetime.now(UTC), taken_at_source="simulation")


def start_live(scope: VirtualMicroscope, origin: Origin) -> bool:
    """Feed the layer that is about to be made with ``origin``; ends with the layer. False where there is no viewer."""
    import napari

    viewer = napari.current_viewer()
    if viewer is None:
        return False

    def inserted(event: Any) -> None:
        if event.value.metadata.get(KEY) is origin:
            viewer.layers.events.inserted.disconnect(inserted)
            Feed(viewer, event.value, scope).start()

    viewer.layers.events.inserted.connect(inserted)
    return True


class Feed:
    """Puts a new picture into a layer twice a second until the layer is gone."""

    def __init__(self, viewer: Any, layer: Any, scope: VirtualMicroscope, period_ms: int = PERIOD_MS) -> None:
        from qtpy.QtCore import QTimer
        from qtpy.QtWidgets import QApplication

        self.layer, self.scope = layer, scope
        self.timer = QTimer(QApplication.instance())
        self.timer.setInterval(period_ms)
        self.timer.timeout.connect(self.next)
        self._viewer = viewer
        viewer.layers.events.removed.connect(self._removed)

    def start(self) -> None:
        """Begin."""
        _AT_WORK.add(self)
        self.timer.start()

    def next(self) -> None:
        """The next picture."""
        self.scope.wait(SPEED * self.timer.interval() / 1000.0)
        frame = live_frame(self.scope)
        try:
            # Told before the data: who follows the layer asks for both when the data change.
            self.layer.metadata = {
                **self.layer.metadata, KEY: Origin(None, (bare(frame),), held=weak(frame.pixels), simulated=True)
            }  # fmt: skip
            self.layer.data = frame.pixels
        except RuntimeError:  # the window is gone
            self.stop()

    def stop(self) -> None:
        """End."""
        _AT_WORK.discard(self)
        self.timer.stop()
        self.timer.deleteLater()

    def _removed(self, event: Any) -> None:
        if event.value is self.layer:
            self._viewer.layers.events.removed.disconnect(self._removed)
            self.stop()
