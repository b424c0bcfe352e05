"""Files that are broken, mis-named or made to do harm: a ReadError with file, reason and remedy, and nothing else."""

import io
import os
import pickle
import struct
import sys
import warnings
import zlib
from contextlib import suppress
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from apertrue.errors import ReadError
from apertrue.readers import ReadOptions, count_pages, looks_like_picture, read_bytes, read_frame, read_frames


def refused(path, match, **how):
    with pytest.raises(ReadError, match=match) as caught:
        read_frame(path, **how)
    error = caught.value
    assert error.file == str(path)
    assert error.reason
    assert error.remedy
    assert str(error) == f"{path}: {error.reason}. {error.remedy}"
    return error


def written(kind, data):
    """``data`` as a file of this kind, in memory."""
    buffer = io.BytesIO()
    if kind == "tif":
        tifffile.imwrite(buffer, data, photometric="minisblack")
    elif kind == "zlib.tif":
        tifffile.imwrite(buffer, data, photometric="minisblack", compression="zlib", rowsperstrip=8)
    elif kind == "tiled.tif":
        tifffile.imwrite(buffer, data, photometric="minisblack", compression="lzw", tile=(16, 16))
    elif kind == "npy":
        np.save(buffer, data)
    elif kind == "mrc":
        import mrcfile.mrcinterpreter

        with mrcfile.mrcinterpreter.MrcInterpreter() as mrc:
            mrc._iostream = buffer
            mrc._create_default_attributes()
            mrc.set_data(data)
            mrc.flush()
            buffer = io.BytesIO(buffer.getvalue())
    else:
        Image.fromarray(data if kind == "png" else (data >> 4).astype(np.uint8)).save(buffer, kind)
    return buffer.getvalue()


KINDS = ["tif", "zlib.tif", "tiled.tif", "npy", "mrc", "png", "jpeg", "bmp", "gif", "webp"]


