"""An MRC file laid out by hand after the published byte positions, read by us and by the format's reference reader."""

import struct

import mrcfile
import numpy as np
import pytest

from apertrue.readers import count_pages, read_frames

SOURCE = {
    "author": "A. Cheng, R. Henderson, D. Mastronarde and others",
    "title": "MRC2014: Extensions to the MRC format header for electron cryo-microscopy and tomography",
    "year": "2015",
    "place": "J. Struct. Biol. 192:146–150, table 1; mrcfile (C. Burnley, C. Palmer, M. Winn 2017) as independent reader",
    "how": "confirmed",
}


def by_hand(pixels: np.ndarray, mode: int) -> bytes:
    """The 1024 bytes of table 1 (byte positions from 1), little-endian, an extended header of 32 bytes, then the data."""
    head = bytearray(1024)

    def put(position: int, kind: str, *values: float) -> None:
        struct.pack_into("<" + kind, head, position - 1, *values)

    pages, rows, columns = pixels.shape
    put(1, "3i", columns, rows, pages)
    put(13, "i", mode)
    put(29, "3i", columns, rows, 1)
    put(41, "3f", columns, rows, 1)
    put(53, "3f", 90, 90, 90)
    put(65, "3i", 1, 2, 3)
    put(89, "i", 0)
    put(93, "i", 32)
    put(109, "i", 20140)
    head[208:212] = b"MAP "
    head[212:216] = b"\x44\x44\x00\x00"
    return bytes(head) + b"\0" * 32 + pixels.tobytes()


@pytest.mark.parametrize(("mode", "dtype"), [(0, "<i1"), (1, "<i2"), (2, "<f4"), (6, "<u2"), (12, "<f2")])
def test_modes(check, tmp_path, mode, dtype):
    pixels = (np.arange(2 * 17 * 23).reshape(2, 17, 23) % 101).astype(dtype)
    path = tmp_path / "hand.mrc"
    path.write_bytes(by_hand(pixels, mode))
    with mrcfile.open(path, permissive=False) as theirs:
        reference = np.asarray(theirs.data)
    frames = list(read_frames(path))
    check(f"mode {mode}: pages", count_pages(path), reference.shape[0], tol=0)
    apart = max(
        float(np.abs(f.pixels.astype(float) - r.astype(float)).max()) for f, r in zip(frames, reference, strict=True)
    )
    check(f"mode {mode} ({np.dtype(dtype).name}): largest difference from mrcfile", apart, 0, tol=0)


@pytest.mark.parametrize("dtype", ["int8", "int16", "float32", "uint16", "float16"])
def test_files_of_the_reference_writer(tmp_path, dtype):
    pixels = (np.arange(19 * 31).reshape(19, 31) % 97).astype(dtype)
    with mrcfile.new(tmp_path / "theirs.mrc") as handle:
        handle.set_data(pixels)
    (frame,) = read_frames(tmp_path / "theirs.mrc")
    np.testing.assert_array_equal(frame.pixels, pixels)
