"""Clicks, drags and keys that correct an edge. Brings positions; :mod:`._correct` does the rest."""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from ..scene import Edge
from ._correct import dragged, grip, keyed, through
from ._target import Array
from ._versions import camera_of

DOTS_NAME = "apertrue clicks"
_FAR_PX = 4.0


class Dots:
    """Shows the points clicked so far, in one layer that is made when first needed."""

    def __init__(self, viewer: Any) -> None:
        self._viewer = viewer
        self.layer: Any = None

    def show(self, points: list[tuple[float, float]], to_world: Array, size: float, color: str) -> None:
        """Show points (x, y), px of the picture; hides the layer when there is none."""
        data = np.array([(y, x) for x, y in points], float).reshape(-1, 2)
        if self.layer is None or self.layer not in self._viewer.layers:
            if points:
                self._add(data, size, color)
            else:
                return
        self.layer.affine = to_world
        self.layer.data = data
        self.layer.visible = bool(points)

    def _add(self, data: Array, size: float, color: str) -> None:
        from napari.layers import Points

        active = self._viewer.layers.selection.active
        self.layer = Points(data, name=DOTS_NAME, size=size, face_color=color, border_color="black", symbol="cross")
        self._viewer.add_layer(self.layer)
        self._viewer.layers.selection.active = active
        camera_of(self._viewer).mouse_pan = False


class EdgeTool:
    """While on, a drag that begins on the edge moves or resizes it, and three clicks draw a new one.

    Args:
        viewer: napari's.
        to_picture: displayed world coordinates (2,) → (x, y) of the picture, px.
        present: the edge to drag, ``None`` when there is none yet.
        draw: shows an edge while it is drawn.
        dots: shows the points clicked so far.
        finished: takes the edge.
        trouble: takes words when the points give no circle.
    """

    def __init__(
        self,
        viewer: Any,
        *,
        to_picture: Callable[[Array], tuple[float, float]],
        present: Callable[[], Edge | None],
        draw: Callable[[Edge], None],
        dots: Callable[[list[tuple[float, float]]], None],
        finished: Callable[[Edge], None],
        trouble: Callable[[str], None],
    ) -> None:
        self._viewer = viewer
        self._to_picture, self._present, self._draw, self._dots = to_picture, present, draw, dots
        self._finished, self._trouble = finished, trouble
        self.points: list[tuple[float, float]] = []
        self.on = False
        self._panned = True
        self._keyed: Edge | None = None

    def start(self) -> None:
        """Take the mouse."""
        if self.on:
            return
        self.on, self.points, self._keyed = True, [], None
        self._panned = camera_of(self._viewer).mouse_pan
        camera_of(self._viewer).mouse_pan = False
        self._viewer.mouse_drag_callbacks.append(self.pressed)

    def stop(self) -> None:
        """Give the mouse back."""
        if not self.on:
            return
        self.on, self.points, self._keyed = False, [], None
        if self.pressed in self._viewer.mouse_drag_callbacks:
            self._viewer.mouse_drag_callbacks.remove(self.pressed)
        camera_of(self._viewer).mouse_pan = self._panned
        self._dots([])

    def key(self, dx: float, dy: float, grow: float) -> None:
        """Move or size the edge by keys, px of the picture; taken by :meth:`accept`."""
        edge = self._keyed or self._present()
        if self.on and edge is not None:
            self._keyed = keyed(edge, dx, dy, grow)
            self._draw(self._keyed)

    def accept(self) -> None:
        """Take the edge moved by keys."""
        if self._keyed is not None:
            edge, self._keyed = self._keyed, None
            self._finished(edge)

    def pressed(self, viewer: Any, event: Any) -> Iterator[None]:
        """Napari's callback for a press, the moves with the button down, and the release."""
        begin = self._at(event)
        edge, held = self._present(), None
        if edge is not None and not self.points:
            held = grip(edge, *begin)
        now, moved = edge, False
        at = begin
        yield
        while event.type == "mouse_move":
            at = self._at(event)
            moved = moved or float(np.hypot(at[0] - begin[0], at[1] - begin[1])) > _FAR_PX / max(
                camera_of(viewer).zoom, 1e-6
            )
            if moved and edge is not None and held is not None:
                now = dragged(edge, held, begin, at)
                self._draw(now)
            yield
        if moved and held is not None and now is not None:
            self._finished(now)
        elif not moved:
            self._click(begin)

    def _click(self, at: tuple[float, float]) -> None:
        self.points.append(at)
        self._dots(self.points)
        if len(self.points) < 3:
            return
        points, self.points = self.points, []
        self._dots([])
        try:
            edge = through(points)
        except ValueError as error:
            self._trouble(str(error))
            return
        self._finished(edge)

    def _at(self, event: Any) -> tuple[float, float]:
        return self._to_picture(np.asarray(event.position, float)[list(event.dims_displayed)])
