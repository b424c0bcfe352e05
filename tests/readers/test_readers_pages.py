"""``read_pages``: every page of a damaged stack that can be read is read, and the others are told one by one."""

import gc
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

from apertrue.errors import ReadError
from apertrue.frame import Frame
from apertrue.readers import BadPage, ReadOptions, read_frames, read_pages
from apertrue.readers.formats.tiff import TiffPages
from damaged_tiff import spoil


@pytest.fixture
def stack(tmp_path, rng):
    """Five compressed pages, each a picture of its own."""
    path = tmp_path / "stack.tif"
    with tifffile.TiffWriter(path) as tif:
        for k in range(5):
            pixels = rng.integers(0, 4000, (48, 64), dtype=np.uint16) + np.uint16(k)
            tif.write(pixels, compression="zlib", photometric="minisblack", metadata=None)
    return path


def kinds(found):
    return ["bad" if isinstance(f, BadPage) else "page" for f in found]


def still_open(path):
    """Whether this process holds the file open."""
    place = Path("/proc/self/fd")
    if not place.is_dir():
        pytest.skip("this system does not tell which files are open")
    return str(path) in {str(f.readlink()) for f in place.iterdir() if f.exists()}


def test_a_whole_stack_gives_what_read_frames_gives(stack):
    for one, other in zip(read_pages(stack), read_frames(stack), strict=True):
        assert isinstance(one, Frame)
        assert np.array_equal(one.pixels, other.pixels)
        assert (one.page, one.file, one.digest, one.taken_at) == (other.page, other.file, other.digest, other.taken_at)


@pytest.mark.parametrize("bad", [(0,), (2,), (4,), (0, 1, 3), (0, 1, 2, 3, 4)])
def test_a_damaged_page_takes_no_other_along(stack, bad):
    whole = {f.page: f.pixels for f in read_frames(stack)}
    spoil(stack, *bad)
    found = list(read_pages(stack))
    assert [f.page for f in found] == [0, 1, 2, 3, 4]
    assert [f.page for f in found if isinstance(f, BadPage)] == list(bad)
    for f in found:
        if isinstance(f, BadPage):
            assert isinstance(f.error, ReadError)
            assert "damaged" in f.error.reason
            assert f.error.file == str(stack)
        else:
            assert np.array_equal(f.pixels, whole[f.page])


def test_a_page_that_is_too_large_is_told_like_a_damaged_one(tmp_path, rng):
    path = tmp_path / "sizes.tif"
    with tifffile.TiffWriter(path) as tif:
        for side in (48, 64, 40):
            tif.write(rng.integers(0, 4000, (side, side), dtype=np.uint16), photometric="minisblack", metadata=None)
    found = list(read_pages(path, options=ReadOptions(max_pixels=50 * 50)))
    assert kinds(found) == ["page", "bad", "page"]
    assert "more than the limit" in found[1].error.reason


def test_from_one_page_to_another(stack):
    spoil(stack, 2)
    assert [f.page for f in read_pages(stack, first=1, last=3)] == [1, 2, 3]
    assert kinds(read_pages(stack, first=2)) == ["bad", "page", "page"]
    assert kinds(read_pages(stack, first=5)) == []
    (beyond,) = read_pages(stack, first=7, last=7)
    assert beyond.page == 7
    assert "there is no page 7" in beyond.error.reason


def test_what_cannot_be_opened_or_has_no_other_page_is_told_without_a_number(tmp_path, stack, gray16):
    text, cut = tmp_path / "text.tif", tmp_path / "cut.tif"
    text.write_text("no picture", encoding="utf-8")
    cut.write_bytes(stack.read_bytes()[:4])
    single = tmp_path / "single.tif"
    tifffile.imwrite(single, gray16, compression="zlib")
    spoil(single, 0)
    for path in (tmp_path / "nowhere.tif", tmp_path, text, cut, single):
        (found,) = read_pages(path, display_name="shown")
        assert found.page is None
        assert isinstance(found.error, ReadError)
        assert found.error.file == "shown"


