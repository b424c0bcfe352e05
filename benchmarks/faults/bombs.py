"""Small files that claim, or unfold to, enormous contents."""

import gzip
import io
import struct
import zlib
from collections.abc import Callable

import imagecodecs
import numpy as np

_SIDES = (1, 17, 4096, 16000, 16384, 20000, 60000, 65535)


def _side(rng: np.random.Generator) -> int:
    return int(rng.choice(_SIDES))


def png(rng: np.random.Generator) -> bytes:
    """A PNG whose header claims any size, kind and depth."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    depth, kind = int(rng.choice([1, 2, 4, 8, 16])), int(rng.choice([0, 2, 3, 4, 6]))
    head = struct.pack(">IIBBBBB", _side(rng), _side(rng), depth, kind, 0, 0, int(rng.integers(2)))
    body = zlib.compress(bytes(int(rng.choice([10, 10**6, 4 * 10**7]))), 9)
    text = zlib.compress(bytes(int(rng.choice([10, 6 * 10**7]))), 9)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + (chunk(b"PLTE", bytes(range(48))) if kind == 3 else b"")
        + chunk(b"zTXt", b"Comment\0\0" + text)
        + chunk(b"IDAT", body)
        + chunk(b"IEND", b"")
    )


def tiff(rng: np.random.Generator) -> bytes:
    """A TIFF of any size whose only strip unfolds to something else."""
    side = int(rng.choice([100, 3000, 6000]))
    blank = np.zeros((side, side), np.uint8)
    coders: dict[int, Callable[[], bytes]] = {
        1: lambda: bytes(1000),
        5: lambda: imagecodecs.lzw_encode(blank.tobytes()),
        7: lambda: imagecodecs.jpeg_encode(blank),
        8: lambda: zlib.compress(blank.tobytes(), 9),
        32773: lambda: imagecodecs.packbits_encode(blank.tobytes()[: 10**6]),
        34712: lambda: imagecodecs.jpeg2k_encode(blank[:2000, :2000]),
        34887: lambda: imagecodecs.lerc_encode(blank),
        34925: lambda: imagecodecs.lzma_encode(blank.tobytes()),
        34933: lambda: imagecodecs.png_encode(blank),
        50000: lambda: imagecodecs.zstd_encode(blank.tobytes()),
        50001: lambda: imagecodecs.webp_encode(np.zeros((2000, 2000, 3), np.uint8), lossless=True),
        50002: lambda: bytes(1000),
    }
    compression = int(rng.choice(list(coders)))
    body = bytes(coders[compression]())
    rows, columns = _side(rng), _side(rng)
    bits, samples = int(rng.choice([1, 8, 12, 16, 32, 64])), int(rng.choice([1, 3, 4, 1000]))
    tags = [
        (256, columns),
        (257, rows),
        (258, bits),
        (259, compression),
        (262, int(rng.choice([0, 1, 2, 6]))),
        (273, 8),
    ]
    tags += [(277, samples), (278, int(rng.choice([rows, 1, 2**32 - 1]))), (279, len(body))]
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    head = struct.pack("<2sHI", b"II", 42, 8 + len(body))
    return head + body + struct.pack("<H", len(tags)) + entries + bytes(4)


def many_pages(rng: np.random.Generator) -> bytes:
    """A TIFF whose pages chain for ever, or by the hundred thousand."""
    entries = b"".join(
        struct.pack("<HHII", t, 4, 1, v) for t, v in ((256, 20), (257, 20), (258, 8), (259, 1), (262, 1))
    )
    entries += b"".join(struct.pack("<HHII", t, 4, 1, v) for t, v in ((273, 8), (277, 1), (278, 20), (279, 400)))
    size = 2 + len(entries) + 4
    count = int(rng.choice([1, 2, 1000, 20000]))
    out = io.BytesIO()
    out.write(struct.pack("<2sHI", b"II", 42, 408) + bytes(range(200)) * 2)
    for k in range(count):
        onward = 408 + size * (k + 1) if k + 1 < count else 408 + size * int(rng.integers(count))
        out.write(struct.pack("<H", 9) + entries + struct.pack("<I", onward))
    return out.getvalue()


def npy(rng: np.random.Generator) -> bytes:
    """An NPY header with any shape, type and length."""
    shape = tuple(int(rng.choice([1, 16, 4096, 10**5, 10**9, 2**63])) for _ in range(int(rng.integers(1, 40))))
    kind = str(rng.choice(["<f8", "<u2", "|O", "<c16", "|V9", "<U9", "|b1", ">f2", "[('a','<f4')]"]))
    described = kind if kind.startswith("[") else repr(kind)
    head = f"{{'descr': {described}, 'fortran_order': {bool(rng.integers(2))}, 'shape': {shape}, }}".encode()
    if rng.random() < 0.2:
        head = b"(" * int(rng.choice([10, 9000])) + head
    head += b" " * ((-len(head) - 11) % 64) + b"\n"
    return b"\x93NUMPY\1\0" + struct.pack("<H", len(head) % 65536) + head + bytes(int(rng.choice([0, 1000, 10**6])))


def mrc(rng: np.random.Generator) -> bytes:
    """An MRC header with any size, mode and extension."""
    head = bytearray(1024)
    nz = int(rng.choice([1, 1000, 2**31 - 1]))
    struct.pack_into("<4i", head, 0, _side(rng), _side(rng), nz, int(rng.choice([0, 1, 2, 3, 6, 12, 101, 77])))
    struct.pack_into("<i", head, 92, int(rng.choice([0, 1024, 2**31 - 1, -5])))
    head[208:216] = b"MAP \x44\x44\0\0"
    return bytes(head) + bytes(int(rng.choice([0, 10**6])))


def gif(rng: np.random.Generator) -> bytes:
    """A GIF whose screen or frame is enormous, or whose frames are countless."""
    frame = b",\0\0\0\0" + struct.pack("<HH", _side(rng) % 65536, _side(rng) % 65536) + b"\0\x02\x02\x44\x01\0"
    screen = struct.pack("<HH", _side(rng) % 65536, _side(rng) % 65536)
    return b"GIF89a" + screen + b"\x80\0\0" + bytes(6) + frame * int(rng.choice([1, 30000])) + b";"


def bmp(rng: np.random.Generator) -> bytes:
    """A BMP with any size, depth and compression."""
    bits = int(rng.choice([1, 4, 8, 16, 24, 32]))
    return struct.pack(
        "<2sIHHIIiiHHIIiiII", b"BM", 54, 0, 0, 54, 40, _side(rng), _side(rng) * int(rng.choice([1, -1])), 1, bits,
        int(rng.choice([0, 1, 2, 3])), 0, 0, 0, int(rng.choice([0, 256, 2**31])), 0,
    ) + bytes(int(rng.choice([100, 10**6])))  # fmt: skip


def webp(rng: np.random.Generator) -> bytes:
    """A WebP with any canvas."""
    side = b"".join(((_side(rng) - 1) % 2**24).to_bytes(3, "little") for _ in range(2))
    return b"RIFF" + struct.pack("<I", 100) + b"WEBPVP8X" + struct.pack("<I", 10) + bytes(4) + side + bytes(70)


def nested(rng: np.random.Generator) -> bytes:
    """Metadata nested deeper than any parser likes, in a TIFF."""
    import tifffile

    deep = int(rng.choice([100, 5000, 100000]))
    text = {0: '{"a":' * deep, 1: "[" * deep, 2: "<OME>" + "<a>" * deep, 3: "a=b\n" * deep}[int(rng.integers(4))]
    entity = '<?xml version="1.0"?><!DOCTYPE o [<!ENTITY a "aaaaaaaaaa">' + "".join(
        f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi")
    )
    if rng.random() < 0.3:
        text = entity + ']><OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06">&i;</OME>'
    out = io.BytesIO()
    data = rng.integers(0, 255, (40, 40)).astype(np.uint8)
    tifffile.imwrite(out, data, description=text, metadata=None, photometric="minisblack")
    return out.getvalue()


def packed(rng: np.random.Generator) -> bytes:
    """An archive where a picture is expected."""
    return gzip.compress(bytes(int(rng.choice([10, 10**7]))))


#: Every bomb, with the ending under which it is laid.
BOMBS: dict[str, tuple[str, Callable[[np.random.Generator], bytes]]] = {
    "png": (".png", png),
    "tiff": (".tif", tiff),
    "pages": (".tif", many_pages),
    "npy": (".npy", npy),
    "mrc": (".mrc", mrc),
    "gif": (".gif", gif),
    "bmp": (".bmp", bmp),
    "webp": (".webp", webp),
    "nested": (".tif", nested),
    "packed": (".tif", packed),
}
