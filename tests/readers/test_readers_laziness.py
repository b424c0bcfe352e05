"""Nothing is imported, read or computed before it is needed."""

import subprocess
import sys
import tracemalloc

import mrcfile
import numpy as np
import pytest
import tifffile

from apertrue.readers import count_pages, read_frame
from apertrue.readers.digest import digest

HEAVY = ("tifffile", "PIL", "imageio", "mrcfile", "imagecodecs", "rsciio", "scipy", "skimage", "xml.etree")


def imported_after(code):
    script = f"import sys\n{code}\nprint(*[m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return done.stdout.split()


def test_importing_the_readers_imports_no_library():
    assert imported_after("import apertrue.readers") == []


def test_each_format_imports_its_own_library_only(tmp_path, gray16):
    np.save(tmp_path / "a.npy", gray16)
    with mrcfile.new(tmp_path / "a.mrc") as mrc:
        mrc.set_data(gray16)
    read = "from apertrue.readers import *\nread_frame({!r})"
    assert imported_after(read.format(str(tmp_path / "a.npy"))) == []
    assert imported_after(read.format(str(tmp_path / "a.mrc"))) == ["mrcfile"]
    assert imported_after(f"from apertrue.readers import *\nlist(expand([{str(tmp_path)!r}]))") == []


@pytest.mark.parametrize("compression", [None, "zlib"])
def test_plain_and_zlib_tiff_load_no_codec_library_but_zlib(tmp_path, gray16, compression):
    tifffile.imwrite(tmp_path / "a.tif", gray16, compression=compression)
    code = f"from apertrue.readers import read_frame\nread_frame({str(tmp_path / 'a.tif')!r})"
    # tifffile imports imagecodecs' thin front; its codecs are loaded one by one.
    assert set(imported_after(code)) <= {"tifffile", "imagecodecs", "xml.etree"}
    script = f"import sys\n{code}\nprint(*sorted(m for m in sys.modules if m.startswith('imagecodecs._')))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert set(done.stdout.split()) <= {f"imagecodecs._{m}" for m in ("shared", "shared_cython", "zlib", "deflate")}


GIB = 2**30


def sparse_tiff(path):
    """5 GiB of 16-bit pages; only the last one is written to, the rest is a hole in the file."""
    page = np.arange(512 * 512, dtype=np.uint16).reshape(512, 512)
    count = 5 * GIB // page.nbytes
    with tifffile.TiffWriter(path, bigtiff=True) as writer:
        writer.write(shape=(1, 512, 512), dtype="u2", photometric="minisblack", metadata={"shape": [count, 512, 512]})
    with tifffile.TiffFile(path) as tif:
        offset = tif.pages[0].dataoffsets[0]
    return count, offset, page


def sparse_npy(path):
    page = np.arange(512 * 512, dtype=np.uint16).reshape(512, 512)
    count = 5 * GIB // page.nbytes
    with path.open("wb") as handle:
        np.lib.format.write_array_header_1_0(
            handle, {"descr": "<u2", "fortran_order": False, "shape": (count, 512, 512)}
        )
        return count, handle.tell(), page


def sparse_mrc(path):
    page = np.arange(512 * 512, dtype=np.uint16).reshape(512, 512)
    count = 5 * GIB // page.nbytes
    with mrcfile.new(path) as mrc:
        mrc.set_data(page[None])
        mrc.header.nz = count
    return count, 1024, page


@pytest.mark.parametrize("kind", ["tif", "npy", "mrc"])
def test_a_page_of_a_5_gib_stack_costs_a_page(tmp_path, kind):
    path = tmp_path / f"a.{kind}"
    count, offset, page = {"tif": sparse_tiff, "npy": sparse_npy, "mrc": sparse_mrc}[kind](path)
    with path.open("r+b") as handle:
        handle.truncate(offset + count * page.nbytes)
        handle.seek(offset + (count - 1) * page.nbytes)
        handle.write(page.tobytes())
    if path.stat().st_blocks * 512 > GIB:
        pytest.skip("this file system has no sparse files")
    read_frame(path, 0)  # imports are not the pages' cost
    tracemalloc.start()
    try:
        assert count_pages(path) == count
        frame = read_frame(path, count - 1)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    np.testing.assert_array_equal(frame.pixels, page)
    assert peak < 12 * page.nbytes
    path.unlink()


def test_digest_notices_every_pixel(rng):
    pixels = rng.integers(0, 65535, (97, 103), dtype=np.uint16)
    seen = {digest(pixels)}
    assert digest(pixels.copy()) in seen
    for _ in range(200):
        changed = pixels.copy()
        y, x = rng.integers(0, 97), rng.integers(0, 103)
        changed[y, x] ^= 1 << int(rng.integers(0, 16))
        seen.add(digest(changed))
    # Two draws may hit the same bit; each distinct picture has a digest of its own.
    assert len(seen) > 195
    assert digest(pixels.T) not in seen
    assert digest(pixels[::-1]) not in seen
    assert digest(np.roll(pixels, 1, axis=0)) not in seen
    assert digest(np.roll(pixels, 1, axis=1)) not in seen
    assert digest(pixels.reshape(103, 97)) not in seen
    assert digest(pixels.view(np.int16)) not in seen


def test_digest_of_small_and_strided_arrays(rng):
    pixels = rng.random((40, 60))
    assert digest(pixels[:16, :16]) == digest(pixels[:16, :16].copy())
    assert digest(pixels[::2, ::3]) == digest(np.ascontiguousarray(pixels[::2, ::3]))


def test_digest_is_the_same_whatever_the_container(tmp_path, gray16):
    np.save(tmp_path / "a.npy", gray16.astype(">u2"))
    tifffile.imwrite(tmp_path / "a.tif", gray16, compression="lzw")
    assert read_frame(tmp_path / "a.npy").digest == read_frame(tmp_path / "a.tif").digest
