"""The assess widget: judges the active picture, and again whenever it changes."""

from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from napari.layers import Image
from qtpy.QtCore import QEvent, QObject, Qt, QTimer
from qtpy.QtGui import QKeySequence
from qtpy.QtWidgets import (
    QAbstractButton,
    QApplication,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QShortcut,
    QVBoxLayout,
)

from ..errors import ApertrueError
from ..pipeline import Result
from ._assess_model import AssessModel, told
from ._by_hand import ByHand
from ._clipboard import pasted
from ._dock import Dock, column, scrolling, tell
from ._draw_pace import DrawPace
from ._edge_tool import DOTS_NAME
from ._marks import line_width, marks
from ._overlay_layer import OverlayLayer
from ._panel_words import age_words, panel
from ._region_tool import REGION_NAME
from ._result_view import ResultView, line, wrapped
from ._target import Aim, AimError, aim
from ._versions import bind, camera_of, canvas_of, unbind
from ._worker import Latest

_EMPTY = (
    "Open a picture of the beam in the condenser aperture: drag a file here, or paste a screenshot. "
    "To try it: File → Open Sample → apertrue."
)
#: Changes that come together (a slider's drag, a layer's set-up) are answered once, ms.
_SETTLE_MS = 20
_AGE_MS = 15_000
_ZOOM_MS = 80
#: The panel shows a live layer's numbers this often at most, ms: nobody reads faster, and the picture has the time.
_PANEL_MS = 150
#: A live layer's marks wait for its next picture, but not longer, ms: drawing both at once takes half the time.
_MARKS_MS = 80
__all__ = ["DOTS_NAME", "REGION_NAME", "AssessWidget"]


