"""NPY written by NumPy; MRC written by mrcfile, and by hand after the standard's byte positions."""

import struct

import mrcfile
import numpy as np
import pytest

from apertrue.errors import ReadError
from apertrue.readers import count_pages, looks_like_picture, read_bytes, read_frame, read_frames


@pytest.mark.parametrize("dtype", ["?", "u1", "<u2", ">u2", "<i4", ">i8", "<f2", ">f4", "<f8"])
def test_npy_types(tmp_path, gray16, dtype):
    data = (gray16 % 100).astype(dtype)
    np.save(tmp_path / "a.npy", data)
    frame = read_frame(tmp_path / "a.npy")
    np.testing.assert_array_equal(frame.pixels, data)
    assert frame.pixels.dtype.isnative
    assert frame.pixels.dtype.kind in "uif"


@pytest.mark.parametrize("order", ["C", "F"])
def test_npy_leading_dimensions_are_pages(tmp_path, rng, order):
    data = np.asarray(rng.integers(0, 99, (2, 3, 20, 24), dtype=np.uint16), order=order)
    path = tmp_path / "a.npy"
    np.save(path, data)
    assert count_pages(path) == 6
    flat = data.reshape(6, 20, 24)
    for frame in read_frames(path):
        np.testing.assert_array_equal(frame.pixels, flat[frame.page])
    for frame in read_bytes(path.read_bytes(), "memory"):
        np.testing.assert_array_equal(frame.pixels, flat[frame.page])


@pytest.mark.parametrize("samples", [3, 4])
def test_npy_color(tmp_path, gray16, samples):
    np.save(tmp_path / "a.npy", np.stack([gray16] * samples, axis=-1))
    assert count_pages(tmp_path / "a.npy") == 1
    np.testing.assert_array_equal(read_frame(tmp_path / "a.npy").pixels, gray16)


@pytest.mark.parametrize("version", [(1, 0), (2, 0), (3, 0)])
def test_npy_header_versions(tmp_path, gray16, version):
    with (tmp_path / "a.npy").open("wb") as handle:
        np.lib.format.write_array(handle, gray16, version=version)
    np.testing.assert_array_equal(read_frame(tmp_path / "a.npy").pixels, gray16)


class Bait:
    """Would run code when unpickled."""

    def __reduce__(self):
        return pytest.fail, ("a pickle was loaded",)


def test_npy_never_unpickles(tmp_path):
    data = np.empty((20, 20), dtype=object)
    data[:] = Bait()
    np.save(tmp_path / "a.npy", data, allow_pickle=True)
    with pytest.raises(ReadError, match="pickled objects"):
        read_frame(tmp_path / "a.npy")


MODES = [("i1", 0), ("i2", 1), ("f4", 2), ("u2", 6), ("f2", 12)]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(("dtype", "mode"), MODES)
def test_mrc_modes_by_mrcfile_in_both_byte_orders(tmp_path, rng, dtype, mode, order):
    data = rng.integers(-100 if dtype[0] != "u" else 0, 100, (3, 20, 24)).astype(order + dtype)
    path = tmp_path / "a.mrc"
    if order == "<":
        with mrcfile.new(path) as mrc:
            mrc.set_data(data)
    else:
        path.write_bytes(by_hand(data, mode, order))
    assert count_pages(path) == 3
    for frame in read_frames(path):
        np.testing.assert_array_equal(frame.pixels, data[frame.page].astype(frame.pixels.dtype))
        assert frame.linear is True
        assert frame.saturation == (65535.0 if mode == 6 else None)
        assert frame.pixels.dtype.isnative


