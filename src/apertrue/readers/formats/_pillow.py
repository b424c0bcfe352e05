"""What the formats that Pillow decodes have in common.

The plug-in classes are used directly: ``Image.open`` would import every common plug-in, and would apply a size limit
of its own; ours is checked here, before anything is decoded.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..guard import check_shape
from ..options import ReadOptions
from ..source import Source

_WIDE_MODES = ("I;16", "I;16B", "I;16L", "I;16N", "I", "F")


def check_image(image: Any, source: Source, options: ReadOptions) -> None:
    """Check the size that an opened, not yet decoded picture claims."""
    columns, rows = image.size
    samples = max(1, len(image.getbands()))
    check_shape(source, options, rows, columns, samples, 4 if image.mode in _WIDE_MODES else 1)


def decoded(image: Any) -> NDArray[Any]:
    """The pixels: (rows, columns), or (rows, columns, samples) for color; palettes applied, alpha kept."""
    mode = image.mode
    if mode == "1":
        return np.asarray(image, dtype=np.bool_)
    if mode in ("L", "RGB", "RGBA", "LA", *_WIDE_MODES):
        return np.asarray(image)
    if mode in ("RGBX", "RGBa", "CMYK", "YCbCr", "LAB", "HSV", "P", "PA"):
        return np.asarray(image.convert("RGB"))
    raise ValueError(f"color mode {mode}")
