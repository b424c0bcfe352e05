"""The watch widget: follows a folder or a layer, tells when to look again, warns visibly."""

from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
from napari.layers import Image
from napari.qt.threading import create_worker
from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from ..overlay.colors import VERDICTS
from ..registry.format import with_minus
from ._assess_model import told
from ._dock import Dock, column, scrolling, tell
from ._judge_one import load_setup
from ._marks import marks
from ._origin import origin_of
from ._overlay_layer import OverlayLayer
from ._result_view import line, wrapped
from ._target import aim
from ._timeline_view import TimelineView
from ._versions import camera_of
from ._watch_model import Mailbox, Report, watching, watching_layer

VIEW, EDGES = "watched picture", "watch edges"
_EMPTY = "A folder into which the camera saves its pictures, or a layer that shows its live view. Then Start."
_ENDED = "Stopped: nothing below is renewed."
_ENDED_UNASKED = "⚠ The watch has ended."
_SIMULATED = "These pictures are simulated: they are not written into the session log."


class WatchWidget(Dock):
    """Follow a folder of pictures, or a live layer."""

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__(napari_viewer)
        self.overlay = OverlayLayer(self.viewer, EDGES)
        self.layer: Any = None
        self.report: Report | None = None
        self._stop: Event | None = None
        self._asked_to_stop = False
        self._mail = Mailbox()
        self._changed = False
        self._look = QTimer(self)
        self._look.timeout.connect(self._on_look)
        self._build()
        for emitter in self._layer_list_events():
            emitter.connect(self._list_layers)
        self._list_layers()
        self._running(False)

    @property
    def running(self) -> bool:
        """Whether it watches."""
        return self._stop is not None

    # --- building ----------------------------------------------------------------------------------------------------
    def _build(self) -> None:
        self.what = QComboBox()
        self.what.addItem("a folder", "folder")
        self.what.addItem("a layer", "layer")
        self.what.currentIndexChanged.connect(self._on_what)
        self.folder = QLineEdit()
        self.folder.setPlaceholderText("folder with pictures")
        self.folder.returnPressed.connect(self.begin)
        self.browse = self.button("Ch&oose…", self._on_browse, "The folder into which the camera saves.")
        self.existing = QCheckBox("&Also judge what is there already")
        self.which = QComboBox()
        self.which.setToolTip("The layer whose picture changes.")
        self.every = QSpinBox()
        self.every.setRange(1, 3600)
        self.every.setValue(30)
        self.every.setSuffix(" s")
        self.every.setToolTip("A changed picture is judged and logged this often at most.")
        self.keep = QCheckBox("Write into the session lo&g")
        self.keep.setChecked(True)
        self.keep.setToolTip("The same log as that of the commands.")
        self.begin_button = self.button("&Start", self.begin, "Each new picture is judged and logged.")
        self.end_button = self.button("S&top", self._on_stop, "Stops after the picture at hand.")
        self.banner = wrapped(name="warning")
        self.banner.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.banner.setStyleSheet(
            f"background: {VERDICTS['auto']}; color: #000000; font-weight: bold; font-size: 26px; padding: 10px;"
        )
        self.timeline = TimelineView()
        self.note = wrapped(_EMPTY, name="note")
        self.counts = wrapped(name="counts")
        facts = QWidget()
        self._facts = QFormLayout(facts)
        self._facts.setContentsMargins(0, 0, 0, 0)
        self._facts.setLabelAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        self._values: dict[str, QLabel] = {}
        self.forecast = wrapped(name="forecast")
        self._folder_choice, self._layer_choice = QWidget(), QWidget()
        form = _form(self._folder_choice)
        form.addRow(_beside(self.folder, self.browse))
        form.addRow(self.existing)
        form = _form(self._layer_choice)
        form.addRow(self.which)
        form.addRow("Look every", self.every)
        form.addRow(self.keep)
        choice = QFormLayout()
        choice.addRow("Watch", self.what)
        layout = QVBoxLayout(self)
        layout.addLayout(choice)
        layout.addWidget(self._folder_choice)
        layout.addWidget(self._layer_choice)
        layout.addLayout(_beside(self.begin_button, self.end_button))
        layout.addWidget(line())
        layout.addWidget(self.banner)
        layout.addWidget(scrolling(column(self.note, facts, self.forecast, self.timeline, self.counts)), 1)
        tell(self.banner, "")
        tell(self.counts, "")
        tell(self.forecast, "")
        self.setMinimumWidth(int(20 * self.fontMetrics().height()))
        self._on_what()

    def _on_what(self, *_: Any) -> None:
        layer = self.what.currentData() == "layer"
        self._folder_choice.setVisible(not layer)
        self._layer_choice.setVisible(layer)

    def _on_browse(self) -> None:
        chosen = QFileDialog.getExistingDirectory(self, "Folder with pictures", self.folder.text())
        if chosen:
            self.folder.setText(chosen)

    def _layer_list_events(self) -> tuple[Any, ...]:
        e = self.viewer.layers.events
        return e.inserted, e.removed, e.reordered

    def _list_layers(self, event: Any = None) -> None:  # noqa: ARG002
        """The choice of layers as they are now; the chosen one stays chosen."""
        if self._closed:
            return
        if self.running and self.what.currentData() == "layer" and self.layer not in self.viewer.layers:
            tell(self.note, "The layer is gone; the watch ends.")
            self.end()
        chosen = self.which.currentData()
        images = [x for x in self.viewer.layers if isinstance(x, Image) and x.name != VIEW]
        self.which.blockSignals(True)
        self.which.clear()
        for image in images:
            self.which.addItem(image.name, image)
        wanted = chosen if chosen in images else self.viewer.layers.selection.active
        if wanted in images:
            self.which.setCurrentIndex(images.index(wanted))
        self.which.blockSignals(False)

    # --- running -----------------------------------------------------------------------------------------------------
    def begin(self) -> None:
        """Start watching what is chosen."""
        if self.running or self._closed:
            return
        if self.what.currentData() == "layer":
            self._begin_layer()
        else:
            self._begin_folder()

    def _begin_folder(self) -> None:
        text = self.folder.text().strip()
        if not text:
            tell(self.note, "Name a folder first.")
            self.folder.setFocus()
            return
        self.layer = None if self.layer is None or self.layer.name != VIEW else self.layer
        setup, existing = load_setup(), self.existing.isChecked()
        tell(self.note, setup.trouble)
        self._go(lambda stop: watching(Path(text).expanduser(), setup, stop, existing=existing))

    def _begin_layer(self) -> None:
        layer = self.which.currentData()
        if layer is None:
            tell(self.note, "There is no picture layer. Open a picture or a camera's live view first.")
            return
        self.layer = layer
        setup, name, keep = load_setup(), str(layer.name), self.keep.isChecked()
        origin = origin_of(layer.metadata)
        simulated = origin is not None and origin.simulated
        said = [setup.trouble, _SIMULATED if simulated and keep else ""]
        tell(self.note, " ".join(s for s in said if s))
        mail = self._mail = Mailbox()
        self._changed = True
        layer.events.data.connect(self._on_data)
        self._go(lambda stop: watching_layer(mail, name, setup, stop, keep=keep and not simulated))
        self._look.start(1000 * self.every.value())
        self._on_look()

    def _go(self, reports: Callable[[Callable[[], bool]], Iterator[Report]]) -> None:
        stop = self._stop = Event()
        self._asked_to_stop, self.report = False, None
        tell(self.banner, "")
        worker = create_worker(_guarded, reports, stop.is_set, _start_thread=False)
        worker.yielded.connect(self._on_news)
        worker.finished.connect(self._on_finished)
        self._running(True)
        worker.start()

    def _on_stop(self) -> None:
        self._asked_to_stop = True
        self.end()

    def end(self) -> None:
        """Stop after the picture at hand."""
        self._look.stop()
        if self.layer is not None and self.what.currentData() == "layer":
            with suppress(ValueError, TypeError):
                self.layer.events.data.disconnect(self._on_data)
        if self._stop is not None:
            self._stop.set()
            self.end_button.setEnabled(False)

    def _on_data(self, event: Any = None) -> None:  # noqa: ARG002
        self._changed = True

    def _on_look(self) -> None:
        """Leave the layer's picture for the watch when it changed since the last look."""
        if not self._changed or not self.running:
            return
        self._changed = False
        try:
            self._mail.put(aim(self.layer, self.viewer.dims.point, self.viewer.dims.displayed))
        except Exception as error:  # this picture's matter: the next one may be seen again
            tell(self.note, told(error))

    # --- what is shown -----------------------------------------------------------------------------------------------
    def value(self, what: str) -> str:
        """The text shown for a fact; empty when it is not shown."""
        return self._values[what].text() if what in self._values else ""

    def _on_news(self, news: Report | Exception) -> None:
        if self._closed:
            return
        if isinstance(news, Exception):
            tell(self.note, told(news))
        else:
            self._on_report(news)

    def _on_report(self, report: Report) -> None:
        self.report = report
        # The forecast is a sentence: it has the whole width.
        rows = [(what, text) for what, text in report.rows if what != "Forecast"]
        tell(
            self.forecast,
            next((with_minus(f"Forecast: {text}") for what, text in report.rows if what == "Forecast"), ""),
        )
        if [what for what, _ in rows] != list(self._values):
            while self._facts.rowCount():
                self._facts.removeRow(0)
            self._values = {what: wrapped() for what, _ in rows}
            for what, label in self._values.items():
                self._facts.addRow(what, label)
        for what, text in rows:
            self._values[what].setText(with_minus(text))
        tell(self.counts, report.counted)
        tell(self.banner, with_minus("\n".join(f"⚠ {w}" for w in report.warnings)))
        self.timeline.show_timeline(report.timeline)
        if report.trouble:
            tell(self.note, "\n".join(report.trouble))
        if report.result is not None:
            self._show(report)

    def _show(self, report: Report) -> None:
        result = report.result
        if result is None:
            return
        if report.to_world is None:
            if self.layer is None or self.layer not in self.viewer.layers:
                self.layer = self.viewer.add_image(result.frame.pixels, name=VIEW)
            else:
                self.layer.data = result.frame.pixels
                self.layer.reset_contrast_limits()
        place = np.eye(3) if report.to_world is None else report.to_world
        scale = float(np.sqrt(abs(np.linalg.det(place[:2, :2]))))
        px = 1.0 / max(float(camera_of(self.viewer).zoom) * scale, 1e-9)
        self.overlay.show(marks(result.scene, result.assessment, px), place)

    def _on_finished(self) -> None:
        self._look.stop()
        self._stop = None
        if self._closed:
            return
        self._running(False)
        # What stood there is of a watch that is over; one that ended by itself must not go unnoticed.
        tell(self.banner, "" if self._asked_to_stop or self.report is None else _ENDED_UNASKED)
        if self._asked_to_stop:
            tell(self.note, _ENDED)

    def _running(self, on: bool) -> None:
        for widget in (self.what, self._folder_choice, self._layer_choice, self.begin_button):
            widget.setEnabled(not on)
        self.end_button.setEnabled(on)

    def _let_go(self) -> None:
        self.end()
        for emitter in self._layer_list_events():
            with suppress(ValueError, TypeError):
                emitter.disconnect(self._list_layers)
        self.overlay.remove()


def _form(parent: QWidget) -> QFormLayout:
    out = QFormLayout(parent)
    out.setContentsMargins(0, 0, 0, 0)
    return out


def _beside(*widgets: QWidget) -> QHBoxLayout:
    out = QHBoxLayout()
    for k, widget in enumerate(widgets):
        out.addWidget(widget, int(k == 0 or not isinstance(widgets[0], QLineEdit)))
    return out


def _guarded(
    reports: Callable[[Callable[[], bool]], Iterator[Report]], stop: Callable[[], bool]
) -> Iterator[Report | Exception]:
    """The watch's reports; what ends it comes last, for the panel."""
    try:
        yield from reports(stop)
    except Exception as error:  # shown in the panel
        yield error
