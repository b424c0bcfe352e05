"""The panel that shows a result: verdict, sentences, numbers, budget, flags, cautions."""

from qtpy.QtCore import Qt
from qtpy.QtGui import QColor, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QFormLayout, QFrame, QHBoxLayout, QLabel, QSizePolicy, QToolButton, QVBoxLayout, QWidget

from ..overlay.colors import APERTURE, BEAM, MOVE, UNKNOWN
from ..registry.format import with_minus
from ._panel_words import Panel

_SAMPLE = {"aperture": APERTURE, "beam": BEAM, "edge": UNKNOWN, "move": MOVE, "doubt": BEAM}


def wrapped(text: str = "", *, name: str = "") -> QLabel:
    """A label whose text folds and can be copied."""
    label = QLabel(text)
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setTextInteractionFlags(
        Qt.TextInteractionFlag.TextSelectableByMouse | Qt.TextInteractionFlag.TextSelectableByKeyboard
    )
    # Without this a folding label takes one line's height in a scroll area.
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.MinimumExpanding)
    label.setObjectName(name)
    return label


class Sample(QWidget):
    """A short sample of a line, as it is drawn on the picture, on the picture's dark ground."""

    def __init__(self, kind: str) -> None:
        super().__init__()
        self.kind = kind
        em = self.fontMetrics().height()
        self.setFixedSize(2 * em, em)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802
        """Draw it."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor("#14171A"))
        pen = QPen(QColor(_SAMPLE[self.kind]), max(2.0, self.height() / 8))
        if self.kind == "aperture":
            pen.setDashPattern([2.0, 1.2])
        elif self.kind == "doubt":
            pen.setDashPattern([1.0, 1.0])
        painter.setPen(pen)
        middle, right = self.height() // 2, self.width() - 3
        if self.kind == "doubt":
            painter.drawEllipse(self.width() // 2 - self.height() // 2 + 2, 2, self.height() - 4, self.height() - 4)
            painter.end()
            return
        painter.drawLine(3, middle, right, middle)
        if self.kind == "move":
            wing = self.height() // 4
            painter.drawLine(right, middle, right - wing, middle - wing)
            painter.drawLine(right, middle, right - wing, middle + wing)
        painter.end()


class Fold(QWidget):
    """A heading that opens and closes what is under it; by keyboard too."""

    def __init__(self, title: str, body: QWidget, *, opened: bool = False) -> None:
        super().__init__()
        self.button = QToolButton()
        self.button.setText(title)
        self.button.setCheckable(True)
        self.button.setChecked(opened)
        self.button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.button.setAutoRaise(True)
        self.button.setMinimumHeight(int(1.7 * self.fontMetrics().height()))
        self.body = body
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(2)
        layout.addWidget(self.button)
        layout.addWidget(body)
        self.button.toggled.connect(self._open)
        self._open(opened)

    def _open(self, opened: bool) -> None:
        self.button.setArrowType(Qt.ArrowType.DownArrow if opened else Qt.ArrowType.RightArrow)
        self.body.setVisible(opened)


class ResultView(QWidget):
    """Shows a :class:`Panel`, a message, or that nothing is there yet."""

    def __init__(self) -> None:
        super().__init__()
        self.badge = QLabel()
        self.badge.setObjectName("verdict")
        self.badge.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.meaning = wrapped(name="meaning")
        self.headline = wrapped(name="headline")
        self.headline.setStyleSheet("font-weight: bold;")
        self.words = wrapped(name="sentences")
        self.age = wrapped(name="age")
        self.numbers = QWidget()
        self._form = _form(self.numbers)
        self.legend = QWidget()
        self._legend = _form(self.legend)
        self.flags = wrapped(name="flags")
        self.budget = wrapped(name="budget")
        self.cautions = wrapped(name="cautions")
        self.fold_budget = Fold("Budget and reasons", self.budget)
        self.fold_cautions = Fold("Before you turn anything", self.cautions, opened=True)
        top = QHBoxLayout()
        top.addWidget(self.badge)
        top.addWidget(self.meaning, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addLayout(top)
        for widget in (self.headline, self.words, self.numbers, self.flags, self.age, self.legend):
            layout.addWidget(widget)
        layout.addWidget(self.fold_cautions)
        layout.addWidget(self.fold_budget)
        self._values: dict[str, QLabel] = {}
        self._legend_shown: tuple[tuple[str, str], ...] = ()
        self.say("")

    def say(self, text: str) -> None:
        """A message in place of a result; nothing of an earlier result stays."""
        self.badge.hide()
        self.meaning.hide()
        self.headline.hide()
        self.words.setText(with_minus(text))
        self.words.setVisible(bool(text))
        for widget in (self.numbers, self.flags, self.age, self.legend, self.fold_budget, self.fold_cautions):
            widget.hide()
        self._values = {}

    def show_panel(self, panel: Panel) -> None:
        """A result."""
        self.badge.setText(panel.verdict)
        self.badge.setStyleSheet(
            f"background: {panel.color}; color: #000000; font-weight: bold; font-size: 20px;"
            " padding: 4px 12px; border-radius: 4px;"
        )
        self.badge.setAccessibleName(f"Verdict: {panel.verdict}")
        self.badge.show()
        self.meaning.setText(panel.meaning)
        self.meaning.show()
        self.headline.setText(with_minus(panel.sentences[0]) if panel.sentences else "")
        self.headline.setVisible(bool(panel.sentences))
        self.words.setText(with_minus("\n".join(panel.sentences[1:])))
        self.words.setVisible(len(panel.sentences) > 1)
        self._fill_numbers(panel)
        self.flags.setText("\n".join(f"⚑ {sentence} {remedy}" for sentence, remedy in panel.flags))
        self.flags.setVisible(bool(panel.flags))
        self.age.show()
        self._fill_legend(panel)
        lines = [f"{way}: {minutes}\n    {how}" for way, minutes, how in panel.budget]
        heading = "Expected minutes lost:\n" if lines else ""
        why = "\n".join(f"• {r}" for r in panel.reasons)
        self.budget.setText(with_minus(heading + "\n".join(lines) + ("\n\nWhy:\n" if lines else "Why:\n") + why))
        self.fold_budget.show()
        self.cautions.setText("\n".join(f"• {c}" for c in panel.cautions))
        self.fold_cautions.setVisible(bool(panel.cautions))

    def value(self, label: str) -> str:
        """The text shown for a number, by its label; empty when it is not shown."""
        found = self._values.get(label)
        return "" if found is None else found.text()

    def _fill_numbers(self, panel: Panel) -> None:
        if list(self._values) != [label for label, *_ in panel.numbers]:
            _clear(self._form)
            self._values = {}
            for label, _, why in panel.numbers:
                shown = QLabel()
                shown.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
                shown.setToolTip(why)
                name = QLabel(label)
                name.setToolTip(why)
                self._form.addRow(name, shown)
                self._values[label] = shown
        for label, text, _ in panel.numbers:
            self._values[label].setText(with_minus(text))
        self.numbers.show()

    def _fill_legend(self, panel: Panel) -> None:
        if panel.legend != self._legend_shown:
            self._legend_shown = panel.legend
            self._rebuild_legend(panel)
        self.legend.setVisible(bool(panel.legend))

    def _rebuild_legend(self, panel: Panel) -> None:
        _clear(self._legend)
        for kind, text in panel.legend:
            if kind:
                self._legend.addRow(Sample(kind), wrapped(text))
            else:
                self._legend.addRow(wrapped(text))


def line() -> QFrame:
    """A thin line between parts."""
    out = QFrame()
    out.setFrameShape(QFrame.Shape.HLine)
    return out


def _form(parent: QWidget) -> QFormLayout:
    out = QFormLayout(parent)
    out.setContentsMargins(0, 4, 0, 4)
    out.setVerticalSpacing(2)
    out.setLabelAlignment(Qt.AlignmentFlag.AlignLeft)
    return out


def _clear(form: QFormLayout) -> None:
    while form.rowCount():
        form.removeRow(0)
