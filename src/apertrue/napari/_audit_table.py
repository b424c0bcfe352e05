"""The audit's rows as a table that sorts, filters and stays quick with 100 000 of them."""

from collections.abc import Sequence
from typing import Any

from qtpy.QtCore import QAbstractTableModel, QSortFilterProxyModel, Qt, Signal
from qtpy.QtGui import QColor, QIcon, QPainter, QPixmap, QResizeEvent
from qtpy.QtWidgets import QAbstractItemView, QHeaderView, QTableView, QWidget

from ..overlay.colors import QUIET, VERDICTS
from ..registry.format import format_value
from ._audit_model import KIND_WORDS, Row

_HEADINGS = ("Picture", "Verdict", "Offset, %", "Work score", "Taken")
_TIPS = (
    "File and, in a stack, page.",
    "Put aside = no condenser aperture with a beam in it.",
    "Beam center against aperture center, % of the aperture radius ± 1σ.",
    "Working score: with the beam spread to what the work uses, 0 to 100, ± 1σ.",
    "When it was taken, as far as it is known.",
)
#: Widths in letters, of all columns but the first, and the first's least; and of numbers with their 1σ.
_WIDTHS = {1: 14, 2: 11, 3: 13, 4: 18}
_WITH_SIGMA = {2: 19, 3: 15}
_NAME_WIDTH = 24
_SORT = int(Qt.ItemDataRole.UserRole)


