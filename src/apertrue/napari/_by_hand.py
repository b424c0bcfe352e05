"""What the user draws on the assess widget's picture: its buttons, its keys, and taking it back."""

from collections.abc import Callable
from functools import partial
from typing import Any, Protocol

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QPushButton

from ..overlay.colors import APERTURE, BEAM
from ..pipeline import Result
from ..scene import Edge
from ._assess_model import AssessModel, Whose
from ._edge_tool import Dots, EdgeTool
from ._judge_one import Region
from ._marks import drawn
from ._overlay_layer import OverlayLayer
from ._region_tool import RegionTool
from ._target import Aim, Array

#: What a key changes while an edge or the region is drawn: (right, down, larger) in px; ten times as much with Shift.
_KEYS = {
    Qt.Key.Key_Left: (-1.0, 0.0, 0.0),
    Qt.Key.Key_Right: (1.0, 0.0, 0.0),
    Qt.Key.Key_Up: (0.0, -1.0, 0.0),
    Qt.Key.Key_Down: (0.0, 1.0, 0.0),
    Qt.Key.Key_Plus: (0.0, 0.0, 1.0),
    Qt.Key.Key_Equal: (0.0, 0.0, 1.0),
    Qt.Key.Key_Minus: (0.0, 0.0, -1.0),
    Qt.Key.Key_Underscore: (0.0, 0.0, -1.0),
}
_TAKES = (Qt.Key.Key_Return, Qt.Key.Key_Enter)


class Host(Protocol):
    """What drawing needs of the widget that shows the picture and its result."""

    viewer: Any
    target: Any
    model: AssessModel
    overlay: OverlayLayer
    aim: Aim | None
    result: Result | None

    def button(self, text: str, slot: Callable[[], None], tip: str = "") -> QPushButton:
        """Make a button."""

    def px(self) -> float:
        """Picture px to a screen px."""

    def say_note(self, text: str) -> None:
        """Tell the user something; an empty text takes it away."""

    def show_marks(self) -> None:
        """Show the result's marks again."""

    def drawn_changed(self) -> None:
        """Judge with what is drawn now."""


