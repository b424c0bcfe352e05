"""TIFF: classic and BigTIFF, both byte orders, strips and tiles, multi-page, OME-TIFF and ImageJ hyperstacks.

Specifications: "TIFF, Revision 6.0" (1992); its supplements 1 and 2; BigTIFF (libtiff's design page); OME Data Model
and File Formats 2016-06; the ImageJ user guide's description of hyperstacks. tifffile decodes.

A page is one stored picture (IFD). Reduced copies (pyramids, thumbnails) and masks are no pages. Stacks over 4 GiB
that ImageJ writes have a single IFD and all pictures one after another behind it; those are pages, too. Pictures of an
OME data set that lie in other files are not followed.
"""

from math import prod
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from ..guard import check_shape, check_stored
from ..metadata.tiff_tags import facts_of_page
from ..options import ReadOptions
from ..page import RawPage
from ..source import Source
from . import _segments
from ._blocks import read_block

#: The most that a compression can expand: PackBits; Deflate (zlib's technical details); LZW with 12-bit codes.
_RATIOS = {32773: 64.5, 8: 1040.0, 32946: 1040.0, 50013: 1040.0, 5: 3000.0}
_NONE, _LOSSY = 1, {6, 7, 33007, 34892, 50001}
_MIN_IS_WHITE, _MIN_IS_BLACK, _RGB, _PALETTE, _MASK, _CFA = 0, 1, 2, 3, 4, 32803
_YCBCR = 6
_RESAVE = "Save the picture again as gray or RGB TIFF"
#: Files with more pages than this are not searched for reduced copies, unless the second page is one.
_FEW = 64
#: In chains of fewer pages tifffile finds a circle itself and stops there.
_NOTICED = 100


