"""A picture from the clipboard as an array."""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtGui import QClipboard, QImage


def pasted(clipboard: QClipboard) -> NDArray[np.uint8] | None:
    """The clipboard's picture, (rows, columns, 3) uint8; ``None`` when it holds none."""
    image = clipboard.image()
    if image is None or image.isNull():
        return None
    image = image.convertToFormat(QImage.Format.Format_RGB888)
    rows, columns, stride = image.height(), image.width(), image.bytesPerLine()
    bits: Any = image.constBits()
    if hasattr(bits, "setsize"):  # PyQt hands out a pointer without a size
        bits.setsize(image.sizeInBytes())
    flat = np.frombuffer(bits, np.uint8, rows * stride).reshape(rows, stride)
    return flat[:, : 3 * columns].reshape(rows, columns, 3).copy()