@pytest.mark.parametrize("kind", KINDS)
def test_cut_off_anywhere(kind, gray16):
    """Every cut but one within the last bytes, which some formats can do without, is an error; none a traceback."""
    whole = written(kind, gray16)
    (frame,) = read_bytes(whole, "whole")
    assert frame.shape == gray16.shape
    for length in sorted({1, 2, 7, 8, 9, 20, 26, 40, 100, 128, 500, 1023, 1024, len(whole) // 2, len(whole) - 40}):
        if length < len(whole) - 8:
            with pytest.raises(ReadError):
                list(read_bytes(whole[:length], "cut"))


@pytest.mark.parametrize("kind", KINDS)
def test_changed_bytes_give_a_picture_or_an_error(kind, gray16, rng, capfd):
    whole = written(kind, gray16)
    options = ReadOptions(max_pixels=2**20)
    outcomes = set()
    for _ in range(60):
        data = bytearray(whole)
        for at in rng.integers(0, min(len(data), 400), rng.integers(1, 6)):
            data[at] = rng.integers(0, 256)
        try:
            for frame in read_bytes(bytes(data), "fuzzed", pages=(0,), options=options):
                assert frame.pixels.ndim == 2
                assert frame.pixels.size <= options.max_pixels
                outcomes.add("read")
        except ReadError:
            outcomes.add("refused")
    assert outcomes
    assert capfd.readouterr() == ("", "")


def test_missing_empty_and_folder(tmp_path):
    refused(tmp_path / "none.tif", "there is no such file")
    refused(tmp_path / "none" / "none.tif", "there is no such file")
    refused(tmp_path / "*.tif", "no file matches this pattern")
    refused(tmp_path, "this is a folder")
    (tmp_path / "empty.tif").touch()
    refused(tmp_path / "empty.tif", "the file is empty")
    refused(f"{tmp_path}/a\0b.tif", "not a possible file name")
    for path in (tmp_path / "none.tif", tmp_path, tmp_path / "empty.tif", "a\0b"):
        assert not looks_like_picture(path)
        with pytest.raises(ReadError):
            count_pages(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes in the file system")
def test_pipes_and_devices_are_never_opened(tmp_path):
    os.mkfifo(tmp_path / "pipe.tif")
    (tmp_path / "link.tif").symlink_to(tmp_path / "pipe.tif")
    refused(tmp_path / "pipe.tif", "device, pipe or socket")  # opening it would wait for ever
    refused(tmp_path / "link.tif", "device, pipe or socket")
    refused("/dev/zero", "device, pipe or socket")
    assert not looks_like_picture(tmp_path / "pipe.tif")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes in the file system")
def test_a_file_replaced_by_a_pipe_in_between(tmp_path, monkeypatch):
    path = tmp_path / "a.tif"
    os.mkfifo(path)
    regular = Path(__file__).stat()
    monkeypatch.setattr(os, "stat", lambda *_a, **_k: regular)
    refused(path, "device, pipe or socket")


def test_no_permission(tmp_path, gray16, monkeypatch):
    path = tmp_path / "a.npy"
    np.save(path, gray16)
    if not hasattr(os, "geteuid") or os.geteuid() == 0:  # root may read everything: let the system refuse instead

        def denied(*_args, **_kwargs):
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(os, "open", denied)
    else:
        path.chmod(0)
    refused(path, "you may not read this file")


def test_a_file_that_vanishes_or_shrinks(tmp_path, gray16):
    path = tmp_path / "a.npy"
    np.save(path, np.stack([gray16] * 400))
    frames = read_frames(path)
    next(frames)
    with path.open("r+b") as handle:
        handle.truncate(1000)
    with pytest.raises(ReadError, match="cut off"):
        list(frames)


def test_disk_errors(gray16):
    class Failing(io.BytesIO):
        broken = False

        def read(self, *args):
            if self.broken:
                raise OSError(5, "Input/output error")
            return super().read(*args)

    stream = Failing(written("npy", np.stack([gray16] * 3)))
    frames = read_bytes(stream, "far away")
    next(frames)
    stream.broken = True
    with pytest.raises(ReadError, match=r"far away: the file could not be read \(Input/output error\)"):
        next(frames)
    assert stream.closed


def test_content_counts_and_not_the_name(tmp_path, gray16):
    for kind in KINDS:
        path = tmp_path / f"{kind}.jpg"
        path.write_bytes(written(kind, gray16))
        assert looks_like_picture(path)
        assert read_frame(path).shape == gray16.shape
    for name, data, match in (
        ("text.tif", b"Dear operator,\n" * 50, "text file"),
        ("utf16.tif", "kv = 200".encode("utf-16"), "text file"),
        ("gz.tif", b"\x1f\x8b\x08" + bytes(80), "gzip archive"),
        ("zip.npy", b"PK\3\4" + bytes(80), "zip archive"),
        ("zeros.tif", bytes(5000), "no known picture format|without extras"),
        ("noise.png", bytes(range(256)) * 8, "no known picture format|without extras"),
    ):
        (tmp_path / name).write_bytes(data)
        assert not looks_like_picture(tmp_path / name)
        refused(tmp_path / name, match)


@pytest.mark.parametrize("shape", [(1, 1), (15, 400), (400, 15)])
@pytest.mark.parametrize("kind", ["tif", "npy", "png"])
def test_too_small(tmp_path, kind, shape):
    (tmp_path / "a").write_bytes(written(kind, np.ones(shape, np.uint16)))
    error = refused(tmp_path / "a", "too small to measure")
    assert "16 px" in error.remedy


def test_sixteen_pixels_are_enough(tmp_path):
    np.save(tmp_path / "a.npy", np.eye(16))
    assert read_frame(tmp_path / "a.npy").shape == (16, 16)


@pytest.mark.parametrize("data", [np.zeros(400), np.float64(3.0), np.zeros((0, 30, 30)), np.zeros((30, 0))])
def test_arrays_that_are_no_pictures(tmp_path, data):
    np.save(tmp_path / "a.npy", data)
    refused(tmp_path / "a.npy", "dimension|no page|impossible")


@pytest.mark.parametrize("dtype", ["U3", "M8[s]", [("a", "f4")], "V4"])
def test_arrays_of_no_numbers(tmp_path, dtype):
    np.save(tmp_path / "a.npy", np.zeros((20, 20), dtype))
    refused(tmp_path / "a.npy", "not gray levels")


def test_complex(tmp_path):
    data = np.ones((20, 20), np.complex64)
    np.save(tmp_path / "a.npy", data)
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="minisblack")
    for name in ("a.npy", "a.tif"):
        assert "magnitude" in refused(tmp_path / name, "complex numbers").remedy


def test_missing_pixels(tmp_path, gray16):
    data = gray16.astype(np.float32)
    data[3, 4], data[5, 6], data[7, 8] = np.nan, np.inf, -np.inf
    np.save(tmp_path / "a.npy", data)
    pixels = read_frame(tmp_path / "a.npy").pixels
    assert np.argwhere(np.isnan(pixels)).tolist() == [[3, 4], [5, 6], [7, 8]]
    assert np.isfinite(pixels).sum() == pixels.size - 3
    for value in (np.nan, np.inf):
        np.save(tmp_path / "a.npy", np.full((20, 20), value))
        refused(tmp_path / "a.npy", "none of its pixels holds a number")


def test_all_equal_and_negative_pictures_are_pictures(tmp_path):
    for data in (np.zeros((20, 20), np.uint8), np.full((20, 20), -7, np.int16), np.full((20, 20), -1e30)):
        np.save(tmp_path / "a.npy", data)
        np.testing.assert_array_equal(read_frame(tmp_path / "a.npy").pixels, data)


def png(columns, rows, depth=8, kind=0, data=b""):
    def chunk(name, body):
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", columns, rows, depth, kind, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(data)) + chunk(b"IEND", b"")


def bmp(columns, rows):
    return struct.pack("<2sIHHIIiiHHIIiiII", b"BM", 54, 0, 0, 54, 40, columns, rows, 1, 24, 0, 0, 0, 0, 0, 0)


def npy(shape):
    head = f"{{'descr': '<f8', 'fortran_order': False, 'shape': {shape}, }}".encode()
    head += b" " * ((-len(head) - 11) % 64) + b"\n"
    return b"\x93NUMPY\1\0" + struct.pack("<H", len(head)) + head


def tif(columns, rows, bits=8, samples=1, compression=1, count=100):
    tags = [(256, columns), (257, rows), (258, bits), (259, compression), (262, 1), (273, 8), (277, samples)]
    tags += [(278, rows), (279, count)]
    entries = b"".join(struct.pack("<HHII", t, 4, 1, v) for t, v in tags)
    return struct.pack("<2sHI", b"II", 42, 8 + count) + bytes(count) + struct.pack("<H", len(tags)) + entries + bytes(4)


def webp(columns, rows):
    size = (columns - 1).to_bytes(3, "little") + (rows - 1).to_bytes(3, "little")
    return b"RIFF" + struct.pack("<I", 100) + b"WEBPVP8X" + struct.pack("<I", 10) + bytes(4) + size + bytes(70)


ABSURD = {
    "png": png(2**31 - 1, 2**31 - 1),
    "png-16-bit-color": png(60000, 60000, 16, 2),
    "bmp": bmp(60000, 60000),
    "gif": b"GIF89a"
    + struct.pack("<HH", 65535, 65535)
    + b"\x80\0\0"
    + bytes(6)
    + b",\0\0\0\0\xff\xff\xff\xff\0\x08\0;",
    "webp": webp(2**24, 2**24),
    "npy": npy((10**9, 10**9)),
    "npy-overflow": npy((2**63, 2**63, 3)),
    "tif": tif(2**31, 2**31),
    "tif-tall": tif(17, 2**32 - 1),
    "tif-samples": tif(4000, 4000, 16, 65535),
    "tif-deflate": tif(20000, 20000, compression=8),
}


@pytest.mark.parametrize("kind", ABSURD)
def test_absurd_sizes_are_refused_before_memory_is_taken(kind):
    import tracemalloc

    tracemalloc.start()
    try:
        with pytest.raises(ReadError, match=r"more than the limit|impossible size|cut off|damaged|hold"):
            list(read_bytes(ABSURD[kind], kind))
        assert tracemalloc.get_traced_memory()[1] < 50 * 2**20
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (png(8000, 8000, data=b"\0" * 1000), "far more pixels than its bytes can hold"),
        (tif(8000, 8000, compression=8), "far more pixels than its bytes can hold"),
        (tif(8000, 8000, compression=32773), "far more pixels than its bytes can hold"),
        (tif(8000, 8000), "cut off"),
        (npy((6000, 6000)), "cut off"),
        (bmp(8000, 8000), "far more pixels than its bytes can hold"),
    ],
)
def test_sizes_within_the_limit_must_fit_the_bytes(data, match):
    with pytest.raises(ReadError, match=match):
        list(read_bytes(data, "bomb"))


