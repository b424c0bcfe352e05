"""What the first picture would wait for, done when the first widget opens.

Measured in processor time (napari 0.9, pandas 3): of the 1.4 s from the drop of the first file to its verdict, importing
pandas, which each of napari's layers with lines needs, takes 0.35 s, and reading the units of measurement, which each
layer needs, 0.3 s. Later files take 0.4 s.
"""

import threading
from contextlib import suppress
from importlib import import_module

import numpy as np
from qtpy.QtCore import QTimer

#: For napari's lines; for the commonest files.
MODULES = ("pandas", "tifffile", "PIL.Image")
#: After the widget shows, ms.
_AFTER_MS = 300
_begun = False


def early() -> None:
    """Begin; a second call does nothing."""
    global _begun
    if _begun:
        return
    _begun = True
    threading.Thread(target=import_all, name="apertrue early", daemon=True).start()
    # In the window's thread: the library of units can't be begun by two threads at once.
    QTimer.singleShot(_AFTER_MS, read_units)


def import_all() -> None:
    """Import :data:`MODULES`; what is missing is told where it is needed."""
    for name in MODULES:
        with suppress(ImportError):
            import_module(name)


def read_units() -> None:
    """Let napari read its units, as its first layer does."""
    from napari.layers import Image

    Image(np.zeros((2, 2)))
