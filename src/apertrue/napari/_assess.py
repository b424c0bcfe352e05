"""The assess widget: judges the active picture, and again whenever it changes."""

from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from typing import Any

import numpy as np
from napari.layers import Image
from qtpy.QtCore import Qt, QTimer
from qtpy.QtGui import QCloseEvent, QKeySequence
from qtpy.QtWidgets import (
    QApplication,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QShortcut,
    QVBoxLayout,
    QWidget,
)

from ..overlay.colors import APERTURE, BEAM
from ..pipeline import Result
from ..scene import Edge
from ._assess_model import AssessModel, Whose, told
from ._clipboard import pasted
from ._edge_tool import EdgeTool
from ._marks import drawn, line_width, marks
from ._overlay_layer import OverlayLayer
from ._panel_words import age_words, panel
from ._result_view import ResultView, line, wrapped
from ._target import Aim, AimError, Array, aim
from ._versions import camera_of
from ._worker import Latest

_EMPTY = "Open a picture of the beam in the condenser aperture: drag a file here, or paste a screenshot."
REGION_NAME, DOTS_NAME = "apertrue region", "apertrue clicks"
#: Changes that come together (a slider's drag, a layer's set-up) are answered once, ms.
_SETTLE_MS = 20
_AGE_MS = 15_000
_ZOOM_MS = 80