def test_the_limit_is_an_option(gray16):
    for kind in KINDS:
        data = written(kind, gray16)
        (frame,) = read_bytes(data, kind, options=ReadOptions(max_pixels=gray16.size))
        assert frame.shape == gray16.shape
        with pytest.raises(ReadError, match="more than the limit of"):
            list(read_bytes(data, kind, options=ReadOptions(max_pixels=gray16.size - 1)))


def test_empty_strips_are_not_shown_as_black(tmp_path, gray16):
    """tifffile fills strips without data; a picture with holes would look like one with a shadow."""
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, photometric="minisblack", rowsperstrip=8, compression="zlib")
    with tifffile.TiffFile(path, mode="r+") as tif:
        counts = list(tif.pages[0].tags[279].value)
        tif.pages[0].tags[279].overwrite([*counts[:2], 0, *counts[3:]])
    refused(path, "cut off")


def test_endless_chain_of_tiff_pages():
    """Each IFD points to itself."""
    whole = bytearray(tif(20, 20, count=400))
    whole[-4:] = struct.pack("<I", 408)
    frames = list(read_bytes(bytes(whole), "loop"))
    assert [f.shape for f in frames] == [(20, 20)]


@pytest.mark.parametrize(("photometric", "samples"), [(8, 3), (5, 4)])
def test_color_spaces_that_are_not_understood(gray16, photometric, samples):
    buffer = io.BytesIO()
    data = np.stack([gray16.astype(np.uint8)] * samples, axis=-1)
    tifffile.imwrite(buffer, data, photometric=photometric, planarconfig="contig")
    with pytest.raises(ReadError, match=f"color space .photometric {photometric}. is not supported"):
        list(read_bytes(buffer.getvalue(), "lab"))


