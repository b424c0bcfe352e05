"""What all widgets of the window share: buttons, a middle that scrolls, and an end that stops all work."""

from collections.abc import Callable
from typing import Any

from qtpy.QtCore import QEvent, QObject, Qt
from qtpy.QtGui import QCloseEvent
from qtpy.QtWidgets import QFrame, QLabel, QMainWindow, QPushButton, QScrollArea, QVBoxLayout, QWidget

from ._early import early
from ._versions import keep_constants, unwrapped


class Dock(QWidget):
    """Base of the widgets.

    napari takes a widget out of its dock when the dock is closed, and tells it nothing, nor when the window is closed; so
    the loss of its parent counts as its end, and so does the window's going.
    """

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        keep_constants()
        early()
        self.viewer = unwrapped(napari_viewer)
        self._closed = False
        self._docked = False
        self._window: QWidget | None = None

    def button(self, text: str, slot: Callable[[], None], tip: str = "") -> QPushButton:
        """A button; ``&`` stands before its key (with Alt)."""
        out = QPushButton(text)
        out.setToolTip(tip)
        out.clicked.connect(lambda *_: slot())
        return out

    def shut(self) -> None:
        """Stop all work and let go of the viewer; the pictures' layers stay. A second call does nothing."""
        if self._closed:
            return
        self._closed = True
        window, self._window = self._window, None
        if window is not None:
            window.removeEventFilter(self)
        self._let_go()

    def _let_go(self) -> None:
        """What a widget has to end."""

    def event(self, event: QEvent) -> bool:
        """Also notices when napari takes the widget out of its dock."""
        if event.type() == QEvent.Type.ParentChange:
            if self.parent() is not None:
                self._docked = True
            elif self._docked:
                self.shut()
        elif event.type() == QEvent.Type.Show and self._window is None and not self._closed:
            window = self.window()
            if isinstance(window, QMainWindow):
                self._window = window
                window.installEventFilter(self)
        return bool(super().event(event))

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Notices when the window goes (not when it is only made small)."""
        if watched is self._window and event.type() == QEvent.Type.Hide and not event.spontaneous():
            self.shut()
        return bool(super().eventFilter(watched, event))

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """The widget was closed by itself."""
        self.shut()
        super().closeEvent(event)


def scrolling(inside: QWidget) -> QScrollArea:
    """``inside`` in an area that scrolls up and down only; never narrower than its content."""
    area = QScrollArea()
    area.setWidgetResizable(True)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setWidget(inside)
    # Keys must not get stuck in it: what it holds can be reached, and it scrolls along.
    area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    return area


def column(*parts: QWidget, stretch: bool = True) -> QWidget:
    """Widgets below one another, with a margin only to the scroll bar."""
    out = QWidget()
    layout = QVBoxLayout(out)
    layout.setContentsMargins(0, 0, 6, 0)
    for part in parts:
        layout.addWidget(part)
    if stretch:
        layout.addStretch(1)
    return out


def tell(label: QLabel, text: str) -> None:
    """Show a text; a label without one takes no room."""
    label.setText(text)
    label.setVisible(bool(text))
