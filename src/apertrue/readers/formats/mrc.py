"""MRC2014: maps, pictures and stacks of electron microscopy.

Specification: Cheng et al. 2015, "MRC2014: Extensions to the MRC format header for electron cryo-microscopy and
tomography", J. Struct. Biol. 192:146-150, and the format's page at ccpem.ac.uk (modes 12 and 101). Mode 101 packs two
pixels a byte, the first one in the low four bits, each row padded to a whole byte (from memory).

Rows are kept in the file's order, the first one on top. The standard does not say which way is up; programs that draw
the first row at the bottom show the picture mirrored against ours.

Header layout and modes come from mrcfile; the pixels are read page by page here, so that a page of a large stack
costs a page, and a damaged header costs nothing.
"""

from math import prod
from typing import Any

import numpy as np
from mrcfile.dtypes import HEADER_DTYPE
from mrcfile.utils import dtype_from_mode

from ..guard import check_shape
from ..metadata.keys import facts_from_text
from ..options import ReadOptions
from ..page import Facts, RawPage
from ..source import Source
from . import _mrc_head
from ._blocks import read_block

_RESAVE = "Save the picture again, or as TIFF"


class MrcPages:
    """An opened MRC file."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        head = source.block(0, _mrc_head.HEADER_BYTES)
        order = _mrc_head.byte_order(head)
        if order is None:
            raise source.error("its header states neither byte order nor a known mode", _RESAVE)
        header = np.frombuffer(head, HEADER_DTYPE.newbyteorder(order))[0]
        columns, rows, sections, mode = (int(header[k]) for k in ("nx", "ny", "nz", "mode"))
        extended = int(header["nsymbt"])
        if mode in (3, 4):
            raise source.error(
                f"it holds complex numbers (mode {mode}), such as a Fourier transform, not a picture",
                "Save the real picture",
            )
        if mode not in _mrc_head.MODE_BITS:
            raise source.error(f"its mode {mode} is not one of MRC2014's", _RESAVE)
        if sections < 1 or extended < 0:
            raise source.error("its header states an impossible number of sections or header bytes", _RESAVE)
        check_shape(source, options, rows, columns, itemsize=max(1, _mrc_head.MODE_BITS[mode] // 8))
        self.source, self.mode = source, mode
        self.shape, self.sections = (rows, columns), sections
        self.start = _mrc_head.HEADER_BYTES + extended
        self.dtype = np.dtype(np.uint8) if mode == 101 else np.dtype(dtype_from_mode(mode)).newbyteorder(order)
        self.stored = (rows, (columns + 1) // 2) if mode == 101 else self.shape
        page_bytes = prod(self.stored) * self.dtype.itemsize
        if self.start + page_bytes > source.size:
            raise source.truncated()
        self.facts = _facts(header)

    def __len__(self) -> int:
        return self.sections

    def read(self, page: int, /) -> RawPage:
        """Section ``page``."""
        pixels = read_block(self.source, self.start, page, self.dtype, self.stored)
        if self.mode == 101:
            both = np.empty((self.shape[0], 2 * self.stored[1]), np.uint8)
            both[:, 0::2] = pixels & 0x0F
            both[:, 1::2] = pixels >> 4
            return RawPage(both[:, : self.shape[1]], self.facts, saturation=15.0, camera=True)
        return RawPage(pixels, self.facts, camera=True)

    def close(self) -> None:
        """Nothing beside the source is open."""


def _facts(header: Any) -> Facts:
    """What the labels state as ``key = value``. The cell size is the specimen's, so it is not taken."""
    count = min(max(int(header["nlabl"]), 0), 10)
    labels = [bytes(label).decode("latin-1").strip("\0 ") for label in header["label"][:count]]
    return facts_from_text("\n".join(labels))


def open_pages(source: Source, options: ReadOptions) -> MrcPages:
    """Open an MRC file."""
    return MrcPages(source, options)
