"""Pages that lie in a file one after another, uncompressed."""

from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..page import stored_array
from ..source import Source


def read_block(source: Source, start: int, number: int, dtype: np.dtype[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """Array number ``number`` of those that begin at byte ``start``; only its own bytes are read."""
    count = prod(shape) * dtype.itemsize
    return stored_array(source.block(start + number * count, count), dtype, shape)
