"""The practice widget: center a virtual microscope by hand, with advice or without."""

from collections.abc import Callable
from typing import Any

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFormLayout,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QSpinBox,
    QVBoxLayout,
)

from ..instrument import Instrument
from ..practice.game import Look, Review
from ..registry.format import with_minus
from ._assess_model import told
from ._dock import Dock, column, scrolling, tell
from ._judge_one import load_setup
from ._marks import marks
from ._overlay_layer import OverlayLayer
from ._practice_model import PracticeModel, look_words
from ._reading_box import ReadingBox
from ._result_view import line, wrapped
from ._versions import camera_of
from ._worker import Latest

VIEW, EDGES = "practice view", "practice edges"
_WAIT_MIN = 15.0
_EMPTY = "A simulated instrument: nothing here moves a real one. Choose a task, then Start."


class PracticeWidget(Dock):
    """Practice centering on a simulated instrument."""

    def __init__(self, napari_viewer: Any, model: PracticeModel | None = None) -> None:
        super().__init__(napari_viewer)
        instrument: Instrument = load_setup().instrument
        self.model = model or PracticeModel(instrument)
        self.look: Look | None = None
        self.layer: Any = None
        self.overlay = OverlayLayer(self.viewer, EDGES)
        self.latest = Latest(self)
        self._console = instrument.console
        self._build()
        self.latest.done.connect(self._on_done)
        self.latest.failed.connect(self._on_failed)
        self.latest.busy.connect(self._on_busy)
        self._on_busy(False)

    # --- building ------------------------------------------------------------------------------------------------------
    def _build(self) -> None:
        c = self._console
        self.task = QComboBox()
        for task in self.model.tasks():
            self.task.addItem(task.title, task.id)
            self.task.setItemData(self.task.count() - 1, task.story, Qt.ItemDataRole.ToolTipRole)
        self.seed = QSpinBox()
        self.seed.setRange(1, 999_999)
        self.seed.setToolTip("Which microscope: the same number is the same instrument.")
        self.with_advice = QCheckBox("With a&dvice")
        self.with_advice.setChecked(True)
        self.with_advice.toggled.connect(self.model.advised)
        self.start = self.button("&Start", self._on_start, "A new microscope with this task.")
        self.shift_x, self.shift_y = self._reading(c.shift_min, c.shift_max), self._reading(c.shift_min, c.shift_max)
        for box in (self.shift_x, self.shift_y):
            box.setSingleStep(c.shift_step)
        self.focus = self._reading(-1000.0, 1000.0)
        self.turn = self.button("Set shif&t", self._on_turn, "Set both gun shift readings; a picture follows.")
        self.refocus = self.button("Set f&ocus", self._on_focus, "Set the gun-lens focus; a picture follows.")
        self.take = self.button("Take p&icture", self._do(self.model.picture), "Take a picture.")
        self.read = self.button("Read &current", self._do(self.model.current), "Read the current.")
        self.routine = self.button("A&utomatic routine", self._do(self.model.automatic), "It may hang.")
        self.pause = self.button("Wait &15 min", self._do(lambda: self.model.wait(_WAIT_MIN)), "The gun drifts on.")
        self.follow = self.button("Enter &advised readings", self._on_follow, "Fills in what the advice names.")
        self.finish = self.button("&Review", self._do(self.model.review), "How it went, and the truth.")
        self.story = wrapped(_EMPTY, name="story")
        self.clock = QLabel()
        self.clock.setObjectName("clock")
        self.words = wrapped(name="advice")
        tell(self.clock, "")
        tell(self.words, "")
        choice = QFormLayout()
        choice.addRow("Task", self.task)
        row = QHBoxLayout()
        row.addWidget(self.seed)
        row.addWidget(self.with_advice)
        row.addWidget(self.start, 1)
        choice.addRow("Microscope", row)
        knobs = QGridLayout()
        rows = (
            (c.name_x, self.shift_x, None),
            (c.name_y, self.shift_y, self.turn),
            ("gun-lens focus", self.focus, self.refocus),
        )
        for k, (name, box, button) in enumerate(rows):
            label = QLabel(name)
            label.setBuddy(box)
            knobs.addWidget(label, k, 0)
            knobs.addWidget(box, k, 1)
            if button is not None:
                knobs.addWidget(button, k, 2)
        deeds = QGridLayout()
        for k, button in enumerate((self.take, self.follow, self.read, self.routine, self.pause, self.finish)):
            deeds.addWidget(button, k // 2, k % 2)
        outer = QVBoxLayout(self)
        outer.addLayout(choice)
        outer.addWidget(line())
        outer.addWidget(scrolling(column(self.story, self.clock, self.words)), 1)
        outer.addWidget(line())
        outer.addLayout(knobs)
        outer.addLayout(deeds)

    @staticmethod
    def _reading(low: float, high: float) -> ReadingBox:
        out = ReadingBox()
        out.setRange(low, high)
        out.setDecimals(2)
        return out

    # --- what the operator does ------------------------------------------------------------------------------------------
    def _do(self, deed: Callable[[], Any]) -> Callable[[], None]:
        return lambda: self.latest.start(deed)

    def _on_start(self) -> None:
        task, seed, advice = self.task.currentData(), self.seed.value(), self.with_advice.isChecked()
        self.latest.start(lambda: self.model.begin(task, seed, advice))

    def _on_turn(self) -> None:
        x, y = self.shift_x.value(), self.shift_y.value()
        self.latest.start(lambda: self.model.set_shift(x, y))

    def _on_focus(self) -> None:
        focus = self.focus.value()
        self.latest.start(lambda: self.model.set_focus(focus))

    def _on_follow(self) -> None:
        readings = self.model.suggestion(self.look)
        if readings is not None:
            self.shift_x.setValue(readings[0])
            self.shift_y.setValue(readings[1])
            self.turn.setFocus()

    # --- what is shown -----------------------------------------------------------------------------------------------------
    def _on_done(self, outcome: Look | Review | None) -> None:
        if isinstance(outcome, Review):
            self.story.setText("Review")
            tell(self.words, with_minus("\n".join(f"• {s}" for s in outcome.sentences)))
            return
        tell(self.story, with_minus(self.model.said))
        x, y, focus, minutes = self.model.readings()
        self.shift_x.setValue(x)
        self.shift_y.setValue(y)
        self.focus.setValue(focus)
        tell(self.clock, f"{minutes:.1f} min since the start")
        if outcome is not None:
            self.look = outcome
            tell(self.words, with_minus(look_words(outcome)))
            self._show(outcome)
        self._enable(True)

    def _show(self, look: Look) -> None:
        result = look.result
        if self.layer is None or self.layer not in self.viewer.layers:
            self.layer = self.viewer.add_image(result.frame.pixels, name=VIEW)
        else:
            self.layer.data = result.frame.pixels
            self.layer.reset_contrast_limits()
        if not self.model.practice or not self.model.practice.advice:
            self.overlay.clear()
            return
        px = 1.0 / max(float(camera_of(self.viewer).zoom), 1e-9)
        self.overlay.show(marks(result.scene, result.assessment, px), np.eye(3))

    def _on_failed(self, error: BaseException) -> None:
        self.story.setText(str(error) if isinstance(error, ValueError) else told(error))
        self._enable(True)

    def _on_busy(self, busy: bool) -> None:
        self._enable(not busy)

    def _enable(self, ready: bool) -> None:
        going = ready and self.model.practice is not None
        self.start.setEnabled(ready)
        for button in (self.turn, self.refocus, self.take, self.read, self.routine, self.pause, self.finish):
            button.setEnabled(going)
        self.follow.setEnabled(going and self.model.suggestion(self.look) is not None)

    def _let_go(self) -> None:
        self.latest.close()
        self.overlay.remove()
