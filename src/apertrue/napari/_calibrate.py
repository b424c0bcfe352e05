"""The calibrate widget: pictures and readings typed in teach which way the axes turn the beam; then the nudge."""

from functools import partial
from typing import Any

from napari.layers import Image
from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QFormLayout,
    QGridLayout,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
)

from ..advise.cautions import CAUTIONS
from ..errors import ApertrueError
from ..pipeline import Result
from ..registry.format import format_number, with_minus
from ._assess_model import told
from ._calibrate_model import CalibrateModel
from ._dock import Dock, column, scrolling, tell
from ._judge_one import load_setup
from ._reading_box import ReadingBox
from ._result_view import Fold, line, wrapped
from ._shown_marks import ShownMarks
from ._target import Aim, AimError, aim
from ._worker import Latest

EDGES = "calibration edges"


class CalibrateWidget(Dock):
    """Calibrate gun shift step by step."""

    def __init__(self, napari_viewer: Any, model: CalibrateModel | None = None) -> None:
        super().__init__(napari_viewer)
        self.model = model or CalibrateModel(load_setup())
        self.latest = Latest(self)
        self.edges = ShownMarks(self.viewer, EDGES)
        self._build()
        self.latest.done.connect(self._on_done)
        self.latest.failed.connect(self._on_failed)
        self.latest.busy.connect(lambda busy: self.add.setEnabled(not busy))
        self._refresh()

    def _build(self) -> None:
        console = self.model.setup.instrument.console
        self.step = wrapped(name="step")
        self.step.setStyleSheet("font-weight: bold;")
        self.x, self.y = ReadingBox(), ReadingBox()
        readings = QFormLayout()
        for name, box in ((console.name_x, self.x), (console.name_y, self.y)):
            box.setRange(console.shift_min, console.shift_max)
            box.setSingleStep(console.shift_step)
            box.setDecimals(3)
            readings.addRow(name, box)
        self.add = self.button(
            "&Take this picture with these readings",
            self._on_add,
            "Judges the active picture; its offset is one point.",
        )
        self.undo = self.button("&Undo last point", self._on_undo)
        self.over = self.button("Start &over", self._on_over)
        self.accept = self.button("&Accept readings", self._on_accept, "The readings that are asked about are right.")
        self.save = self.button("&Save calibration", self._on_save, "Into the file that the commands use, too.")
        self._doubted: tuple[float, float] | None = None
        self.table = QTableWidget(0, 4)
        self.table.setHorizontalHeaderLabels(["X", "Y", "Right, %", "Down, %"])
        self.table.setToolTip(
            "Readings in console units; beam center against aperture center, % of the aperture radius."
        )
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        for narrow in (0, 1):
            header.setSectionResizeMode(narrow, QHeaderView.ResizeMode.ResizeToContents)
        self.table.verticalHeader().hide()
        self.table.setWordWrap(False)
        self.table.setTabKeyNavigation(False)
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.setMinimumHeight(7 * self.fontMetrics().height())
        self.good = wrapped(name="quality")
        self.asked = wrapped(name="questions")
        self.move_words = wrapped(name="nudge")
        self.move_words.setStyleSheet("font-weight: bold;")
        self.drawn = wrapped(name="drawn")
        self.note = wrapped(self.model.setup.trouble, name="note")
        names = ("detector-ask", "specimen", "trial", "one-knob", "beam-lost")
        cautions = wrapped("\n".join(f"• {CAUTIONS[n]}" for n in names if n in CAUTIONS))
        layout = QVBoxLayout(self)
        layout.addWidget(self.step)
        layout.addLayout(readings)
        layout.addWidget(self.add)
        layout.addWidget(self.note)
        layout.addWidget(line())
        fold = Fold("Before you turn anything", cautions, opened=True)
        layout.addWidget(scrolling(column(self.move_words, self.drawn, self.table, self.good, self.asked, fold)), 1)
        grid = QGridLayout()
        for k, button in enumerate((self.undo, self.over, self.accept, self.save)):
            grid.addWidget(button, k // 2, k % 2)
        layout.addLayout(grid)
        tell(self.note, self.note.text())
        tell(self.drawn, "")
        self.setMinimumWidth(int(27 * self.fontMetrics().height()))

    def _on_add(self) -> None:
        layer = self.viewer.layers.selection.active
        if not isinstance(layer, Image):
            tell(self.note, "Choose the picture in the layer list first.")
            return
        try:
            meant = aim(layer, self.viewer.dims.point, self.viewer.dims.displayed)
        except AimError as error:
            self._on_failed(error)
            return
        x, y = self.x.value(), self.y.value()
        doubt = self.model.unlike(x, y)
        if doubt and self._doubted != (x, y):
            self._doubted = (x, y)
            tell(self.note, with_minus(f"{doubt} Correct them, or press again if they are right."))
            return
        self._doubted = None
        tell(self.note, "working…")
        tell(self.drawn, "")
        self.edges.begin(layer)
        self.latest.start(partial(_measure, self.model, meant, x, y))

    def _on_done(self, outcome: tuple[Aim, Result, float, float]) -> None:
        meant, result, x, y = outcome
        tell(self.note, "")
        try:
            self.model.add(result, x, y, meant.name)
        except ApertrueError as error:
            self._on_failed(error)
        self._refresh()
        self._draw(meant, result)

    def _draw(self, meant: Aim, result: Result) -> None:
        """The edges found; the arrow only beside a move in words, as the steps before ask for other moves."""
        moves = bool(self.move_words.text())
        tell(self.drawn, self.edges.show(result.scene, result.assessment if moves else None, meant.to_world))

    def _on_failed(self, error: BaseException) -> None:
        tell(self.note, told(error))

    def _on_undo(self) -> None:
        self.model.undo()
        self._forget()
        self._refresh()

    def _on_over(self) -> None:
        self.model.start_over()
        self._forget()
        self._refresh()

    def _forget(self) -> None:
        """What is drawn belongs to a point that is gone."""
        self.edges.clear()
        tell(self.drawn, "")

    def _on_accept(self) -> None:
        self.model.accept()
        self._refresh()

    def _on_save(self) -> None:
        try:
            tell(self.note, self.model.save())
        except (ApertrueError, OSError) as error:
            self._on_failed(error)

    def _refresh(self) -> None:
        guide = self.model.guide
        suggestion = guide.suggestion()
        tell(self.step, with_minus(suggestion.sentence))
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
            for number, text in enumerate(cells):
                item = QTableWidgetItem(with_minus(text))
                item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                self.table.setItem(row, number, item)
        quality = self.model.quality()
        # The step above already names the next point, nearer to the center.
        said = () if quality is None else [s for s in quality.sentences if not s.startswith("The next point")]
        tell(self.good, with_minus(" ".join(said)))
        # The step names the first of them.
        asked = [q.sentence for q in guide.questions() if not suggestion.sentence.startswith(q.sentence)]
        tell(self.asked, with_minus("\n".join(f"? {sentence}" for sentence in asked)))
        tell(self.move_words, with_minus(self.model.nudge_words()) if guide.points else "")
        self.undo.setEnabled(bool(guide.points))
        self.over.setEnabled(bool(guide.points))
        self.accept.setEnabled(self.model.asks)
        self.save.setEnabled(quality is not None and not self.model.asks)

    def _let_go(self) -> None:
        self.latest.close()
        self.edges.remove()


def _measure(model: CalibrateModel, meant: Aim, x: float, y: float) -> tuple[Aim, Result, float, float]:
    return meant, model.judged(meant), x, y
