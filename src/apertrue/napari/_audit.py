"""The audit widget: a folder of old pictures, its progress, and a table in which each row opens its picture."""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
from napari.qt.threading import create_worker
from qtpy.QtCore import QUrl
from qtpy.QtGui import QDesktopServices
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QProgressBar,
    QVBoxLayout,
    QWidget,
)

from ..audit import Progress
from ..registry.format import with_minus
from ._assess_model import told
from ._audit_model import (
    KIND_WORDS,
    KINDS,
    Choice,
    Loaded,
    Opened,
    Row,
    default_store,
    load,
    opened,
    progress_words,
    running,
    write_report,
)
from ._audit_table import RowsTable
from ._dock import Dock, column, scrolling, tell
from ._marks import marks
from ._origin import KEY, Origin, bare
from ._overlay_layer import OverlayLayer
from ._result_view import Fold, line, wrapped
from ._versions import camera_of
from ._worker import Latest

VIEW, EDGES = "audited picture", "audit edges"
_EMPTY = "Choose the folder with old pictures, then Start. It may be stopped at any moment and goes on from there."


class AuditWidget(Dock):
    """How well were past sessions centered."""

    def __init__(self, napari_viewer: Any, *, workers: int | None = None) -> None:
        super().__init__(napari_viewer)
        self.overlay = OverlayLayer(self.viewer, EDGES)
        self.layer: Any = None
        self.shown: Loaded | None = None
        self._workers = workers
        self._of: Choice | None = None
        self._stop: Event | None = None
        self._failed = False
        self.loading, self.opening, self.reporting = Latest(self), Latest(self), Latest(self)
        self._build()
        self.loading.done.connect(self._on_loaded)
        self.opening.done.connect(self._on_opened)
        self.reporting.done.connect(self._on_reported)
        self.loading.failed.connect(self._on_not_loaded)
        for latest in (self.opening, self.reporting):
            latest.failed.connect(lambda error: tell(self.note, told(error)))
        self.table.chosen.connect(self._on_row)
        tell(self.progress, "")
        tell(self.counts, "")
        self._enable()

    @property
    def running(self) -> bool:
        """Whether an audit runs."""
        return self._stop is not None

    # --- building ----------------------------------------------------------------------------------------------------
    def _build(self) -> None:
        self.folder = _path("folder with pictures")
        self.folder.returnPressed.connect(self.begin)
        self.browse = self.button(
            "Ch&oose…", self._on_browse, "The folder with the pictures; its subfolders count too."
        )
        self.store, self.sheet = _path("file for the results"), _path("none")
        self.store.setText(str(default_store()))
        self.store.setToolTip("The same file as that of the command: apertrue audit FOLDER --store FILE.")
        self.sheet.setToolTip("CSV with readings: file, gun_shift_x, gun_shift_y, kv, …")
        self.browse_store = self.button("…", self._on_browse_store, "Choose the file for the results.")
        self.browse_sheet = self.button("…", self._on_browse_sheet, "Choose a session sheet.")
        for button in (self.browse_store, self.browse_sheet):
            button.setMaximumWidth(3 * self.fontMetrics().height())
        self.begin_button = self.button("&Start", self.begin, "Judge what is new or changed in the folder.")
        self.end_button = self.button("S&top", self.end, "What was judged is kept; Start goes on from there.")
        self.show_button = self.button("Show &results", self.show_results, "What the file holds of this folder so far.")
        self.bar = QProgressBar()
        self.bar.setTextVisible(False)
        self.bar.setMaximumHeight(self.fontMetrics().height())
        self.progress = wrapped(name="progress")
        self.note = wrapped(_EMPTY, name="note")
        self.counts = wrapped(name="counts")
        self.kind = QComboBox()
        self.kind.addItem("all", "")
        for kind in KINDS:
            self.kind.addItem(KIND_WORDS.get(kind, kind), kind)
        self.name = _path("part of the name")
        self.table = RowsTable()
        self.kind.currentIndexChanged.connect(self._narrow)
        self.name.textChanged.connect(self._narrow)
        self.words = wrapped(name="words")
        words = scrolling(column(self.words))
        words.setFixedHeight(9 * self.fontMetrics().height())
        self.report = self.button(
            "Open r&eport", self._on_report, "Writes the report beside the results, and opens it."
        )
        self.masked = QCheckBox("without &names")
        self.masked.setToolTip("Leave names of files, sheets, settings and notes out of the report.")
        more = QWidget()
        grid = QGridLayout(more)
        grid.setContentsMargins(0, 0, 0, 0)
        for k, (text, field, browse) in enumerate(
            (("Results", self.store, self.browse_store), ("Session sheet", self.sheet, self.browse_sheet))
        ):
            label = QLabel(text)
            label.setBuddy(field)
            grid.addWidget(label, k, 0)
            grid.addWidget(field, k, 1)
            grid.addWidget(browse, k, 2)
        layout = QVBoxLayout(self)
        layout.addLayout(_row((self.folder, 1), (self.browse, 0)))
        layout.addWidget(Fold("Where results are kept, session sheet", more))
        layout.addLayout(_row((self.begin_button, 1), (self.end_button, 1), (self.show_button, 1)))
        layout.addWidget(self.bar)
        layout.addWidget(self.progress)
        layout.addWidget(self.note)
        layout.addWidget(line())
        layout.addWidget(self.counts)
        layout.addLayout(_row((QLabel("Show"), 0), (self.kind, 1), (self.name, 2)))
        layout.addWidget(self.table, 1)
        layout.addWidget(words)
        layout.addLayout(_row((self.report, 1), (self.masked, 0)))
        self.setMinimumWidth(int(26 * self.fontMetrics().height()))

    def choice(self) -> Choice | None:
        """What is chosen; ``None`` with a word to the user when no folder is."""
        text = self.folder.text().strip()
        if not text:
            tell(self.note, "Name a folder first.")
            self.folder.setFocus()
            return None
        store, sheet = self.store.text().strip(), self.sheet.text().strip()
        place = Path(store).expanduser() if store else default_store()
        return Choice(Path(text).expanduser(), place, Path(sheet).expanduser() if sheet else None, self._workers)

    def _on_browse(self) -> None:
        self._take(self.folder, QFileDialog.getExistingDirectory(self, "Folder with pictures", self.folder.text()))

    def _on_browse_store(self) -> None:
        options = QFileDialog.Option.DontConfirmOverwrite  # an audit goes on in it, it is not overwritten
        chosen = QFileDialog.getSaveFileName(
            self, "File for the results", self.store.text(), "Audits (*.sqlite)", options=options
        )
        self._take(self.store, chosen[0])

    def _on_browse_sheet(self) -> None:
        chosen = QFileDialog.getOpenFileName(self, "Session sheet", self.sheet.text(), "Sheets (*.csv)")
        self._take(self.sheet, chosen[0])

    @staticmethod
    def _take(field: QLineEdit, chosen: str) -> None:
        if chosen:
            field.setText(chosen)

    # --- running ---------------------------------------------------------------------------------------------------------
    def begin(self) -> None:
        """Start, or go on."""
        choice = None if self.running or self._closed else self.choice()
        if choice is None:
            return
        self._stop = Event()
        self._of, self._failed = choice, False
        tell(self.note, "")
        tell(self.progress, "starting…")
        worker = create_worker(_guarded, choice, self._stop.is_set, _start_thread=False)
        worker.yielded.connect(self._on_news)
        worker.finished.connect(partial(self._on_finished, choice))
        self._enable()
        worker.start()

    def end(self) -> None:
        """Stop; what was judged is kept."""
        if self._stop is not None:
            self._stop.set()
            self.end_button.setEnabled(False)
            tell(self.progress, "stopping…")

    def _on_news(self, news: Progress | Exception) -> None:
        if self._closed:
            return
        if isinstance(news, Exception):
            self._failed = True
            tell(self.note, told(news))
            tell(self.progress, "")
            return
        # A bar without a known end moves, to show that something is done.
        known = news.phase != "find"
        self.bar.setRange(0, max(news.total, 1) if known else 0)
        self.bar.setValue(news.done if known else 0)
        if self._stop is None or not self._stop.is_set() or news.phase == "done":
            tell(self.progress, progress_words(news))

    def _on_finished(self, choice: Choice) -> None:
        stopped = self._stop is not None and self._stop.is_set()
        self._stop = None
        if self._closed:
            return
        if stopped:
            tell(self.note, "Stopped. What was judged is kept; Start goes on from there.")
        if not self.bar.maximum():
            self.bar.setRange(0, 1)
        self._enable()
        if choice.store.is_file():
            self._of = choice
            self.loading.start(partial(load, choice))

    # --- results ---------------------------------------------------------------------------------------------------------
    def show_results(self) -> None:
        """Show what the store holds of the folder."""
        choice = self.choice()
        if choice is not None:
            self._of, self._failed = choice, False
            tell(self.note, "")
            self.loading.start(partial(load, choice))

    def _on_loaded(self, loaded: Loaded) -> None:
        self.shown = loaded
        tell(self.counts, loaded.words())
        self.table.show_rows(loaded.rows)
        self._narrow()
        self._enable()

    def _on_not_loaded(self, error: BaseException) -> None:
        # What ended the run has been told; that nothing is kept of the folder would say less.
        if not self._failed:
            tell(self.note, told(error))

    def _narrow(self, *_: Any) -> None:
        self.table.filter.narrow(self.kind.currentData(), self.name.text().strip())
        if self.shown is not None and self.shown.rows and not self.table.shown:
            self.words.setText("No picture passes the filter.")

    def _on_row(self, row: Row) -> None:
        if self._of is not None:
            self.words.setText(f"{row.name}\nopening…")
            self.opening.start(partial(_opened, self._of, row))

    def _on_opened(self, outcome: tuple[Row, Opened | Exception]) -> None:
        row, found = outcome
        if isinstance(found, Exception):
            self.words.setText(f"{row.name}\n{told(found)}")
            self.overlay.clear()
            if self.layer is not None and self.layer in self.viewer.layers:
                self.layer.visible = False
            return
        drawn = self._show(row, found)
        self.words.setText("\n".join((row.name, *map(with_minus, found.sentences), drawn)).strip())

    def _show(self, row: Row, found: Opened) -> str:
        frame = found.frame
        origin = {KEY: Origin(frame.file, (bare(frame),))}
        layers = self.viewer.layers
        if self.layer is None or self.layer not in layers:
            self.layer = self.viewer.add_image(frame.pixels, name=VIEW, metadata=origin)
            self.viewer.reset_view()
        else:
            moved = self.layer.data.shape != frame.pixels.shape
            # Told before the data: who follows the layer asks for both when the data change.
            self.layer.metadata = origin
            self.layer.data = frame.pixels
            self.layer.reset_contrast_limits()
            self.layer.visible = True
            if moved:
                self.viewer.reset_view()
        self.layer.name = f"{VIEW}: {Path(row.file).name}"
        px = 1.0 / max(float(camera_of(self.viewer).zoom), 1e-9)
        lines = marks(found.scene, found.assessment, px)
        self.overlay.show(lines, np.eye(3))
        return lines.words

    def _on_report(self) -> None:
        if self._of is not None:
            tell(self.note, "writing the report…")
            self.reporting.start(partial(write_report, self._of, mask_names=self.masked.isChecked()))

    def _on_reported(self, path: Path) -> None:
        tell(self.note, f"Report: {path}")
        if not QDesktopServices.openUrl(QUrl.fromLocalFile(str(path))):
            tell(self.note, f"Report: {path} (no browser could be started; open it yourself)")

    # --- the rest --------------------------------------------------------------------------------------------------------
    def _enable(self) -> None:
        on = self.running
        for widget in (self.folder, self.browse, self.store, self.browse_store, self.sheet, self.browse_sheet):
            widget.setEnabled(not on)
        self.begin_button.setEnabled(not on)
        self.end_button.setEnabled(on)
        there = self.shown is not None and bool(self.shown.rows)
        self.report.setEnabled(there)
        self.masked.setEnabled(there)

    def _let_go(self) -> None:
        self.end()
        for latest in (self.loading, self.opening, self.reporting):
            latest.close()
        self.overlay.remove()


def _path(placeholder: str) -> QLineEdit:
    out = QLineEdit()
    out.setPlaceholderText(placeholder)
    return out


def _row(*parts: tuple[QWidget, int]) -> QHBoxLayout:
    out = QHBoxLayout()
    for widget, stretch in parts:
        out.addWidget(widget, stretch)
    return out


def _opened(choice: Choice, row: Row) -> tuple[Row, Opened | Exception]:
    """A row's picture; an error comes along with its row, so that it is told for the right one."""
    try:
        return row, opened(choice, row)
    except Exception as error:  # shown below the table
        return row, error


def _guarded(choice: Choice, stop: Callable[[], bool]) -> Iterator[Progress | Exception]:
    """The run's progress; what ends it comes last, for the panel."""
    try:
        yield from running(choice, stop)
    except Exception as error:  # shown in the panel
        yield error