def by_hand(data, mode, order, *, extended=b"", word=b"MAP ", labels=(), size=None):
    """A file after MRC2014's byte positions (Cheng et al. 2015; the format's page; confirmed): see each line."""
    sections, rows, columns = size or data.shape
    head = bytearray(1024)

    def put(position, code, *values):  # positions from 1, as the standard counts
        struct.pack_into(order + code, head, position - 1, *values)

    put(1, "3i", columns, rows, sections)  # NX, NY, NZ
    put(13, "i", mode)
    put(29, "3i", columns, rows, sections)  # MX, MY, MZ
    put(41, "3f", 1.0, 1.0, 1.0)  # CELLA
    put(65, "3i", 1, 2, 3)  # MAPC, MAPR, MAPS
    put(93, "i", len(extended))  # NSYMBT
    head[104:108] = b"MRCO"  # EXTTYP, 105-108
    put(109, "i", 20141)  # NVERSION
    head[208:212] = word  # MAP, 209-212
    if word == b"MAP ":
        head[212:216] = b"\x44\x44\0\0" if order == "<" else b"\x11\x11\0\0"  # MACHST, 213-216
    put(221, "i", len(labels))  # NLABL
    for i, label in enumerate(labels):
        head[224 + 80 * i : 304 + 80 * i] = label.ljust(80)
    return bytes(head) + extended + np.ascontiguousarray(data).tobytes()


def test_the_hand_written_file_is_valid_for_mrcfile(tmp_path, gray16):
    path = tmp_path / "a.mrc"
    path.write_bytes(by_hand(gray16[None].astype(">u2"), 6, ">", extended=b"x" * 160))
    with mrcfile.open(path) as mrc:
        np.testing.assert_array_equal(np.squeeze(mrc.data), gray16)


@pytest.mark.parametrize("order", ["<", ">"])
def test_mrc_extended_header_and_labels(tmp_path, gray16, order):
    path = tmp_path / "a.mrc"
    labels = (b"Made by hand", b"High tension = 300 kV", b"Acquired: 2026-03-14T09:26:53Z")
    path.write_bytes(by_hand(gray16[None].astype(order + "u2"), 6, order, extended=b"\xff" * 161, labels=labels))
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, gray16)
    assert frame.state.kv == 300.0
    assert frame.taken_at.isoformat() == "2026-03-14T09:26:53+00:00"


@pytest.mark.parametrize("columns", [24, 25])
def test_mrc_mode_101_has_two_pixels_a_byte(tmp_path, rng, columns):
    data = rng.integers(0, 16, (2, 20, columns), dtype=np.uint8)
    padded = np.pad(data, ((0, 0), (0, 0), (0, columns % 2)))
    packed = padded[..., 0::2] | padded[..., 1::2] << 4  # low four bits first (from memory)
    path = tmp_path / "a.mrc"
    path.write_bytes(by_hand(packed, 101, "<", size=data.shape))
    assert count_pages(path) == 2
    frame = read_frame(path, 1)
    np.testing.assert_array_equal(frame.pixels, data[1])
    assert frame.saturation == 15.0


@pytest.mark.parametrize(("mode", "dtype"), [(3, "<i4"), (4, "<c8")])
def test_mrc_complex_modes_are_refused(tmp_path, mode, dtype):
    path = tmp_path / "a.mrc"
    path.write_bytes(by_hand(np.ones((1, 20, 24), dtype), mode, "<"))
    with pytest.raises(ReadError, match=rf"complex numbers \(mode {mode}\)"):
        read_frame(path)


@pytest.mark.parametrize("order", ["<", ">"])
def test_mrc_from_before_the_word_map_must_fit_to_the_byte(tmp_path, gray16, order):
    path = tmp_path / "a.mrc"
    data = by_hand(gray16[None].astype(order + "i2"), 1, order, word=b"\0\0\0\0")
    path.write_bytes(data)
    assert looks_like_picture(path)
    np.testing.assert_array_equal(read_frame(path).pixels, gray16)
    path.write_bytes(data + b"x")
    assert not looks_like_picture(path)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"mode": 7}, "mode 7 is not one of MRC2014's"),
        ({"size": (1, 40000, 40000)}, "more than the limit"),
        ({"size": (1, -5, 64)}, "impossible size"),
        ({"size": (0, 48, 64)}, "impossible number of sections"),
        ({"size": (1, 48, 128)}, "cut off"),
        ({"size": (1, 8, 64)}, "too small"),
    ],
)
def test_mrc_headers_that_lie(tmp_path, gray16, change, message):
    path = tmp_path / "a.mrc"
    path.write_bytes(by_hand(gray16[None], **{"mode": 6, "order": "<"} | change))
    with pytest.raises(ReadError, match=message):
        read_frame(path)