def lead(path, page, target):
    """Let a page's link to the next one lead to the byte ``target``."""
    with tifffile.TiffFile(path) as tif:
        link = tif.pages[page].offset + tif.tiff.tagnosize + len(tif.pages[page].tags) * tif.tiff.tagsize
    data = bytearray(path.read_bytes())
    data[link : link + 4] = target.to_bytes(4, "little")
    path.write_bytes(data)


def test_pages_that_cannot_be_counted_are_told_once(tmp_path, rng):
    path = tmp_path / "circle.tif"
    with tifffile.TiffWriter(path) as tif:
        for _ in range(120):
            tif.write(rng.integers(0, 99, (16, 16), dtype=np.uint8), photometric="minisblack", metadata=None)
    assert kinds(read_pages(path)) == ["page"] * 120
    with tifffile.TiffFile(path) as tif:
        first = tif.pages[0].offset
    lead(path, 119, first)
    (found,) = read_pages(path)
    assert found.page is None
    assert "lead in a circle" in found.error.reason


def test_a_link_into_nonsense_is_one_bad_page(stack):
    lead(stack, 2, 10)
    found = list(read_pages(stack))
    assert [f.page for f in found] == [0, 1, 2, 3]
    assert kinds(found) == ["page", "page", "page", "bad"]


def test_a_file_cut_off_midway_ends_in_bad_pages_not_in_an_exception(stack):
    with tifffile.TiffFile(stack) as tif:
        keep = tif.pages[2].dataoffsets[0] + 10
    reading = read_pages(stack)
    first = next(reading)
    with stack.open("r+b") as file:
        file.truncate(keep)
    rest = list(reading)
    assert isinstance(first, Frame)
    assert [f.page for f in rest] == [1, 2, 3, 4]
    assert kinds(rest)[1:] == ["bad"] * 3


@pytest.mark.skipif(sys.platform == "win32", reason="an open file can't be deleted there")
def test_a_file_deleted_midway_is_read_to_its_end(stack):
    reading = read_pages(stack)
    next(reading)
    stack.unlink()
    assert kinds(reading) == ["page"] * 4


def test_the_file_is_opened_once_however_many_pages_are_damaged(stack, monkeypatch):
    import apertrue.readers.api as api

    opened = []
    whole = api.open_path
    monkeypatch.setattr(api, "open_path", lambda *a, **k: opened.append(a) or whole(*a, **k))
    spoil(stack, 0, 1, 3)
    assert kinds(read_pages(stack)) == ["bad", "bad", "page", "bad", "page"]
    assert len(opened) == 1


def test_closed_midway_the_file_is_let_go(stack):
    reading = read_pages(stack)
    next(reading)
    assert still_open(stack)
    reading.close()
    assert not still_open(stack)
    spoil(stack, 0)
    reading = read_pages(stack)
    assert isinstance(next(reading), BadPage)
    reading.close()
    gc.collect()
    assert not still_open(stack)


def test_memory_that_runs_out_over_one_page_is_that_pages_matter(stack, monkeypatch):
    whole = TiffPages.read

    def read(self, page):
        if page == 1:
            raise MemoryError
        return whole(self, page)

    monkeypatch.setattr(TiffPages, "read", read)
    found = list(read_pages(stack))
    assert kinds(found) == ["page", "bad", "page", "page", "page"]
    assert "not enough memory" in found[1].error.reason


@pytest.mark.parametrize("asked", [KeyboardInterrupt, SystemExit])
def test_whoever_stops_the_program_stops_it(stack, monkeypatch, asked):
    def read(self, page):
        raise asked

    monkeypatch.setattr(TiffPages, "read", read)
    reading = read_pages(stack)
    with pytest.raises(asked):
        next(reading)
    assert not still_open(stack)