class RowsModel(QAbstractTableModel):
    """The rows for Qt; numbers sort as numbers, what is not measured comes last."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.rows: Sequence[Row] = ()
        self.with_sigma = False
        self._marks = {kind: _mark(color) for kind, color in {**VERDICTS, "aside": QUIET, "error": QUIET}.items()}

    def show(self, rows: Sequence[Row]) -> None:
        """Show these."""
        self.beginResetModel()
        self.rows = rows
        self.endResetModel()

    def rowCount(self, parent: Any = None) -> int:  # noqa: N802
        """Qt asks."""
        return 0 if parent is not None and parent.isValid() else len(self.rows)

    def columnCount(self, parent: Any = None) -> int:  # noqa: N802, ARG002
        """Qt asks."""
        return len(_HEADINGS)

    def headerData(self, section: int, orientation: Any, role: int = 0) -> Any:  # noqa: N802
        """Headings with their explanations; rows by number."""
        if orientation == Qt.Orientation.Horizontal:
            if role == Qt.ItemDataRole.DisplayRole:
                return _HEADINGS[section]
            if role == Qt.ItemDataRole.ToolTipRole:
                return _TIPS[section]
        return None

    def data(self, index: Any, role: int = 0) -> Any:
        """A cell."""
        row, column = self.rows[index.row()], index.column()
        if role == Qt.ItemDataRole.DisplayRole:
            return self._text(row, column)
        if role == _SORT:
            return self._key(row, column)
        if role == Qt.ItemDataRole.DecorationRole and column == 1:
            return self._marks[row.kind]
        if role == Qt.ItemDataRole.TextAlignmentRole and column in (2, 3):
            return int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        if role == Qt.ItemDataRole.ToolTipRole:
            session = f"\nsession {row.session}" if row.session else ""
            said = f"offset {_said('offset_percent', row.offset)} %, working score {_said('working_score', row.score)}"
            return f"{row.name}\n{said}\n{row.taken_at or 'time not known'}{session}"
        return None

    def _text(self, row: Row, column: int) -> str:
        if column == 0:
            return row.name
        if column == 1:
            return KIND_WORDS.get(row.kind, row.kind)
        if column == 2:
            return _said("offset_percent", row.offset, self.with_sigma)
        if column == 3:
            return _said("working_score", row.score, self.with_sigma)
        return "—" if row.taken_at is None else row.taken_at[:16].replace("T", " ")

    @staticmethod
    def _key(row: Row, column: int) -> Any:
        if column == 0:
            return f"{row.file}\0{row.page or 0:09}"
        if column == 1:
            return row.kind
        if column == 2:
            return float("inf") if row.offset is None else row.offset[0]
        if column == 3:
            return float("inf") if row.score is None else row.score[0]
        return row.taken_at or "~"


def _said(name: str, found: tuple[float, float | None] | None, with_sigma: bool = True) -> str:
    value, sigma = found or (None, None)
    return format_value(name, value, sigma if with_sigma else None, unit=False)


class _Filter(QSortFilterProxyModel):
    def __init__(self, source: RowsModel, parent: QWidget) -> None:
        super().__init__(parent)
        self._source = source
        self.kind, self.text = "", ""
        self.setSourceModel(source)
        self.setSortRole(_SORT)

    def narrow(self, kind: str, text: str) -> None:
        """Only rows of this kind (empty = all) whose name holds the text."""
        self.kind, self.text = kind, text.casefold()
        self.invalidate()

    def filterAcceptsRow(self, number: int, parent: Any) -> bool:  # noqa: ARG002, N802
        """Qt asks."""
        row = self._source.rows[number]
        return (not self.kind or row.kind == self.kind) and (not self.text or self.text in row.file.casefold())


class RowsTable(QTableView):
    """The table; tells which row is chosen, by mouse or keys."""

    chosen = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self.source = RowsModel(self)
        self.filter = _Filter(self.source, self)
        self.setModel(self.filter)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSortingEnabled(True)
        self.sortByColumn(0, Qt.SortOrder.AscendingOrder)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        # The end of a name tells pictures apart.
        self.setTextElideMode(Qt.TextElideMode.ElideMiddle)
        self.verticalHeader().hide()
        em = self.fontMetrics().height()
        self.verticalHeader().setDefaultSectionSize(int(1.5 * em))
        header = self.horizontalHeader()
        header.setStretchLastSection(False)
        header.setMinimumSectionSize(3 * em)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.setMinimumHeight(10 * em)
        self.setAccessibleName("Pictures of the audit")
        self.selectionModel().currentRowChanged.connect(self._on_current)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Columns in proportion to the letters; 1σ and the time only where there is room for them."""
        super().resizeEvent(event)
        letter = self.fontMetrics().averageCharWidth()
        room = self.viewport().width() / letter - _NAME_WIDTH
        wide = _WIDTHS | _WITH_SIGMA
        self.source.with_sigma = room >= sum(wide.values()) - wide[4]
        widths = wide if self.source.with_sigma else _WIDTHS
        for column, letters in widths.items():
            self.setColumnWidth(column, letters * letter)
        self.setColumnHidden(4, room < sum(widths.values()))

    def show_rows(self, rows: Sequence[Row]) -> None:
        """Show these; the same picture stays chosen where it is still there."""
        current = self.current()
        self.source.show(rows)
        if current is not None:
            self.choose(current.id)

    def current(self) -> Row | None:
        """The chosen row."""
        index = self.filter.mapToSource(self.currentIndex())
        return self.source.rows[index.row()] if index.isValid() and index.row() < len(self.source.rows) else None

    def choose(self, row_id: int) -> None:
        """Choose the row with this id."""
        for number, row in enumerate(self.source.rows):
            if row.id == row_id:
                index = self.filter.mapFromSource(self.source.index(number, 0))
                if index.isValid():
                    self.setCurrentIndex(index)
                return

    @property
    def shown(self) -> int:
        """Rows that pass the filter."""
        return int(self.filter.rowCount())

    def _on_current(self, current: Any, before: Any) -> None:  # noqa: ARG002
        index = self.filter.mapToSource(current)
        if index.isValid():
            self.chosen.emit(self.source.rows[index.row()])


def _mark(color: str) -> QIcon:
    """A dot in the verdict's color; the word stands beside it."""
    pixmap = QPixmap(16, 16)
    pixmap.fill(Qt.GlobalColor.transparent)
    painter = QPainter(pixmap)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(color))
    painter.drawEllipse(3, 3, 10, 10)
    painter.end()
    return QIcon(pixmap)
