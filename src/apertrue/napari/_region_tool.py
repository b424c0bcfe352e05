"""The region of the search: a rectangle drawn on the canvas, or set by keys. Pixels go through the caller's transform."""

from collections.abc import Callable
from typing import Any

import numpy as np

from ..overlay.colors import APERTURE
from ._judge_one import Region
from ._target import Array

REGION_NAME = "apertrue region"
_WORDS = (
    "Draw a rectangle round the discs. By keys: arrows move it, + and − size it, Enter takes it, Esc ends. The last shape "
    "counts; delete it to search everywhere."
)


class RegionTool:
    """While on, a rectangle can be drawn; the layer that shows it stays.

    Args:
        viewer: napari's.
        changed: takes the region, or ``None`` when there is none any more.
    """

    def __init__(self, viewer: Any, changed: Callable[[Region | None], None]) -> None:
        self._viewer, self._changed = viewer, changed
        self.layer: Any = None
        self.on = False
        self._box: Region | None = None
        self._limits = (0.0, 0.0)

    def start(self, to_world: Array, shape: tuple[int, int], px: float) -> str:
        """Take the mouse; returns what to do. ``px``: picture px to a screen px."""
        from napari.layers import Shapes

        self.on, self._box = True, None
        self._limits = (float(shape[1] - 1), float(shape[0] - 1))
        if self.layer is None or self.layer not in self._viewer.layers:
            self.layer = Shapes(
                ndim=2, name=REGION_NAME, affine=to_world, edge_color=APERTURE, face_color="transparent",
                edge_width=2 * px,
            )  # fmt: skip
            self._viewer.add_layer(self.layer)
            self.layer.events.data.connect(self._on_data)
        self._viewer.layers.selection.active = self.layer
        self.layer.mode = "add_rectangle"
        return _WORDS

    def stop(self, target: Any) -> None:
        """Give the mouse back, and the picture its place as the active layer."""
        if not self.on:
            return
        self.on = False
        if self.layer is not None and self.layer in self._viewer.layers:
            self.layer.mode = "pan_zoom"
        if target is not None and target in self._viewer.layers:
            self._viewer.layers.selection.active = target

    def key(self, dx: float, dy: float, grow: float) -> None:
        """Move or size the rectangle, px; the first key shows one of four fifths of the picture."""
        right, bottom = self._limits
        box = self._box or self.region or (0.1 * right, 0.1 * bottom, 0.9 * right, 0.9 * bottom)
        l, t, r, b = box[0] + dx - grow, box[1] + dy - grow, box[2] + dx + grow, box[3] + dy + grow
        if r - l < 8 or b - t < 8:
            return
        self._box = (max(l, 0.0), max(t, 0.0), min(r, right), min(b, bottom))
        self.show(self._box)

    def accept(self) -> None:
        """Take the rectangle set by keys."""
        if self._box is not None:
            box, self._box = self._box, None
            self._changed(box)

    @property
    def region(self) -> Region | None:
        """The last rectangle as (left, top, right, bottom), px."""
        shapes = [] if self.layer is None else list(self.layer.data)
        if not shapes:
            return None
        corners = np.asarray(shapes[-1])[:, -2:]
        (top, left), (bottom, right) = corners.min(axis=0), corners.max(axis=0)
        return float(left), float(top), float(right), float(bottom)

    def show(self, region: Region | None) -> None:
        """Show this one, after undo, clear or a key."""
        if self.layer is None:
            return
        with self.layer.events.data.blocker():
            self.layer.data = []
            if region is not None:
                left, top, right, bottom = region
                self.layer.add_rectangles(np.array([[top, left], [bottom, right]]))

    def removed(self, layer: Any) -> None:
        """A layer was removed by the user."""
        if layer is self.layer:
            self.layer = None
            self._changed(None)

    def drop(self) -> None:
        """Take the layer away."""
        self.on = False
        layer, self.layer = self.layer, None
        if layer is not None and layer in self._viewer.layers:
            self._viewer.layers.remove(layer)

    def _on_data(self, event: Any = None) -> None:
        if event is None or getattr(event, "action", None) not in ("adding", "removing", "changing"):
            self._box = None
            self._changed(self.region)
