"""Baseline TIFF laid out by hand after the specification, in both byte orders, read by us and by an independent reader."""

import struct

import numpy as np
import pytest
from PIL import Image

from apertrue.readers import read_frame

SOURCE = {
    "author": "Aldus Corporation (now Adobe)",
    "title": "TIFF, Revision 6.0, sections 2 (structure) and 4 (grayscale images)",
    "year": "1992",
    "place": "the specification; Pillow as independent reader",
    "how": "from memory",
}


def by_hand(pixels: np.ndarray, order: str, photometric: int) -> bytes:
    """Header, one directory of nine entries (tag, type, count, value), one strip."""
    mark = b"II" if order == "<" else b"MM"
    rows, columns = pixels.shape
    short, long_ = 3, 4
    start = 8 + 2 + 9 * 12 + 4
    entries = [
        (256, long_, columns), (257, long_, rows), (258, short, 16), (259, short, 1), (262, short, photometric),
        (273, long_, start), (277, short, 1), (278, long_, rows), (279, long_, pixels.nbytes),
    ]  # fmt: skip
    out = mark + struct.pack(order + "HIH", 42, 8, len(entries))
    for tag, kind, value in entries:
        # A short value stands left-justified in its four bytes.
        field = struct.pack(order + "HH", value, 0) if kind == short else struct.pack(order + "I", value)
        out += struct.pack(order + "HHI", tag, kind, 1) + field
    return out + struct.pack(order + "I", 0) + pixels.astype(order + "u2").tobytes()


@pytest.mark.parametrize("order", ["<", ">"], ids=["little-endian", "big-endian"])
def test_black_is_zero(check, tmp_path, order):
    pixels = (np.arange(21 * 33).reshape(21, 33) * 97 % 65521).astype(np.uint16)
    path = tmp_path / "hand.tif"
    path.write_bytes(by_hand(pixels, order, 1))
    with Image.open(path) as theirs:
        reference = np.asarray(theirs).astype(float)
    apart = np.abs(read_frame(path).pixels.astype(float) - reference).max()
    check(f"{'II' if order == '<' else 'MM'}, 16 bits: largest difference from Pillow", apart, 0, tol=0)
    np.testing.assert_array_equal(reference, pixels)


def test_white_is_zero_is_turned_so_that_more_light_is_larger(check, tmp_path):
    pixels = (np.arange(21 * 33).reshape(21, 33) * 97 % 65521).astype(np.uint16)
    path = tmp_path / "white.tif"
    path.write_bytes(by_hand(pixels, "<", 0))
    got = read_frame(path).pixels.astype(float)
    check("WhiteIsZero: largest difference from 65535 − value", np.abs(got - (65535.0 - pixels)).max(), 0, tol=0)
