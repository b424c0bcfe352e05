"""Good small files of every kind that apertrue reads: what the broken ones are made from.

Each shows the same off-center disc, so that what survives its mutation is really measured. All are made here, by the
libraries' own writers; a kind whose writer is missing is left out.
"""

import io
import json
import sqlite3
import struct
import tempfile
import zlib
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

ROWS, COLUMNS = 72, 96


@cache
def disc() -> NDArray[np.uint16]:
    """A beam in its aperture, 12-bit levels, shape (72, 96)."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    hole = 1 / (1 + np.exp((np.hypot(x - 47.0, y - 36.0) - 30.0) / 0.8))
    beam = 1 / (1 + np.exp((np.hypot(x - 49.0, y - 34.0) - 24.0) / 0.8))
    return np.clip(rng.poisson(60 + hole * (80 + 2400 * beam)), 0, 4095).astype(np.uint16)


def _eight() -> NDArray[np.uint8]:
    return (disc() >> 4).astype(np.uint8)


def _color() -> NDArray[np.uint8]:
    return np.stack([_eight(), _eight() // 2, _eight() // 3], axis=-1)


def _stack(pages: int = 3) -> NDArray[np.uint16]:
    return np.stack([np.roll(disc(), 2 * k, axis=1) for k in range(pages)])


def _tiff(data: NDArray[Any], **how: Any) -> bytes:
    out = io.BytesIO()
    shape = {k: how.pop(k) for k in ("bigtiff", "byteorder", "imagej", "ome") if k in how}
    with tifffile.TiffWriter(out, **shape) as writer:
        writer.write(data, **{"photometric": "minisblack", **how})
    return out.getvalue()


def _npy(data: NDArray[Any]) -> bytes:
    out = io.BytesIO()
    np.save(out, data)
    return out.getvalue()


def _mrc(data: NDArray[Any], mode: int, order: str = "<", extended: bytes = b"") -> bytes:
    """MRC2014 by hand: every field in its place."""
    pages, rows, columns = data.shape if data.ndim == 3 else (1, *data.shape)
    if mode == 101:
        columns *= 2
    head = struct.pack(f"{order}10i", columns, rows, pages, mode, 0, 0, 0, columns, rows, pages)
    head += struct.pack(f"{order}6f3i", columns, rows, pages, 90, 90, 90, 1, 2, 3)
    head += struct.pack(f"{order}3f2i", 0, 4095, 500, 0, len(extended)) + bytes(100)
    head += struct.pack(f"{order}3f", 0, 0, 0) + b"MAP " + (b"\x44\x44\0\0" if order == "<" else b"\x11\x11\0\0")
    head += struct.pack(f"{order}fi", 3.0, 1) + b"high tension = 200 kV".ljust(800)
    return head + extended + data.astype(data.dtype.newbyteorder(order)).tobytes()


def _pillow(picture: Image.Image, kind: str, **how: Any) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **how)
    return out.getvalue()


def _with_exif(kind: str) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[306] = "2026:03:14 09:26:53"
    exif.get_ifd(0x8769)[33434] = 0.5
    return _pillow(Image.fromarray(_eight()), kind, exif=exif)


def _png16color() -> bytes:
    from imagecodecs import png_encode

    return bytes(png_encode(np.stack([disc() << 4] * 3, axis=-1)))


def _png_text() -> bytes:
    """Text in front of the pixels and behind them, compressed and plain; gamma; interlaced by hand it is not."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in disc())
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", COLUMNS, ROWS, 16, 0, 0, 0, 0))
        + chunk(b"gAMA", struct.pack(">I", 100000))
        + chunk(b"zTXt", b"Comment\0\0" + zlib.compress(b"kv = 200\nexposure = 40 ms\n" * 20))
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"tEXt", b"magnification\x005000")
        + chunk(b"IEND", b"")
    )


def _animation(kind: str) -> bytes:
    pages = [Image.fromarray((p >> 4).astype(np.uint8)) for p in _stack()]
    return _pillow(pages[0], kind, save_all=True, append_images=pages[1:], duration=50)