def test_volumes_are_no_pages():
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, np.zeros((16, 32, 32), np.uint8), volumetric=True, tile=(16, 32, 32))
    with pytest.raises(ReadError, match="volumes"):
        list(read_bytes(buffer.getvalue(), "volume"))


def test_memory_that_runs_out_is_told(gray16, monkeypatch):
    def greedy(*_args, **_kwargs):
        raise MemoryError

    monkeypatch.setattr(tifffile.TiffPage, "asarray", greedy)
    with pytest.raises(ReadError, match="not enough memory"):
        list(read_bytes(written("tif", gray16), "large"))


def test_library_noise_stays_inside(gray16, capfd):
    """A damaged tag makes tifffile log an error, a huge one makes Pillow warn; neither reaches the terminal."""
    whole = bytearray(written("tif", gray16))
    at = whole.index(struct.pack("<HH", 296, 3))  # ResolutionUnit, of no importance
    struct.pack_into("<HHII", whole, at, 296, 99, 2**31, 2**31)
    filters = list(warnings.filters)
    (frame,) = read_bytes(bytes(whole), "damaged tag")
    np.testing.assert_array_equal(frame.pixels, gray16)
    assert capfd.readouterr() == ("", "")
    assert warnings.filters == filters


def test_threads_leave_the_warning_filters_as_they_were(gray16):
    from concurrent.futures import ThreadPoolExecutor

    filters = list(warnings.filters)
    data = [written(kind, gray16) for kind in ("tif", "png", "npy")] * 8
    with ThreadPoolExecutor(4) as pool:
        shapes = list(pool.map(lambda d: next(read_bytes(d, "x")).shape, data))
    assert shapes == [gray16.shape] * 24
    assert warnings.filters == filters


def test_errors_travel_between_processes():
    error = ReadError("a.tif", "the file is empty", "Save the picture again")
    again = pickle.loads(pickle.dumps(error))
    assert (str(again), again.remedy) == (str(error), error.remedy)


def test_handles_are_closed(tmp_path, gray16):
    path = tmp_path / "a.tif"
    path.write_bytes(written("tif", gray16))
    frames = read_frames(path)
    next(frames)
    frames.close()
    (tmp_path / "b.tif").write_bytes(written("tif", gray16)[:100])
    with pytest.raises(ReadError):
        read_frame(tmp_path / "b.tif")
    if sys.platform.startswith("linux"):
        links = []
        for link in Path("/proc/self/fd").iterdir():
            with suppress(OSError):  # the one that lists them is gone by now
                links.append(str(link.readlink()))
        assert links
        assert not [link for link in links if link.startswith(str(tmp_path))]


def test_bombs_without_a_known_ratio_in_tiff_are_bounded_by_the_limit(gray16):
    data = imagecodecs.zstd_encode(bytes(4000 * 4000))
    whole = tif(4000, 4000, compression=50000, count=len(data))
    whole = whole[:8] + data + whole[8 + len(data) :]
    (frame,) = read_bytes(whole, "zstd")
    assert frame.shape == (4000, 4000)
    with pytest.raises(ReadError, match="more than the limit"):
        list(read_bytes(whole, "zstd", options=ReadOptions(max_pixels=2**20)))


