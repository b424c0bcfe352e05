"""The marks of the picture that was judged last, over the layer that shows it; gone as soon as it shows another one."""

from contextlib import suppress
from typing import Any

import numpy as np

from ..assessment import Assessment
from ..scene import Scene
from ._marks import line_width, marks
from ._overlay_layer import OverlayLayer
from ._target import Array
from ._versions import camera_of


class ShownMarks:
    """Marks over a picture that the user took when it was still, in a layer that may show another one at any time."""

    def __init__(self, viewer: Any, name: str) -> None:
        self.overlay = OverlayLayer(viewer, name)
        self._viewer = viewer
        self._layer: Any = None
        self._place: Array = np.eye(3)
        self._connected: list[tuple[Any, Any]] = []

    def begin(self, layer: Any) -> None:
        """From now on the layer's picture is meant, until it changes; what was drawn of another is gone."""
        self.clear()
        self._layer = layer
        events, viewer = layer.events, self._viewer
        gone = (events.data, events.scale, events.rotate, events.shear, events.translate, events.affine)
        dims = (viewer.dims.events.current_step, viewer.dims.events.ndisplay, viewer.dims.events.order)
        self._connected = [(e, self._changed) for e in (*gone, *dims)]
        self._connected += [
            (viewer.layers.events.removed, self._removed),
            (camera_of(viewer).events.zoom, self._zoomed),
        ]
        for emitter, slot in self._connected:
            emitter.connect(slot)

    def show(self, scene: Scene, assessment: Assessment | None, to_world: Array) -> str:
        """Draw what was found in the picture, unless it changed since; returns what is drawn, in words."""
        if self._layer is None:
            return ""
        self._place = to_world
        found = marks(scene, assessment, self._px())
        self.overlay.show(found, to_world)
        return found.words

    def clear(self) -> None:
        """Nothing is drawn, and nothing is meant."""
        for emitter, slot in self._connected:
            with suppress(ValueError, TypeError):
                emitter.disconnect(slot)
        self._connected, self._layer = [], None
        self.overlay.clear()

    def remove(self) -> None:
        """Take the layer with the marks away."""
        self.clear()
        self.overlay.remove()

    def _changed(self, event: Any = None) -> None:  # noqa: ARG002
        self.clear()

    def _removed(self, event: Any) -> None:
        if event.value is self._layer:
            self.clear()

    def _zoomed(self, event: Any = None) -> None:  # noqa: ARG002
        self.overlay.widen(line_width(self._px()))

    def _px(self) -> float:
        """Picture px to a screen px."""
        scale = float(np.sqrt(abs(np.linalg.det(self._place[:2, :2]))))
        return 1.0 / max(float(camera_of(self._viewer).zoom) * scale, 1e-9)