class AssessWidget(Dock):
    """Assess the beam's centering in the active image layer."""

    def __init__(self, napari_viewer: Any, model: AssessModel | None = None) -> None:
        super().__init__(napari_viewer)
        self.model = model or AssessModel()
        self.target: Any = None
        self.aim: Aim | None = None
        self.result: Result | None = None
        self.overlay = OverlayLayer(self.viewer)
        self._marks = marks(None, None)
        self.latest, self.logging = Latest(self), Latest(self)
        self.hand = ByHand(self)
        canvas = canvas_of(self.viewer)
        self._pace = None if canvas is None else DrawPace(canvas.window(), lambda: self.model.flowing, self)
        self._settle, self._zoom = self._once(_SETTLE_MS), self._once(_ZOOM_MS)
        self._panel, self._marks_wait = self._once(_PANEL_MS), self._once(_MARKS_MS)
        self._panel_waits = False
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
        self.setup_note = wrapped(name="setup")
        tell(self.note, "")
        tell(self.setup_note, self.model.setup.trouble)
        b = self.button
        self.again = b(
            "&Assess again", self.assess, "Judge the shown picture again (age and files are looked at anew)."
        )
        self.cancel = b("&Cancel", self._cancel, "Throw the running work away.")
        self.paste = b(
            "Paste p&icture", self.paste_picture, "A screenshot from the clipboard, as a new layer (Ctrl+V)."
        )
        self.log = b("Write into lo&g", self._on_log, "Into the session log that the commands use, too.")
        self.sheet = b("Session &sheet…", self._on_sheet, "A CSV with readings: file, gun_shift_x, gun_shift_y, kv, …")
        grid, hand = QGridLayout(), self.hand
        grid.setSpacing(4)
        for k, button in enumerate(
            (
                *(self.again, self.cancel, hand.fix_aperture, hand.fix_beam, hand.region, hand.clear, hand.undo),
                *(self.paste, self.sheet, self.log),
            )
        ):
            grid.addWidget(button, k // 2, k % 2)
        head = QHBoxLayout()
        head.addWidget(self.picture_name, 1)
        head.addWidget(self.state)
        inside = column(self.setup_note, self.view)
        inside.layout().setContentsMargins(4, 0, 4, 0)
        scroll = scrolling(inside)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(6, 4, 6, 4)
        outer.setSpacing(4)
        outer.addLayout(head)
        outer.addWidget(scroll, 1)
        outer.addWidget(line())
        outer.addWidget(self.note)
        outer.addLayout(grid)
        bar = scroll.verticalScrollBar().sizeHint().width()
        self.setMinimumWidth(max(int(23.5 * self.fontMetrics().height()), inside.minimumSizeHint().width() + bar + 12))
        self._shortcut(QKeySequence.StandardKey.Undo, hand.take_back)
        self._shortcut(QKeySequence.StandardKey.Paste, self.paste_picture)
        # Buttons keep arrow keys for themselves; while one draws, these move what is drawn.
        for button in self.findChildren(QAbstractButton):
            button.installEventFilter(self)
        # On the picture, too: that is where one draws.
        self._bound = [
            bind(self.viewer, key, slot) for key, slot in (("Control-Z", hand.take_back), ("Escape", hand.end))
        ]
        self._refresh_buttons()

    def _once(self, ms: int) -> QTimer:
        out = QTimer(self)
        out.setSingleShot(True)
        out.setInterval(ms)
        return out

    def _shortcut(self, keys: Any, slot: Any) -> QShortcut:
        out = QShortcut(QKeySequence(keys), self)
        out.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        out.activated.connect(lambda: slot())
        return out

    def _connect(self) -> None:
        self._zoom.timeout.connect(self._on_zoom)
        self._panel.timeout.connect(self._on_panel_due)
        self._marks_wait.timeout.connect(self.show_marks)
        self.latest.done.connect(self._on_done)
        self.latest.failed.connect(self._on_failed)
        self.latest.busy.connect(self._on_busy)
        self.logging.done.connect(self.say_note)
        self.logging.failed.connect(lambda error: self.say_note(told(error)))
        self._settle.timeout.connect(self.assess)
        self._age.timeout.connect(self._show_age)
        self._age.timeout.connect(self.model.rest)
        for emitter, slot in self._viewer_events():
            emitter.connect(slot)

    def _viewer_events(self) -> tuple[tuple[Any, Any], ...]:
        v = self.viewer
        return (
            (v.layers.selection.events.active, self._on_active),
            (v.layers.events.removed, self._on_removed),
            (v.dims.events.current_step, self._changed),
            (v.dims.events.ndisplay, self._changed),
            (v.dims.events.order, self._changed),
            (camera_of(v).events.zoom, self._zoomed),
        )

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
        self.hand.removed(event.value)
        if event.value is self.target:
            self._watch_layer(None)
            self._on_active()

    def _watch_layer(self, layer: Any) -> None:
        self._let_layer_go()
        self.hand.start_over()
        self.target, self.result, self.aim = layer, None, None
        self.overlay.clear()
        if layer is None:
            self.latest.cancel()
            tell(self.picture_name, "")
            self.view.say(_EMPTY)
            self._refresh_buttons()
            return
        for emitter in self._layer_events(layer):
            emitter.connect(self._changed)
        self._changed()

    def _let_layer_go(self) -> None:
        if self.target is not None:
            for emitter in self._layer_events(self.target):
                with suppress(ValueError, TypeError):
                    emitter.disconnect(self._changed)

    @staticmethod
    def _layer_events(layer: Any) -> tuple[Any, ...]:
        e = layer.events
        return e.data, e.scale, e.rotate, e.shear, e.translate, e.affine, e.name

    def _changed(self, event: Any = None) -> None:  # noqa: ARG002
        if self._marks_wait.isActive():
            self.show_marks()
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
        first = self.result is None
        self.aim, self.result = outcome
        if first:
            self.say_note("")
        if first or not self.model.live:
            self.show_marks()
        elif not self._marks_wait.isActive():
            self._marks_wait.start()
        if first or not self._panel.isActive():
            self._show_panel()
        else:
            self._panel_waits = True

    def show_marks(self) -> None:
        """Draw the newest result's marks."""
        self._marks_wait.stop()
        if self.result is not None and self.aim is not None:
            self._marks = marks(self.result.scene, self.result.assessment, self.px())
            self.overlay.show(self._marks, self.aim.to_world)

    def _show_panel(self) -> None:
        """The newest result in words and numbers."""
        self._panel_waits = False
        if self.result is None or self.aim is None or self._closed:
            return
        page = f", page {self.aim.page}" if self.aim.index else ""
        tell(self.picture_name, f"{self.aim.name}{page}")
        console = self.model.setup.instrument.console
        names = (console.name_x, console.name_y)
        self.view.show_panel(panel(self.result, self._marks.arrow, names, self._marks.doubt))
        self._show_age()
        self._refresh_buttons()
        self._panel.start()

    def _on_panel_due(self) -> None:
        if self._panel_waits:
            self._show_panel()

    @property
    def settled(self) -> bool:
        """Whether nothing is under way: no work, and the panel shows the newest result."""
        waits = self._settle.isActive() or self._marks_wait.isActive() or self._panel_waits
        return not (waits or self.latest.running)

    def _on_failed(self, error: BaseException) -> None:
        self.result = None
        tell(self.picture_name, "" if self.target is None else str(self.target.name))
        self.overlay.clear()
        self.view.say(told(error))
        self._refresh_buttons()

    def _on_busy(self, busy: bool) -> None:
        self.state.setText("working…" if busy else "")
        self.cancel.setEnabled(busy)

    def _cancel(self) -> None:
        self._settle.stop()
        self.latest.cancel()
        self.model.stop()
        self.say_note("Canceled. What is shown is of the picture before." if self.result else "Canceled.")

    def _show_age(self) -> None:
        if self.result is not None:
            self.view.age.setText(age_words(self.result, datetime.now(UTC)))

    def _zoomed(self, event: Any = None) -> None:  # noqa: ARG002
        if not self._closed:
            self._zoom.start()

    def _on_zoom(self) -> None:
        if not self._closed and self.result is not None:
            self.overlay.widen(line_width(self.px()))

    def px(self) -> float:
        """Picture px to a screen px."""
        if self.aim is None:
            return 1.0
        scale = float(np.sqrt(abs(np.linalg.det(self.aim.to_world[:2, :2]))))
        return 1.0 / max(float(camera_of(self.viewer).zoom) * scale, 1e-9)

    # --- drawing by hand ---------------------------------------------------------------------------------------------------
    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Keys that a button would take for itself."""
        if event.type() == QEvent.Type.KeyPress and self.hand.key(event):
            return True
        return super().eventFilter(watched, event)

    def keyPressEvent(self, event: Any) -> None:  # noqa: N802
        """Keys while one draws."""
        if not self.hand.key(event):
            super().keyPressEvent(event)

    def drawn_changed(self) -> None:
        """Something drawn was added or taken back: judge with it."""
        self._refresh_buttons()
        self.assess()

    # --- the rest ----------------------------------------------------------------------------------------------------------
    def paste_picture(self) -> None:
        """A picture from the clipboard as a new layer."""
        picture = pasted(QApplication.clipboard())
        if picture is None:
            self.say_note("There is no picture in the clipboard. Copy one, then paste.")
            return
        self.say_note("")
        self.viewer.add_image(picture, name="pasted picture", rgb=True)

    def _on_log(self) -> None:
        if self.result is not None and self.aim is not None:
            self.logging.start(partial(self.model.add_to_log, self.aim, self.result))

    def _on_sheet(self) -> None:
        chosen = ""
        if not self.model.setup.sheet:
            chosen = QFileDialog.getOpenFileName(self, "Session sheet", "", "Sheets (*.csv)")[0]
            if not chosen:
                return
        try:
            said = self.model.use_sheet(Path(chosen) if chosen else None)
        except (ApertrueError, OSError) as error:
            self.say_note(told(error))
            return
        self.sheet.setText("Without &sheet" if said else "Session &sheet…")
        tell(self.setup_note, " ".join(s for s in (self.model.setup.trouble, said) if s))
        self.assess()

    def say_note(self, text: str) -> None:
        """Tell the user something; an empty text takes it away."""
        tell(self.note, text)

    def _refresh_buttons(self) -> None:
        self.again.setEnabled(self.target is not None)
        self.hand.refresh()
        self.cancel.setEnabled(self.latest.running)
        self.log.setEnabled(self.result is not None)

    def _let_go(self) -> None:
        self.latest.close()
        self.logging.close()
        self.model.close()
        for timer in (self._settle, self._age, self._zoom, self._panel, self._marks_wait):
            timer.stop()
        self.hand.close()
        if self._pace is not None:
            self._pace.end()
        for bound in self._bound:
            unbind(self.viewer, bound)
        for emitter, slot in self._viewer_events():
            with suppress(ValueError, TypeError):
                emitter.disconnect(slot)
        self._let_layer_go()
        self.overlay.remove()


def _work(model: AssessModel, meant: Aim) -> tuple[Aim, Result]:
    return meant, model.work(meant)