class TiffPages:
    """An opened TIFF file."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        self.source, self.options = source, options
        source.handle.seek(0)
        # A name without folders: tifffile must not look for companion files.
        self.tif: Any = tifffile.TiffFile(source.handle, name="picture.tif")
        self._check_chain()
        total = len(self.tif.pages)
        if total == 0:
            raise source.truncated()
        self.ifds: list[int] | range = range(total)
        if total > 1 and (total <= _FEW or _is_copy(self.tif.pages[1])):
            self.ifds = [i for i in range(total) if not _is_copy(self.tif.pages[i])] or [0]
        first = self.tif.pages[self.ifds[0]].aspage()
        self.followers = self._followers(first) if len(self.ifds) == 1 else 1

    def _check_chain(self) -> None:
        """Refuse pages that lead back to earlier ones: tifffile notices that within 100 pages, then counts for ever."""
        form, read, seek = self.tif.tiff, self.source.handle.read, self.source.handle.seek
        size = form.tagnosize
        at = int(self.tif.pages.first.offset)
        seen: set[int] = set()
        while at and at not in seen:
            seen.add(at)
            seek(at)
            count = int.from_bytes(read(size), "little" if self.tif.byteorder == "<" else "big")
            seek(at + size + count * form.tagsize)
            at = int.from_bytes(read(form.offsetsize), "little" if self.tif.byteorder == "<" else "big")
        if at and len(seen) >= _NOTICED:
            raise self.source.error("its pages lead in a circle", _RESAVE)

    def _followers(self, first: Any) -> int:
        """How many pictures lie one after another behind the only IFD."""
        described = 1
        if self.tif.is_imagej:
            described = int((self.tif.imagej_metadata or {}).get("images", 1) or 1)
        elif self.tif.is_shaped:
            stated: Any = (self.tif.shaped_metadata or ({},))[0]
            shape = tuple(stated.get("shape", ()))
            page = tuple(first.shape)
            if len(shape) > len(page) and shape[-len(page) :] == page:
                described = prod(shape[: -len(page)])
        if described > 1 and first.is_contiguous and first.compression == _NONE and first.nbytes > 0:
            return described
        return 1

    def __len__(self) -> int:
        return self.followers if self.followers > 1 else len(self.ifds)

    def read(self, page: int, /) -> RawPage:
        """Picture number ``page``."""
        ifd = self.tif.pages[self.ifds[0 if self.followers > 1 else page]].aspage()
        self._check(ifd)
        if self.followers > 1 and page > 0:
            dtype = np.dtype(self.tif.byteorder + ifd.dtype.char)
            pixels = read_block(self.source, ifd.dataoffsets[0], page, dtype, tuple(ifd.shape))
        else:
            pixels = ifd.asarray()
        facts = facts_of_page(self.tif, ifd, self.ifds[0], page)
        return self._as_page(pixels, ifd, facts)

    def _check(self, ifd: Any) -> None:
        """Size and storage, before anything is decoded."""
        if ifd.dtype is None:
            raise self.source.error(
                f"its samples ({ifd.bitspersample} bits, format {ifd.sampleformat}) are of no known kind", _RESAVE
            )
        if ifd.dtype.kind == "c":
            raise self.source.error("it holds complex numbers", "Save their magnitude, or the real picture")
        if ifd.imagedepth > 1:
            raise self.source.error("its pages are volumes, not pictures", "Save it as a stack of pages")
        check_shape(
            self.source,
            self.options,
            ifd.imagelength,
            ifd.imagewidth,
            ifd.samplesperpixel,
            ifd.dtype.itemsize,
        )
        needed = (ifd.imagelength * ifd.imagewidth * ifd.samplesperpixel * ifd.bitspersample) // 8
        if ifd.is_subsampled:
            needed //= 6
        if ifd.compression == _NONE:
            check_stored(self.source, needed)
        elif ifd.compression in _RATIOS:
            check_stored(self.source, needed, _RATIOS[ifd.compression])
        offsets, counts = ifd.dataoffsets, ifd.databytecounts
        if not offsets or len(offsets) != len(counts) or len(offsets) < prod(ifd.chunked):
            raise self.source.truncated()
        for offset, count in zip(offsets, counts, strict=True):
            # Empty strips would silently become black.
            if offset <= 0 or count <= 0 or offset + count > self.source.size:
                raise self.source.truncated()
        self._check_segments(ifd)

    def _check_segments(self, ifd: Any) -> None:
        """Strips and tiles that are pictures themselves may not be larger than the page says."""
        compression = int(ifd.compression)
        if compression in _segments.BOUNDED:
            return
        if compression not in _segments.OWN_SIZE:
            raise self.source.error(
                f"its compression ({compression}) is not supported", "Save it without compression or with Deflate"
            )
        rows = int(ifd.tilelength) if ifd.is_tiled else min(int(ifd.rowsperstrip), int(ifd.imagelength))
        columns = int(ifd.tilewidth) if ifd.is_tiled else int(ifd.imagewidth)
        for offset, count in zip(ifd.dataoffsets, ifd.databytecounts, strict=True):
            head = self.source.block(offset, min(count, _segments.HEAD_BYTES))
            size = _segments.own_size(compression, head)
            # A coder may fill up to whole blocks of 16 px.
            if size is None or not (0 < size[0] < rows + 16 and 0 < size[1] < columns + 16):
                raise self.source.error("its strips or tiles are not of the size it states", _RESAVE)

    def _as_page(self, pixels: NDArray[Any], ifd: Any, facts: Any) -> RawPage:
        photometric, bits = int(ifd.photometric), int(ifd.bitspersample)
        samples = int(ifd.samplesperpixel)
        if samples > 1 and int(ifd.planarconfig) == 2:
            pixels = np.moveaxis(pixels.reshape(samples, ifd.imagelength, ifd.imagewidth), 0, -1)
        pixels = pixels.reshape(ifd.imagelength, ifd.imagewidth, *((samples,) if samples > 1 else ()))
        compression = int(ifd.compression)
        lossy = compression in _LOSSY
        display = False
        if photometric == _PALETTE:
            pixels, display = self._with_palette(pixels if samples == 1 else pixels[..., 0], ifd)
        elif photometric == _YCBCR and compression in (6, 7, 34892):
            display = bits <= 8  # decoded to RGB on the way
        elif photometric == _RGB:
            display = bits <= 8
        elif photometric in (_MIN_IS_WHITE, _MIN_IS_BLACK, _MASK, _CFA):
            pixels = pixels if samples == 1 else pixels[..., 0]  # further samples are alpha or other channels
        else:
            raise self.source.error(f"its color space (photometric {photometric}) is not supported", _RESAVE)
        kind, container = pixels.dtype.kind, pixels.dtype.itemsize * 8
        saturation = float(2**bits - 1) if kind == "u" and photometric != _PALETTE and bits < container else None
        raw = RawPage(
            pixels,
            facts,
            saturation=saturation or _stated_maximum(ifd, pixels.dtype),
            display=display or (lossy and bits <= 8),
            lossy=lossy,
            inverted=photometric == _MIN_IS_WHITE,
        )
        return raw.oriented(int(ifd.tags.valueof(274, 1)))

    def _with_palette(self, pixels: NDArray[Any], ifd: Any) -> tuple[NDArray[Any], bool]:
        """Through the color map; a gray ramp is left as it is. Also: whether it is a display picture."""
        colors = ifd.colormap
        if colors is None or colors.shape[0] != 3 or int(pixels.max(initial=0)) >= colors.shape[1]:
            raise self.source.error("its color map does not fit its pixels", _RESAVE)
        steps = np.diff(colors[0].astype(np.int64))
        gray = np.array_equal(colors[0], colors[1]) and np.array_equal(colors[0], colors[2])
        if gray and steps.size and steps[0] > 0 and (steps == steps[0]).all():
            return pixels, False
        return np.moveaxis(np.take(colors, pixels, axis=1), 0, -1), True

    def close(self) -> None:
        """Close tifffile's view; the source closes the handle."""
        self.tif.close()


def _is_copy(ifd: Any) -> bool:
    page = ifd.aspage()
    return bool(page.is_reduced or page.is_mask)


def _stated_maximum(ifd: Any, dtype: np.dtype[Any]) -> float | None:
    """SMaxSampleValue or MaxSampleValue where it is a converter's full scale (2ᵏ − 1), not a picture's maximum."""
    if dtype.kind != "u":
        return None
    for tag in (341, 281):
        value = ifd.tags.valueof(tag)
        value = max(value) if isinstance(value, tuple) and value else value
        if isinstance(value, int | float) and value == int(value):
            whole = int(value)
            if 255 < whole < np.iinfo(dtype).max and whole & (whole + 1) == 0:
                return float(whole)
    return None


def open_pages(source: Source, options: ReadOptions) -> TiffPages:
    """Open a TIFF file."""
    return TiffPages(source, options)