def _picture_makers() -> dict[str, Callable[[], bytes]]:
    gray, eight = Image.fromarray(_eight()), _eight()
    described = json.dumps({"HighTension": "200 kV", "Exposure": "0.5 s", "Acquired": "2026-03-14T09:26:53+01:00"})
    stated = "unit=um\nimages=3\nslices=3\nhyperstack=true\n"
    makers: dict[str, Callable[[], bytes]] = {
        "plain.tif": lambda: _tiff(disc(), description=described),
        "big-endian.tif": lambda: _tiff(disc(), byteorder=">", rowsperstrip=7),
        "bigtiff.tif": lambda: _tiff(_stack(), bigtiff=True),
        "float.tif": lambda: _tiff(disc().astype(np.float32)),
        "half.tif": lambda: _tiff(disc().astype(np.float16), metadata=None),
        "signed.tif": lambda: _tiff(disc().astype(np.int16)),
        "bits.tif": lambda: _tiff(_eight() > 60, photometric="miniswhite"),
        "twelve-bit.tif": lambda: _packed_tiff(),
        "rgb.tif": lambda: _tiff(_color(), photometric="rgb"),
        "planar.tif": lambda: _tiff(np.moveaxis(_color(), -1, 0), photometric="rgb", planarconfig="separate"),
        "palette.tif": lambda: _tiff(eight, photometric="palette", colormap=np.zeros((3, 256), np.uint16) + 7),
        "stack.tif": lambda: _tiff(_stack(), metadata={"axes": "ZYX"}),
        "hyperstack.tif": lambda: _tiff(_stack(), imagej=True, metadata={"Info": stated}),
        "ome.tif": lambda: _tiff(_stack(), ome=True, metadata={"axes": "TYX", "TimeIncrement": 0.5}),
        "pyramid.tif": _pyramid,
        "dated.tif": lambda: _tiff(disc(), datetime="2026:03:14 09:26:53", extratags=[(33434, "f", 1, 0.5, False)]),
        "predictor.tif": lambda: _tiff(disc(), compression="zlib", predictor=True, tile=(16, 32)),
        "npy-2d.npy": lambda: _npy(disc()),
        "npy-stack.npy": lambda: _npy(_stack().astype(np.float32)),
        "npy-fortran.npy": lambda: _npy(np.asfortranarray(_stack())),
        "npy-color.npy": lambda: _npy(_color()),
        "npy-big-endian.npy": lambda: _npy(disc().astype(">u2")),
        "mode0.mrc": lambda: _mrc((disc() >> 5).astype(np.int8), 0),
        "mode1.mrc": lambda: _mrc(_stack().astype(np.int16), 1, extended=b"x" * 512),
        "mode2.mrc": lambda: _mrc(disc().astype(np.float32), 2, ">"),
        "mode6.mrcs": lambda: _mrc(_stack(), 6),
        "mode12.mrc": lambda: _mrc(disc().astype(np.float16), 12),
        "mode101.mrc": lambda: _mrc((eight[:, 0::2] >> 4) | (eight[:, 1::2] & 0xF0), 101),
        "gray8.png": lambda: _pillow(gray, "PNG"),
        "gray16.png": _png_text,
        "color16.png": _png16color,
        "palette.png": lambda: _pillow(Image.fromarray(_color()).quantize(32), "PNG"),
        "alpha.png": lambda: _pillow(Image.fromarray(_color()).convert("RGBA"), "PNG"),
        "bits.png": lambda: _pillow(gray.convert("1"), "PNG"),
        "exif.png": lambda: _with_exif("PNG"),
        "gray.jpg": lambda: _with_exif("JPEG"),
        "progressive.jpg": lambda: _pillow(Image.fromarray(_color()), "JPEG", progressive=True, comment=b"kv = 200"),
        "cmyk.jpg": lambda: _pillow(Image.fromarray(_color()).convert("CMYK"), "JPEG"),
        "still.gif": lambda: _pillow(gray, "GIF", comment=b"spot size: 3"),
        "animated.gif": lambda: _animation("GIF"),
        "lossy.webp": lambda: _with_exif("WEBP"),
        "lossless.webp": lambda: _pillow(Image.fromarray(_color()), "WEBP", lossless=True),
        "animated.webp": lambda: _animation("WEBP"),
        "gray.bmp": lambda: _pillow(gray, "BMP"),
        "color.bmp": lambda: _pillow(Image.fromarray(_color()), "BMP"),
        "bits.bmp": lambda: _pillow(gray.convert("1"), "BMP"),
    }
    for compression in ("zlib", "lzw", "packbits", "zstd", "lzma", "jpeg2000", "webp", "lerc", "png", "jpeg"):
        data = _color() if compression == "webp" else eight
        colors = "rgb" if compression == "webp" else "minisblack"
        makers[f"{compression}.tif"] = lambda c=compression, d=data, p=colors: _tiff(
            d, compression=c, photometric=p, rowsperstrip=16 if c in ("zlib", "lzw", "packbits", "zstd") else None
        )
    return makers