class ByHand:
    """Correcting an edge and restricting the search, one at a time, with undo."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self._whose: Whose | None = None
        self._closed = False
        self.dots = Dots(host.viewer)
        self.region_tool = RegionTool(host.viewer, self._region_changed)
        self.edge_tool = EdgeTool(
            host.viewer,
            to_picture=self._to_picture,
            present=self._present_edge,
            draw=self._draw_edge,
            dots=self._show_dots,
            finished=self._edge_drawn,
            trouble=host.say_note,
        )
        b = host.button
        self.region = b("&Region…", self._on_region, "Draw a rectangle: edges are looked for only there.")
        self.fix_aperture = b("Correct aperture &edge", partial(self._on_correct, "aperture"))
        self.fix_beam = b("Correct &beam edge", partial(self._on_correct, "beam"))
        for button in (self.region, self.fix_aperture, self.fix_beam):
            button.setCheckable(True)
        for button, what in ((self.fix_aperture, "aperture"), (self.fix_beam, "beam")):
            button.setToolTip(
                f"Drag the {what}'s edge or center, click three points on the edge, or use the arrow keys."
            )
        self.undo = b("&Undo", self.take_back, "Take back the last thing drawn (Ctrl+Z, here and on the picture).")
        self.clear = b("Clear &drawn", self._on_clear, "Forget edges and region drawn by hand.")

    def refresh(self) -> None:
        """What can be pressed now."""
        for button in (self.region, self.fix_aperture, self.fix_beam):
            button.setEnabled(self._host.target is not None)
        self.undo.setEnabled(self._host.model.can_undo)
        self.clear.setEnabled(self._host.model.drawn.anything)

    def start_over(self) -> None:
        """For another picture."""
        self.end()
        self._host.model.start_over()
        self.region_tool.drop()

    def removed(self, layer: Any) -> None:
        """A layer was removed by the user; drawing on it ends."""
        if layer is self.region_tool.layer:
            drawing = self.region_tool.on
            self.region_tool.removed(layer)
            if drawing:
                self.end()

    def close(self) -> None:
        """Give the mouse back for good."""
        self._closed = True
        self.edge_tool.stop()

    def key(self, event: Any) -> bool:
        """Move, size or take what is drawn; whether it was such a key."""
        tool = self.region_tool if self.region_tool.on else self.edge_tool
        if self._closed or not tool.on:
            return False
        key = event.key()
        if key == Qt.Key.Key_Escape:
            self.end()
        elif key in _TAKES:
            tool.accept()
        elif key in _KEYS:
            step = 10.0 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 1.0
            tool.key(*(step * v for v in _KEYS[Qt.Key(key)]))
        else:
            return False
        return True

    def end(self) -> None:
        """Stop drawing; what was not finished is gone."""
        if not (self.edge_tool.on or self.region_tool.on):
            return
        edge_on = self.edge_tool.on
        self.edge_tool.stop()
        self._whose = None
        self.fix_aperture.setChecked(False)
        self.fix_beam.setChecked(False)
        self.region.setChecked(False)
        self.region_tool.stop(self._host.target)
        self.region_tool.show(self._host.model.drawn.region)
        self._host.say_note("")
        if edge_on:
            self._host.show_marks()

    def take_back(self) -> None:
        """Undo the last thing drawn."""
        if not self._closed and self._host.model.undo():
            self._changed()

    def _on_clear(self) -> None:
        if self._host.model.clear():
            self._changed()

    def _changed(self) -> None:
        """Something drawn was added or taken back: show it and judge with it."""
        self.region_tool.show(self._host.model.drawn.region)
        self.end()
        self._host.drawn_changed()

    # --- an edge ---------------------------------------------------------------------------------------------------------
    def _on_correct(self, whose: Whose) -> None:
        button = self.fix_aperture if whose == "aperture" else self.fix_beam
        wanted = button.isChecked()
        self.end()
        if not wanted:
            return
        button.setChecked(True)
        self._whose = whose
        self.edge_tool.start()
        self._host.say_note(
            f"Drag the {whose}'s edge (or its center), or click three points on the edge. By keys: arrows move it, "
            "+ and − size it (Shift: tenfold), Enter takes it. Esc ends."
        )

    def _present_edge(self) -> Edge | None:
        if self._whose is None:
            return None
        drawn_ = self._host.model.drawn
        d, result = drawn_.aperture if self._whose == "aperture" else drawn_.beam, self._host.result
        if result is None:
            return d
        scene = result.scene
        found = (scene.aperture if self._whose == "aperture" else scene.beam) or d or scene.edge
        if found is not None:
            return found
        # Nothing was found: a circle in the middle, to begin with.
        rows, columns = result.frame.shape
        return Edge(0.5 * (columns - 1), 0.5 * (rows - 1), 0.25 * min(rows, columns))

    def _draw_edge(self, edge: Edge) -> None:
        if self._whose is not None and self._host.aim is not None:
            self._host.overlay.show(drawn(edge, self._whose, self._host.px()), self._host.aim.to_world)

    def _edge_drawn(self, edge: Edge) -> None:
        if self._whose is not None:
            self._host.model.correct(self._whose, edge)
            self._changed()

    def _to_picture(self, world: Array) -> tuple[float, float]:
        row, column = np.linalg.solve(self._place(), np.array([world[0], world[1], 1.0]))[:2]
        return float(column), float(row)

    def _place(self) -> Array:
        return np.eye(3) if self._host.aim is None else self._host.aim.to_world

    def _show_dots(self, points: list[tuple[float, float]]) -> None:
        self.dots.show(points, self._place(), 9 * self._host.px(), APERTURE if self._whose == "aperture" else BEAM)

    # --- the region --------------------------------------------------------------------------------------------------------
    def _on_region(self) -> None:
        wanted = self.region.isChecked()
        self.end()
        if not wanted:
            return
        host = self._host
        if host.target is None or host.aim is None or host.result is None:
            self.region.setChecked(False)
            host.say_note("There is no picture to draw on.")
            return
        self.region.setChecked(True)
        host.say_note(self.region_tool.start(host.aim.to_world, host.result.frame.shape, host.px()))

    def _region_changed(self, region: Region | None) -> None:
        if not self._closed and self._host.model.restrict(region):
            self._changed()