class AssessWidget(QWidget):
    """Assess the beam's centering in the active image layer."""

    def __init__(self, napari_viewer: Any, model: AssessModel | None = None) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.model = model or AssessModel()
        self.target: Any = None
        self.aim: Aim | None = None
        self.result: Result | None = None
        self.overlay = OverlayLayer(self.viewer)
        self._region_layer: Any = None
        self._dots_layer: Any = None
        self._whose: Whose | None = None
        self._closed = False
        self.latest = Latest(self)
        self.tool = EdgeTool(
            self.viewer,
            to_picture=self._to_picture,
            present=self._present_edge,
            draw=self._draw_edge,
            dots=self._show_dots,
            finished=self._edge_drawn,
            trouble=self._say_note,
        )
        self._settle = QTimer(self)
        self._settle.setSingleShot(True)
        self._settle.setInterval(_SETTLE_MS)
        self._zoom = QTimer(self)
        self._zoom.setSingleShot(True)
        self._zoom.setInterval(_ZOOM_MS)
        self._age = QTimer(self)
        self._age.setInterval(_AGE_MS)
        self._build()
        self._connect()
        self._age.start()
        self.view.say(_EMPTY)
        self._on_active()

    # --- building ------------------------------------------------------------------------------------------------------
    def _build(self) -> None:
        self.picture_name = wrapped(name="picture")
        self.state = QLabel("")
        self.state.setObjectName("state")
        self.view = ResultView()
        self.note = wrapped(name="note")
        self.note.hide()
        self.setup_note = wrapped(self.model.setup.trouble, name="setup")
        self.setup_note.setVisible(bool(self.model.setup.trouble))
        self.again = self._button(
            "&Assess again", self.assess, "Judge the shown picture again (age and files are looked at anew)."
        )
        self.cancel = self._button("&Cancel", self._cancel, "Throw the running work away.")
        self.paste = self._button(
            "&Paste picture", self.paste_picture, "A screenshot from the clipboard, as a new layer."
        )
        self.region = self._button("&Region…", self._on_region, "Draw a rectangle: only there it is looked for edges.")
        self.fix_aperture = self._button("Correct aperture &edge", partial(self._on_correct, "aperture"), "")
        self.fix_beam = self._button("Correct &beam edge", partial(self._on_correct, "beam"), "")
        for button in (self.region, self.fix_aperture, self.fix_beam):
            button.setCheckable(True)
        for button, what in ((self.fix_aperture, "aperture"), (self.fix_beam, "beam")):
            button.setToolTip(f"Drag the {what}'s edge or center, or click three points on the edge. Esc ends it.")
        self.undo = self._button("&Undo", self._on_undo, "Take back the last thing drawn (Ctrl+Z).")
        self.clear = self._button("Clear &drawn", self._on_clear, "Forget edges and region drawn by hand.")
        grid = QGridLayout()
        grid.setSpacing(4)
        for k, button in enumerate(
            (self.again, self.paste, self.fix_aperture, self.fix_beam, self.region, self.cancel, self.undo, self.clear)
        ):
            grid.addWidget(button, k // 2, k % 2)
        head = QHBoxLayout()
        head.addWidget(self.picture_name, 1)
        head.addWidget(self.state)
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.addLayout(head)
        column.addWidget(self.setup_note)
        column.addWidget(self.view)
        column.addStretch(1)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        scroll.setWidget(inside)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.setSpacing(4)
        outer.addWidget(scroll, 1)
        outer.addWidget(line())
        outer.addWidget(self.note)
        outer.addLayout(grid)
        bar = scroll.verticalScrollBar().sizeHint().width()
        self.setMinimumWidth(max(int(22 * self.fontMetrics().height()), inside.minimumSizeHint().width() + bar))
        for keys, slot in (
            (QKeySequence.StandardKey.Undo, self._on_undo),
            (QKeySequence.StandardKey.Paste, self.paste_picture),
        ):
            shortcut = QShortcut(QKeySequence(keys), self)
            shortcut.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
            shortcut.activated.connect(slot)
        escape = QShortcut(QKeySequence("Escape"), self)
        escape.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        escape.activated.connect(self._end_tools)
        self._refresh_buttons()

    def _button(self, text: str, slot: Any, tip: str) -> QPushButton:
        out = QPushButton(text)
        out.setToolTip(tip)
        out.clicked.connect(lambda *_: slot())
        return out

    def _connect(self) -> None:
        self._zoom.timeout.connect(self._on_zoom)
        camera_of(self.viewer).events.zoom.connect(self._zoomed)
        self.latest.done.connect(self._on_done)
        self.latest.failed.connect(self._on_failed)
        self.latest.busy.connect(self._on_busy)
        self._settle.timeout.connect(self.assess)
        self._age.timeout.connect(self._show_age)
        self.viewer.layers.selection.events.active.connect(self._on_active)
        self.viewer.layers.events.removed.connect(self._on_removed)
        self.viewer.dims.events.current_step.connect(self._changed)
        self.viewer.dims.events.ndisplay.connect(self._changed)
        self.viewer.dims.events.order.connect(self._changed)

    # --- which picture ---------------------------------------------------------------------------------------------------
    def _on_active(self, event: Any = None) -> None:  # noqa: ARG002
        """Another layer is active: follow it when it is a picture; else stay with the last one."""
        if self._closed:
            return
        layer = self.viewer.layers.selection.active
        if not isinstance(layer, Image):
            if self.target is None:
                layer = next((x for x in reversed(self.viewer.layers) if isinstance(x, Image)), None)
            else:
                return
        if layer is self.target:
            return
        self._watch_layer(layer)

    def _on_removed(self, event: Any) -> None:
        if self._closed:
            return
        removed = event.value
        if removed is self._region_layer:
            self._region_layer = None
            self._region_changed()
        elif removed is self._dots_layer:
            self._dots_layer = None
        elif removed is self.target:
            self._watch_layer(None)
            self._on_active()

    def _watch_layer(self, layer: Any) -> None:
        if self.target is not None:
            for emitter in self._layer_events(self.target):
                with suppress(ValueError, TypeError):
                    emitter.disconnect(self._changed)
        self._end_tools()
        self.model.start_over()
        self._drop_region()
        self.target, self.result, self.aim = layer, None, None
        self.overlay.clear()
        if layer is None:
            self.latest.cancel()
            self.picture_name.setText("")
            self.view.say(_EMPTY)
            self._refresh_buttons()
            return
        for emitter in self._layer_events(layer):
            emitter.connect(self._changed)
        self._changed()

    @staticmethod
    def _layer_events(layer: Any) -> tuple[Any, ...]:
        e = layer.events
        return e.data, e.scale, e.rotate, e.shear, e.translate, e.affine, e.name

    def _changed(self, event: Any = None) -> None:  # noqa: ARG002
        # Not started anew while it runs: a fast live layer would put it off for ever.
        if not self._closed and self.target is not None and not self._settle.isActive():
            self._settle.start()

    # --- judging ---------------------------------------------------------------------------------------------------------
    def assess(self) -> None:
        """Judge what the picture's layer shows now."""
        if self._closed or self.target is None:
            return
        try:
            meant = aim(self.target, self.viewer.dims.point, self.viewer.dims.displayed)
        except AimError as error:
            self._on_failed(error)
            return
        self.latest.start(partial(_work, self.model, meant))

    def _on_done(self, outcome: tuple[Aim, Result]) -> None:
        self.aim, self.result = outcome
        page = f", page {self.aim.page}" if self.aim.index else ""
        self.picture_name.setText(f"{self.aim.name}{page}")
        if self._whose is None and not self.region.isChecked():
            self._say_note("")
        self._draw()
        self._show_age()
        self._refresh_buttons()

    def _draw(self) -> None:
        if self.result is None or self.aim is None:
            return
        r = self.result
        drawn_marks = marks(r.scene, r.assessment, self._px())
        self.overlay.show(drawn_marks, self.aim.to_world)
        console = self.model.setup.instrument.console
        self.view.show_panel(panel(r, drawn_marks.enlarged, (console.name_x, console.name_y)))

    def _on_failed(self, error: BaseException) -> None:
        self.result = None
        self.picture_name.setText("" if self.target is None else str(self.target.name))
        self.overlay.clear()
        self.view.say(told(error))
        self._refresh_buttons()

    def _on_busy(self, busy: bool) -> None:
        self.state.setText("working…" if busy else "")
        self.cancel.setEnabled(busy)

    def _cancel(self) -> None:
        self._settle.stop()
        self.latest.cancel()
        self._say_note("Canceled. What is shown is of the picture before." if self.result else "Canceled.")

    def _show_age(self) -> None:
        if self.result is not None:
            self.view.age.setText(age_words(self.result, datetime.now(UTC)))

    def _zoomed(self, event: Any = None) -> None:  # noqa: ARG002
        if not self._closed:
            self._zoom.start()

    def _on_zoom(self) -> None:
        if not self._closed and self.result is not None:
            self.overlay.widen(line_width(self._px()))

    def _px(self) -> float:
        """Picture px to a screen px."""
        if self.aim is None:
            return 1.0
        scale = float(np.sqrt(abs(np.linalg.det(self.aim.to_world[:2, :2]))))
        return 1.0 / max(float(camera_of(self.viewer).zoom) * scale, 1e-9)

    # --- drawing by hand ---------------------------------------------------------------------------------------------------
    def _on_correct(self, whose: Whose) -> None:
        button = self.fix_aperture if whose == "aperture" else self.fix_beam
        if not button.isChecked():
            self._end_tools()
            return
        self._end_tools()
        button.setChecked(True)
        self._whose = whose
        self.tool.start()
        self._say_note(f"Drag the {whose}'s edge (or its center), or click three points on the edge. Esc ends it.")

    def _end_tools(self) -> None:
        self.tool.stop()
        self._whose = None
        self.fix_aperture.setChecked(False)
        self.fix_beam.setChecked(False)
        self._say_note("")

    def keyPressEvent(self, event: Any) -> None:  # noqa: N802
        """Esc ends drawing."""
        if event.key() == Qt.Key.Key_Escape:
            self._end_tools()
            return
        super().keyPressEvent(event)

    def _present_edge(self) -> Edge | None:
        if self._whose is None:
            return None
        d = self.model.drawn.aperture if self._whose == "aperture" else self.model.drawn.beam
        if self.result is None:
            return d
        scene = self.result.scene
        return (scene.aperture if self._whose == "aperture" else scene.beam) or d or scene.edge

    def _draw_edge(self, edge: Edge) -> None:
        if self._whose is not None and self.aim is not None:
            self.overlay.show(drawn(edge, self._whose, self._px()), self.aim.to_world)

    def _edge_drawn(self, edge: Edge) -> None:
        whose = self._whose
        if whose is None:
            return
        self.model.correct(whose, edge)
        self._end_tools()
        self._refresh_buttons()
        self.assess()

    def _to_picture(self, world: Array) -> tuple[float, float]:
        matrix = np.eye(3) if self.aim is None else self.aim.to_world
        row, column = np.linalg.solve(matrix, np.array([world[0], world[1], 1.0]))[:2]
        return float(column), float(row)

    def _show_dots(self, points: list[tuple[float, float]]) -> None:
        from napari.layers import Points

        data = np.array([(y, x) for x, y in points], float).reshape(-1, 2)
        if self._dots_layer is None or self._dots_layer not in self.viewer.layers:
            if not points:
                return
            active = self.viewer.layers.selection.active
            color = APERTURE if self._whose == "aperture" else BEAM
            self._dots_layer = Points(
                data, name=DOTS_NAME, size=9 * self._px(), face_color=color, border_color="black", symbol="cross"
            )
            self.viewer.add_layer(self._dots_layer)
            self.viewer.layers.selection.active = active
            camera_of(self.viewer).mouse_pan = False
        if self.aim is not None:
            self._dots_layer.affine = self.aim.to_world
        self._dots_layer.data = data
        self._dots_layer.visible = bool(points)

    def _on_region(self) -> None:
        if not self.region.isChecked():
            if self._region_layer is not None:
                self._region_layer.mode = "pan_zoom"
            self.viewer.layers.selection.active = self.target
            return
        from napari.layers import Shapes

        if self.target is None or self.aim is None:
            self.region.setChecked(False)
            self._say_note("There is no picture to draw on.")
            return
        self._end_tools()
        if self._region_layer is None or self._region_layer not in self.viewer.layers:
            self._region_layer = Shapes(
                ndim=2, name=REGION_NAME, affine=self.aim.to_world, edge_color=APERTURE, face_color="transparent",
                edge_width=2 * self._px(),
            )  # fmt: skip
            self.viewer.add_layer(self._region_layer)
            self._region_layer.events.data.connect(self._region_changed)
        self.viewer.layers.selection.active = self._region_layer
        self._region_layer.mode = "add_rectangle"
        self._say_note("Draw a rectangle round the discs. The last shape counts; delete it to search everywhere.")

    def _region_changed(self, event: Any = None) -> None:
        if self._closed or (event is not None and getattr(event, "action", None) in ("adding", "removing", "changing")):
            return
        shapes = [] if self._region_layer is None else list(self._region_layer.data)
        region = None
        if shapes:
            corners = np.asarray(shapes[-1])[:, -2:]
            (top, left), (bottom, right) = corners.min(axis=0), corners.max(axis=0)
            region = (float(left), float(top), float(right), float(bottom))
        if self.model.restrict(region):
            self._region_done()

    def _region_done(self) -> None:
        if self._region_layer is not None:
            self._region_layer.mode = "pan_zoom"
        self.region.setChecked(False)
        if self.target is not None and self.target in self.viewer.layers:
            self.viewer.layers.selection.active = self.target
        self._say_note("")
        self._refresh_buttons()
        self.assess()

    def _drop_region(self) -> None:
        self.region.setChecked(False)
        if self._region_layer is not None:
            layer, self._region_layer = self._region_layer, None
            if layer in self.viewer.layers:
                self.viewer.layers.remove(layer)

    def _show_region(self) -> None:
        """The region layer as the model says, after undo or clear."""
        layer, region = self._region_layer, self.model.drawn.region
        if layer is None:
            return
        with layer.events.data.blocker():
            layer.data = []
            if region is not None:
                left, top, right, bottom = region
                layer.add_rectangles(np.array([[top, left], [bottom, right]]))

    def _on_undo(self) -> None:
        if self.model.undo():
            self._show_region()
            self._end_tools()
            self._refresh_buttons()
            self.assess()

    def _on_clear(self) -> None:
        if self.model.clear():
            self._show_region()
            self._end_tools()
            self._refresh_buttons()
            self.assess()

    # --- the rest ----------------------------------------------------------------------------------------------------------
    def paste_picture(self) -> None:
        """A picture from the clipboard as a new layer."""
        picture = pasted(QApplication.clipboard())
        if picture is None:
            self._say_note("There is no picture in the clipboard. Copy one, then paste.")
            return
        self._say_note("")
        self.viewer.add_image(picture, name="pasted picture", rgb=True)

    def _say_note(self, text: str) -> None:
        self.note.setText(text)
        self.note.setVisible(bool(text))

    def _refresh_buttons(self) -> None:
        there = self.target is not None
        for button in (self.again, self.region, self.fix_aperture, self.fix_beam):
            button.setEnabled(there)
        self.cancel.setEnabled(self.latest.running)
        self.undo.setEnabled(self.model.can_undo)
        self.clear.setEnabled(self.model.drawn.anything)

    def shut(self) -> None:
        """Stop all work and let go of the viewer; the picture's layers stay."""
        if self._closed:
            return
        self._closed = True
        self.latest.close()
        self._settle.stop()
        self._age.stop()
        self._zoom.stop()
        self.tool.stop()
        v = self.viewer
        for emitter, slot in (
            (v.layers.selection.events.active, self._on_active),
            (v.layers.events.removed, self._on_removed),
            (v.dims.events.current_step, self._changed),
            (v.dims.events.ndisplay, self._changed),
            (v.dims.events.order, self._changed),
            (camera_of(v).events.zoom, self._zoomed),
        ):
            with suppress(ValueError, TypeError):
                emitter.disconnect(slot)
        if self.target is not None:
            for emitter in self._layer_events(self.target):
                with suppress(ValueError, TypeError):
                    emitter.disconnect(self._changed)
        self.overlay.remove()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """The dock was closed."""
        self.shut()
        super().closeEvent(event)


def _work(model: AssessModel, meant: Aim) -> tuple[Aim, Result]:
    return meant, model.work(meant)
