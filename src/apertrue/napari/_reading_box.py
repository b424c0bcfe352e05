"""A box for a reading of the console, with the minus sign of all other numbers shown."""

from qtpy.QtGui import QValidator
from qtpy.QtWidgets import QDoubleSpinBox

_MINUS, _TYPED = "−", "-"


class ReadingBox(QDoubleSpinBox):
    """Shows a true minus sign; takes the keyboard's hyphen, too."""

    def textFromValue(self, value: float) -> str:  # noqa: N802
        """The number as shown."""
        return str(super().textFromValue(value)).replace(_TYPED, _MINUS)

    def valueFromText(self, text: str) -> float:  # noqa: N802
        """What was typed or shown."""
        return float(super().valueFromText(text.replace(_MINUS, _TYPED)))

    def validate(self, text: str, place: int) -> tuple[QValidator.State, str, int]:
        """Whether it may become a number; one character stands for one, so the cursor stays."""
        state, _, place = super().validate(text.replace(_MINUS, _TYPED), place)
        return state, text, place
