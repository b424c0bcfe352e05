"""The calibrate widget: pictures and readings typed in teach which way the axes turn the beam; then the nudge."""

from collections.abc import Callable
from functools import partial
from typing import Any

from napari.layers import Image
from qtpy.QtCore import Qt
from qtpy.QtGui import QCloseEvent
from qtpy.QtWidgets import (
    QDoubleSpinBox,
    QFormLayout,
    QGridLayout,
    QHeaderView,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ..advise.cautions import CAUTIONS
from ..errors import ApertrueError
from ..pipeline import Result
from ..registry.format import format_number
from ._assess_model import load_setup, told
from ._calibrate_model import CalibrateModel
from ._result_view import Fold, line, wrapped
from ._target import Aim, AimError, aim
from ._worker import Latest


class CalibrateWidget(QWidget):
    """Calibrate gun shift step by step."""

    def __init__(self, napari_viewer: Any, model: CalibrateModel | None = None) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.model = model or CalibrateModel(load_setup())
        self.latest = Latest(self)
        self._closed = False
        self._build()
        self.latest.done.connect(self._on_done)
        self.latest.failed.connect(self._on_failed)
        self.latest.busy.connect(lambda busy: self.add.setEnabled(not busy))
        self._refresh()

    def _build(self) -> None:
        console = self.model.setup.instrument.console
        self.step = wrapped(name="step")
        self.step.setStyleSheet("font-weight: bold;")
        self.x, self.y = QDoubleSpinBox(), QDoubleSpinBox()
        readings = QFormLayout()
        for name, box in ((console.name_x, self.x), (console.name_y, self.y)):
            box.setRange(console.shift_min, console.shift_max)
            box.setSingleStep(console.shift_step)
            box.setDecimals(3)
            readings.addRow(name, box)
        self.add = self._button("&Take this picture with these readings", self._on_add)
        self.undo = self._button("&Undo last point", self._on_undo)
        self.over = self._button("Start o&ver", self._on_over)
        self.save = self._button("&Save calibration", self._on_save)
        self.table = QTableWidget(0, 4)
        self.table.setHorizontalHeaderLabels(["X", "Y", "Right, %", "Down, %"])
        self.table.setToolTip(
            "Readings in console units; beam center against aperture center, % of the aperture radius."
        )
        self.table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.setMinimumHeight(7 * self.fontMetrics().height())
        self.good = wrapped(name="quality")
        self.asked = wrapped(name="questions")
        self.move_words = wrapped(name="nudge")
        self.move_words.setStyleSheet("font-weight: bold;")
        self.note = wrapped(self.model.setup.trouble, name="note")
        names = ("detector-ask", "specimen", "trial", "one-knob", "beam-lost")
        cautions = wrapped("\n".join(f"• {CAUTIONS[n]}" for n in names if n in CAUTIONS))
        layout = QVBoxLayout(self)
        layout.addWidget(self.step)
        layout.addLayout(readings)
        layout.addWidget(self.add)
        layout.addWidget(self.note)
        layout.addWidget(line())
        layout.addWidget(self.table, 1)
        layout.addWidget(self.good)
        layout.addWidget(self.asked)
        layout.addWidget(self.move_words)
        layout.addWidget(Fold("Before you turn anything", cautions, opened=True))
        grid = QGridLayout()
        for k, button in enumerate((self.undo, self.over, self.save)):
            grid.addWidget(button, k // 2, k % 2)
        layout.addLayout(grid)
        self.setMinimumWidth(int(22 * self.fontMetrics().height()))

    def _button(self, text: str, slot: Callable[[], None]) -> QPushButton:
        out = QPushButton(text)
        out.clicked.connect(lambda *_: slot())
        return out

    def _on_add(self) -> None:
        layer = self.viewer.layers.selection.active
        if not isinstance(layer, Image):
            self.note.setText("Choose the picture in the layer list first.")
            return
        try:
            meant = aim(layer, self.viewer.dims.point, self.viewer.dims.displayed)
        except AimError as error:
            self._on_failed(error)
            return
        self.note.setText("working…")
        self.latest.start(partial(_measure, self.model, meant, self.x.value(), self.y.value()))

    def _on_done(self, outcome: tuple[Aim, Result, float, float]) -> None:
        meant, result, x, y = outcome
        self.note.setText("")
        try:
            self.model.add(result, x, y, meant.name)
        except ApertrueError as error:
            self._on_failed(error)
        self._refresh()

    def _on_failed(self, error: BaseException) -> None:
        self.note.setText(told(error))

    def _on_undo(self) -> None:
        self.model.undo()
        self._refresh()

    def _on_over(self) -> None:
        self.model.start_over()
        self._refresh()

    def _on_save(self) -> None:
        try:
            self.note.setText(self.model.save())
        except (ApertrueError, OSError) as error:
            self._on_failed(error)

    def _refresh(self) -> None:
        guide = self.model.guide
        suggestion = guide.suggestion()
        self.step.setText(suggestion.sentence)
        if suggestion.shift_x is not None and suggestion.shift_y is not None:
            self.x.setValue(suggestion.shift_x)
            self.y.setValue(suggestion.shift_y)
        self.table.setRowCount(len(guide.points))
        for row, p in enumerate(guide.points):
            cells = (
                f"{p.shift_x:g}",
                f"{p.shift_y:g}",
                format_number(p.offset_x, p.x_sigma),
                format_number(p.offset_y, p.y_sigma),
            )
            for column, text in enumerate(cells):
                item = QTableWidgetItem(text)
                item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                self.table.setItem(row, column, item)
        quality = self.model.quality()
        # The step above already names the next point, nearer to the center.
        said = () if quality is None else [s for s in quality.sentences if not s.startswith("The next point")]
        self.good.setText(" ".join(said))
        self.asked.setText("\n".join(f"? {q.sentence}" for q in guide.questions()))
        self.asked.setVisible(bool(self.asked.text()))
        self.move_words.setText(self.model.nudge_words() if guide.points else "")
        self.undo.setEnabled(bool(guide.points))
        self.over.setEnabled(bool(guide.points))
        self.save.setEnabled(quality is not None)

    def shut(self) -> None:
        """Stop all work."""
        if not self._closed:
            self._closed = True
            self.latest.close()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """The dock was closed."""
        self.shut()
        super().closeEvent(event)


def _measure(model: CalibrateModel, meant: Aim, x: float, y: float) -> tuple[Aim, Result, float, float]:
    return meant, model.judged(meant), x, y