def bomb_in_a_strip(kind):
    """A page of 100 × 100 px whose only strip is a picture of 2000 × 2000 px."""
    large = np.zeros((2000, 2000), np.uint8)
    data, compression = {
        "jpeg": (imagecodecs.jpeg_encode, 7),
        "png": (imagecodecs.png_encode, 34933),
        "jpeg2000": (imagecodecs.jpeg2k_encode, 34712),
        "webp": (lambda a: imagecodecs.webp_encode(np.stack([a] * 3, -1), lossless=True), 50001),
        "lerc": (imagecodecs.lerc_encode, 34887),
    }[kind]
    body = data(large)
    whole = tif(100, 100, compression=compression, count=len(body))
    return whole[:8] + bytes(body) + whole[8 + len(body) :]


@pytest.mark.parametrize("kind", ["jpeg", "png", "jpeg2000", "webp", "lerc"])
def test_a_strip_may_not_be_larger_than_its_page(kind):
    with pytest.raises(ReadError, match="strips or tiles are not of the size"):
        list(read_bytes(bomb_in_a_strip(kind), kind))


@pytest.mark.parametrize("compression", [8, 50000, 34925, 5])
def test_bytewise_bombs_stop_at_the_expected_size(compression):
    import tracemalloc

    encode = {
        8: zlib.compress,
        50000: imagecodecs.zstd_encode,
        34925: imagecodecs.lzma_encode,
        5: imagecodecs.lzw_encode,
    }[compression]
    body = bytes(encode(bytes(32 * 2**20)))
    whole = tif(100, 100, compression=compression, count=len(body))
    whole = whole[:8] + body + whole[8 + len(body) :]
    tracemalloc.start()
    try:
        with suppress(ReadError):
            list(read_bytes(whole, "bomb"))
        assert tracemalloc.get_traced_memory()[1] < 5 * 2**20 + 3 * len(body)
    finally:
        tracemalloc.stop()


def test_compressions_that_cannot_be_bounded_are_refused():
    with pytest.raises(ReadError, match=r"compression \(50002\) is not supported"):
        list(read_bytes(tif(100, 100, compression=50002, count=5000), "xl"))


@pytest.mark.parametrize(("pages", "back_to"), [(150, 0), (150, 120), (99, 40)])
def test_a_circle_of_tiff_pages(pages, back_to):
    """A chain that leads back, wherever it does: an error, or the pages before, but an end."""
    whole = tif(20, 20, count=400)
    directory, size = whole[408:-4], len(whole) - 408
    links = [408 + size * (k + 1) for k in range(pages - 1)] + [408 + size * back_to]
    data = whole[:408] + b"".join(directory + struct.pack("<I", link) for link in links)
    if pages < 100:
        assert count_of(data) < 100
    else:
        with pytest.raises(ReadError, match="circle"):
            count_of(data)


def count_of(data):
    return sum(1 for _ in read_bytes(data, "chain"))


def test_counting_the_pages_of_an_animation_that_breaks_off(tmp_path):
    """The count itself decodes: what a library raises there is a message, too."""
    path = tmp_path / "a.gif"
    pages = [Image.fromarray(np.full((40, 40), 60 * k, np.uint8)) for k in range(4)]
    pages[0].save(path, save_all=True, append_images=pages[1:])
    whole = path.read_bytes()
    outcomes = set()
    for length in range(len(whole) - 120, len(whole)):
        path.write_bytes(whole[:length])
        try:
            outcomes.add(count_pages(path))
        except ReadError:
            outcomes.add("refused")
    assert "refused" in outcomes


@pytest.mark.parametrize(("dtype", "bits"), [("<u2", 0x7D01), ("<u4", 0x7F800001), ("<u8", 0x7FF0000000000001)])
def test_signaling_nan_becomes_a_quiet_one(tmp_path, dtype, bits):
    """NumPy warns at each use of the former (warnings are errors here)."""
    kind = dtype.replace("u", "f")
    data = np.full((40, 40), 7.0, kind)
    data.view(dtype)[3, 4] = bits
    np.save(tmp_path / "a.npy", data)
    pixels = read_frame(tmp_path / "a.npy").pixels
    assert np.argwhere(np.isnan(pixels.astype(np.longdouble))).tolist() == [[3, 4]]
