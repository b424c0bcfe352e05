"""The watch widget: follows a folder, tells when to look again, warns visibly."""

from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
from napari.qt.threading import create_worker
from qtpy.QtCore import Qt
from qtpy.QtGui import QCloseEvent
from qtpy.QtWidgets import (
    QCheckBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from ..overlay.colors import VERDICTS
from ._assess_model import Setup, load_setup, told
from ._marks import marks
from ._overlay_layer import OverlayLayer
from ._result_view import line, wrapped
from ._timeline_view import TimelineView
from ._versions import camera_of
from ._watch_model import Report, watching

VIEW, EDGES = "watched picture", "watch edges"
_EMPTY = "Choose the folder into which the camera saves its pictures, then Start. The log is that of the commands."


class WatchWidget(QWidget):
    """Follow a folder of pictures."""

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.overlay = OverlayLayer(self.viewer, EDGES)
        self.layer: Any = None
        self.report: Report | None = None
        self._stop: Event | None = None
        self._build()
        self._running(False)

    @property
    def running(self) -> bool:
        """Whether it watches."""
        return self._stop is not None

    def _build(self) -> None:
        self.folder = QLineEdit()
        self.folder.setPlaceholderText("folder with pictures")
        self.folder.returnPressed.connect(self.begin)
        self.browse = QPushButton("C&hoose…")
        self.browse.clicked.connect(self._on_browse)
        self.existing = QCheckBox("Judge what is there already, &too")
        self.begin_button = QPushButton("&Start")
        self.begin_button.clicked.connect(self.begin)
        self.end_button = QPushButton("Sto&p")
        self.end_button.clicked.connect(self.end)
        self.banner = wrapped(name="warning")
        self.banner.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.banner.setStyleSheet(
            f"background: {VERDICTS['auto']}; color: #000000; font-weight: bold; font-size: 26px; padding: 10px;"
        )
        self.banner.hide()
        self.timeline = TimelineView()
        self.note = wrapped(_EMPTY, name="note")
        self.counts = wrapped(name="counts")
        facts = QWidget()
        self._facts = QFormLayout(facts)
        self._facts.setContentsMargins(0, 0, 0, 0)
        self._values: dict[str, QLabel] = {}
        choice = QHBoxLayout()
        choice.addWidget(self.folder, 1)
        choice.addWidget(self.browse)
        deeds = QHBoxLayout()
        deeds.addWidget(self.begin_button)
        deeds.addWidget(self.end_button)
        layout = QVBoxLayout(self)
        layout.addLayout(choice)
        layout.addWidget(self.existing)
        layout.addLayout(deeds)
        layout.addWidget(line())
        layout.addWidget(self.banner)
        layout.addWidget(facts)
        layout.addWidget(self.timeline)
        layout.addWidget(self.counts)
        layout.addWidget(self.note)
        layout.addStretch(1)
        self.setMinimumWidth(int(20 * self.fontMetrics().height()))

    def _on_browse(self) -> None:
        chosen = QFileDialog.getExistingDirectory(self, "Folder with pictures", self.folder.text())
        if chosen:
            self.folder.setText(chosen)

    def begin(self) -> None:
        """Start watching the folder named."""
        text = self.folder.text().strip()
        if self.running:
            return
        if not text:
            self.note.setText("Name a folder first.")
            return
        self._stop = Event()
        setup = load_setup()
        self.note.setText(setup.trouble)
        existing = self.existing.isChecked()
        worker = create_worker(_guarded, Path(text), setup, self._stop.is_set, existing, _start_thread=False)
        worker.yielded.connect(self._on_news)
        worker.finished.connect(self._on_finished)
        self._running(True)
        worker.start()

    def end(self) -> None:
        """Stop after the picture at hand."""
        if self._stop is not None:
            self._stop.set()
            self.end_button.setEnabled(False)

    def value(self, what: str) -> str:
        """The text shown for a fact; empty when it is not shown."""
        return self._values[what].text() if what in self._values else ""

    def _on_news(self, news: Report | Exception) -> None:
        if isinstance(news, Exception):
            self.note.setText(told(news))
        else:
            self._on_report(news)

    def _on_report(self, report: Report) -> None:
        self.report = report
        if [what for what, _ in report.rows] != list(self._values):
            while self._facts.rowCount():
                self._facts.removeRow(0)
            self._values = {what: wrapped() for what, _ in report.rows}
            for what, label in self._values.items():
                self._facts.addRow(what, label)
        for what, text in report.rows:
            self._values[what].setText(text)
        self.counts.setText(report.counted)
        self.banner.setText("\n".join(f"⚠ {w}" for w in report.warnings))
        self.banner.setVisible(bool(report.warnings))
        self.timeline.show_timeline(report.timeline)
        if report.trouble:
            self.note.setText("\n".join(report.trouble))
        if report.result is not None:
            self._show(report)

    def _show(self, report: Report) -> None:
        result = report.result
        if result is None:
            return
        if self.layer is None or self.layer not in self.viewer.layers:
            self.layer = self.viewer.add_image(result.frame.pixels, name=VIEW)
        else:
            self.layer.data = result.frame.pixels
            self.layer.reset_contrast_limits()
        px = 1.0 / max(float(camera_of(self.viewer).zoom), 1e-9)
        self.overlay.show(marks(result.scene, result.assessment, px), np.eye(3))

    def _on_finished(self) -> None:
        self._stop = None
        self._running(False)

    def _running(self, on: bool) -> None:
        for widget in (self.folder, self.browse, self.existing, self.begin_button):
            widget.setEnabled(not on)
        self.end_button.setEnabled(on)

    def shut(self) -> None:
        """Stop watching."""
        self.end()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """The dock was closed."""
        self.shut()
        super().closeEvent(event)


def _guarded(folder: Path, setup: Setup, stop: Callable[[], bool], existing: bool) -> Iterator[Report | Exception]:
    """The watch's reports; what ends it comes last, for the panel."""
    try:
        yield from watching(folder, setup, stop, existing=existing)
    except Exception as error:  # shown in the panel
        yield error
