"""The one Vectors layer that carries all marks; made once, then only its data change."""

from typing import Any

import numpy as np

from ._marks import SEGMENTS, Marks
from ._target import Array
from ._versions import keep_program, without_thumbnail

NAME = "apertrue edges"


#: Lines in the layer, always: three edges, two centers, the arrow, all cased, with room to spare.
LINES = 3 * SEGMENTS + 40


class OverlayLayer:
    """Draws :class:`Marks` over an image layer. Adds nothing to the viewer before there is something to draw."""

    def __init__(self, viewer: Any, name: str = NAME) -> None:
        self._viewer = viewer
        self._name = name
        self.layer: Any = None

    def show(self, marks: Marks, to_world: Array) -> None:
        """Draw the marks where the picture lies in the world."""
        if len(marks.vectors) == 0:
            self.clear()
            return
        if self.layer is None or self.layer not in self._viewer.layers:
            self._add(marks, to_world)
            return
        layer = self.layer
        # Each of these makes napari build all lines anew, so only what changed is set.
        if not np.array_equal(layer.affine.affine_matrix, to_world):
            layer.affine = to_world
        if layer.edge_width != marks.width:
            layer.edge_width = marks.width
        # Shown first: napari keeps a hidden layer's old slice. The number of lines never changes, so that colors and
        # lines always belong together.
        if not layer.visible:
            layer.visible = True
        vectors, colors = _padded(marks)
        if layer.data.shape != vectors.shape:
            layer.data = vectors
        else:
            # In place: setting them makes napari work out all sliders' ranges anew, which takes longer than drawing.
            layer.data[...] = vectors
            layer.refresh(thumbnail=False, highlight=False, extent=False)
        if not np.array_equal(layer.edge_color, colors.astype(layer.edge_color.dtype)):
            layer.edge_color = colors

    def widen(self, width: float) -> None:
        """Set the lines' width after a zoom, px of the picture."""
        if self.layer is not None and self.layer in self._viewer.layers and self.layer.visible:
            self.layer.edge_width = width

    def clear(self) -> None:
        """Hide the marks; the layer stays, as adding and removing layers is slow."""
        if self.layer is not None and self.layer in self._viewer.layers:
            self.layer.visible = False

    def remove(self) -> None:
        """Take the layer away."""
        if self.layer is not None and self.layer in self._viewer.layers:
            self._viewer.layers.remove(self.layer)
        self.layer = None

    def _add(self, marks: Marks, to_world: Array) -> None:
        from napari.layers import Vectors

        active = self._viewer.layers.selection.active
        vectors, colors = _padded(marks)
        layer = Vectors(
            vectors,
            edge_color=colors,
            edge_width=marks.width,
            vector_style="line",
            affine=np.asarray(to_world),
            opacity=1.0,
            name=self._name,
        )
        self.layer = without_thumbnail(layer)
        self._viewer.add_layer(self.layer)
        keep_program(self.layer)
        # The picture stays the active layer: its sliders and keys are what the user works with.
        if active is not None and active in self._viewer.layers:
            self._viewer.layers.selection.active = active


def _padded(marks: Marks) -> tuple[Array, Array]:
    """Vectors and colors of :data:`LINES` lines; those too many have no length and no color."""
    n = len(marks.vectors)
    vectors, colors = np.zeros((LINES, 2, 2)), np.zeros((LINES, 4))
    vectors[:n], colors[:n] = marks.vectors, marks.colors
    vectors[n:, 0] = marks.vectors[0, 0]
    return vectors, colors