def _packed_tiff() -> bytes:
    """Twelve bits a pixel, as cameras pack them."""
    a, b = disc()[:, 0::2].astype(np.uint32), disc()[:, 1::2].astype(np.uint32)
    packed = np.stack([a >> 4, ((a & 15) << 4) | (b >> 8), b & 255], axis=-1).astype(np.uint8).tobytes()
    tags = [(256, COLUMNS), (257, ROWS), (258, 12), (259, 1), (262, 1), (273, 8), (277, 1), (278, ROWS)]
    tags.append((279, len(packed)))
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    head = struct.pack("<2sHI", b"II", 42, 8 + len(packed))
    return head + packed + struct.pack("<H", len(tags)) + entries + bytes(4)


def _pyramid() -> bytes:
    out = io.BytesIO()
    with tifffile.TiffWriter(out) as writer:
        writer.write(disc(), photometric="minisblack")
        writer.write(disc()[::2, ::2].copy(), photometric="minisblack", subfiletype=1)
    return out.getvalue()


def _further() -> dict[str, bytes]:
    """Files of the optional reading package, by those of its writers that need nothing more."""
    found: dict[str, bytes] = {}
    try:
        from rsciio import IO_PLUGINS
    except ImportError:
        return found
    import importlib

    from apertrue.readers.formats import more

    axes = [
        {"size": n, "offset": 0.0, "scale": 1.0, "units": "px", "name": a, "navigate": False, "index_in_array": i}
        for i, (a, n) in enumerate((("y", ROWS), ("x", COLUMNS)))
    ]
    for plugin in IO_PLUGINS:
        for ending in plugin["file_extensions"]:
            name = f"further.{ending}"
            if not plugin["writes"] or ending != ending.lower() or not more.claims(Path(name)):
                continue
            signal = {
                "data": disc().astype(np.float32),
                "axes": [dict(axis) for axis in axes],
                "metadata": {"General": {"title": "t"}, "Signal": {"signal_type": ""}},
                "original_metadata": {},
                "attributes": {"_lazy": False},
                "package": "p",
                "package_version": "0",
            }
            with tempfile.TemporaryDirectory() as folder, suppress(Exception):
                path = Path(folder) / name
                importlib.import_module(plugin["api"]).file_writer(str(path), signal)
                found[name] = path.read_bytes()
    for ending in sorted(more._plugins()):  # any content under an ending that a plug-in claims
        found.setdefault(f"claimed{ending}", _tiff(disc())[:4096] + bytes(range(256)) * 8)
    return found


def _texts() -> dict[str, bytes]:
    from datetime import UTC, datetime

    from apertrue.calibration import Calibration, StateKey, save_calibrations
    from apertrue.instrument import Instrument, dumps_instrument
    from apertrue.session import add_event, open_log

    sheet = (
        "file;page;taken_at;gun_shift_x;gun_shift_y;kv;focus_side;current;note\r\n"
        '"a.tif";0;2026-03-14T09:26:53+01:00;0,12;-1.5;200;positive;35;"said ""so"""\r\n'
        "b.tif;;;;;;;;\r\n"
    )
    found = {
        "sheet.csv": sheet.encode("utf-8-sig"),
        "microscope.toml": dumps_instrument(Instrument()).encode(),
    }
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        when = datetime(2026, 3, 14, tzinfo=UTC)
        covariance = tuple(tuple(0.01 if i == j else 0.0 for j in range(4)) for i in range(4))
        kept = Calibration(((1.0, 0.1), (-0.1, 1.0)), covariance, StateKey(focus_side="positive"), when, None, 4)
        save_calibrations(place / "m.calibrations.json", [kept])
        found["m.calibrations.json"] = (place / "m.calibrations.json").read_bytes()
        with open_log(place / "log.sqlite") as store:
            for i in range(30):
                add_event(store, "note", values={"note": f"entry {i} " + "x" * 100})
        db = sqlite3.connect(place / "log.sqlite")
        db.execute("pragma journal_mode = delete")  # one file, without the write-ahead log beside it
        db.close()
        found["log.sqlite"] = (place / "log.sqlite").read_bytes()
    return found


@cache
def seeds() -> dict[str, bytes]:
    """Name (its ending tells the kind) → the good file's bytes, in a fixed order."""
    made = {name: make() for name, make in _picture_makers().items()}
    return {**made, **_further(), **_texts()}
