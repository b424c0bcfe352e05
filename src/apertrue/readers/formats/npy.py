"""NPY: NumPy's own file for one array.

Specification: NEP 1, "A Simple File Format for NumPy Arrays", and ``numpy.lib.format``. Pickled objects are refused:
loading them would run code from the file.

Two dimensions are a picture; a last dimension of 3 or 4 is color; all leading dimensions are pages.
"""

from math import prod
from typing import Any

import numpy as np
from numpy.lib import format as npy_format

from ..guard import check_shape
from ..options import ReadOptions
from ..page import RawPage, native
from ..source import Source
from ._blocks import read_block

_RESAVE = "Save a 2-D array of numbers with numpy.save"


class NpyPages:
    """An opened NPY file."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        source.handle.seek(0)
        version = npy_format.read_magic(source.handle)
        if version not in ((1, 0), (2, 0), (3, 0)):
            raise source.error(f"NPY version {version[0]}.{version[1]} is not known", _RESAVE)
        # Version 3 differs from 2 only in the encoding of field names, and pictures have none.
        first = version == (1, 0)
        read_header = npy_format.read_array_header_1_0 if first else npy_format.read_array_header_2_0
        try:
            shape, fortran, dtype = read_header(source.handle)
        except (ValueError, TypeError, EOFError) as problem:
            raise source.error("its header is damaged", _RESAVE) from problem
        self.start = source.handle.tell()
        if dtype.hasobject:
            raise source.error("it holds pickled objects, which could run code when loaded", _RESAVE)
        if dtype.kind == "c":
            raise source.error("it holds complex numbers", "Save their magnitude, or the real picture")
        if dtype.kind not in "buif":
            raise source.error(f"it holds {dtype}, not gray levels", _RESAVE)
        shape = tuple(int(n) for n in shape)
        if len(shape) < 2:
            raise source.error(f"it has {len(shape)} dimension(s), a picture has two", _RESAVE)
        if len(shape) == 3 and shape[2] == 1:
            shape = shape[:2]
        color = len(shape) > 2 and shape[-1] in (3, 4)
        self.page_shape = shape[-3:] if color else shape[-2:]
        self.leading = shape[: len(shape) - len(self.page_shape)]
        self.source, self.dtype, self.fortran = source, dtype, fortran and len(shape) > 1
        samples = self.page_shape[2] if color else 1
        check_shape(source, options, self.page_shape[0], self.page_shape[1], samples, dtype.itemsize)
        if prod(self.leading) < 1:
            raise source.error("its header states no page at all", _RESAVE)
        page_bytes = prod(self.page_shape) * dtype.itemsize
        if self.start + page_bytes > source.size:
            raise source.truncated()
        if self.fortran and self.start + page_bytes * prod(self.leading) > source.size:
            raise source.truncated()

    def __len__(self) -> int:
        return prod(self.leading)

    def read(self, page: int, /) -> RawPage:
        """Page ``page``; of a stack in Fortran order, whose pages are interleaved, through a memory map."""
        if not self.fortran:
            return RawPage(read_block(self.source, self.start, page, self.dtype, self.page_shape))
        shape = self.leading + self.page_shape
        if self.source.path is None:
            self.source.handle.seek(self.start)
            whole: Any = np.frombuffer(self.source.handle.read(), self.dtype, count=prod(shape))
            whole = whole.reshape(shape, order="F")
        else:
            whole = np.memmap(self.source.path, self.dtype, "r", self.start, shape, order="F")
        index = np.unravel_index(page, self.leading) if self.leading else ()
        return RawPage(native(np.array(whole[index], order="C")))

    def close(self) -> None:
        """Nothing beside the source is open."""


def open_pages(source: Source, options: ReadOptions) -> NpyPages:
    """Open an NPY file."""
    return NpyPages(source, options)
