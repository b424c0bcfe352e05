"""Ways to break a file. Each takes its bytes and a random generator, and gives other bytes; all are reproducible."""

import struct
import zlib
from collections.abc import Callable
from contextlib import suppress

import numpy as np

#: Numbers that headers are known to be misread with.
_ABSURD = (
    0,
    1,
    2,
    3,
    15,
    16,
    127,
    128,
    255,
    256,
    2**15 - 1,
    2**15,
    2**16 - 1,
    2**16,
    2**24,
    2**31 - 1,
    2**31,
    2**32 - 1,
)
_LONGEST = 1 << 20

Way = Callable[[bytes, np.random.Generator], bytes]


def flips(data: bytes, rng: np.random.Generator) -> bytes:
    """One to sixteen bits turned over, anywhere."""
    out = bytearray(data)
    for at in rng.integers(0, len(out), rng.integers(1, 17)):
        out[at] ^= 1 << int(rng.integers(8))
    return bytes(out)


def header(data: bytes, rng: np.random.Generator) -> bytes:
    """One to eight bytes of the first 512 replaced."""
    out = bytearray(data)
    for at in rng.integers(0, min(len(out), 512), rng.integers(1, 9)):
        out[at] = int(rng.integers(256))
    return bytes(out)


def absurd(data: bytes, rng: np.random.Generator) -> bytes:
    """A number of 2, 4 or 8 bytes, of either byte order, replaced by one of those that break parsers."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 4))):
        size = int(rng.choice([2, 4, 8]))
        reach = len(out) if rng.random() < 0.3 else min(len(out), 1024)
        if reach <= size:
            continue
        at = int(rng.integers(0, reach - size)) & ~1
        number = int(rng.choice(_ABSURD)) % (1 << 8 * size)
        if rng.random() < 0.2:
            number = (1 << 8 * size) - 1 - number
        out[at : at + size] = number.to_bytes(size, "little" if rng.random() < 0.5 else "big")
    return bytes(out)


def cut(data: bytes, rng: np.random.Generator) -> bytes:
    """The end is missing."""
    return data[: int(rng.integers(0, len(data)))]


def longer(data: bytes, rng: np.random.Generator) -> bytes:
    """Something follows that does not belong there."""
    more = int(rng.integers(1, 5000))
    return data + (bytes(more) if rng.random() < 0.5 else rng.bytes(more))


def hole(data: bytes, rng: np.random.Generator) -> bytes:
    """A run of zeros, as of a block that was never written."""
    start = int(rng.integers(0, len(data)))
    length = int(min(rng.integers(1, 4097), len(data) - start))
    return data[:start] + bytes(length) + data[start + length :]


def lost(data: bytes, rng: np.random.Generator) -> bytes:
    """A piece in the middle is gone, the rest moved up."""
    start = int(rng.integers(0, len(data)))
    return data[:start] + data[start + int(rng.integers(1, 1025)) :]


def doubled(data: bytes, rng: np.random.Generator) -> bytes:
    """A piece stands there several times."""
    start = int(rng.integers(0, len(data)))
    piece = data[start : start + int(rng.integers(1, 2049))]
    return (data[:start] + piece * int(rng.integers(2, 9)) + data[start:])[: len(data) + _LONGEST]


def swapped(data: bytes, rng: np.random.Generator) -> bytes:
    """Two pieces have changed places."""
    a, b = sorted(int(v) for v in rng.integers(0, len(data), 2))
    size = int(rng.integers(1, 257))
    if b - a < size:
        return flips(data, rng)
    return data[:a] + data[b : b + size] + data[a + size : b] + data[a : a + size] + data[b + size :]


def repaired(data: bytes, rng: np.random.Generator) -> bytes:
    """The contents change and every sum that guards them is made right again (PNG); elsewhere as :func:`absurd`."""
    if not data.startswith(b"\x89PNG\r\n\x1a\n"):
        return absurd(data, rng)
    chunks, at = [], 8
    while at + 12 <= len(data):
        (size,) = struct.unpack_from(">I", data, at)
        chunks.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + size]))
        at += 12 + size
    k = int(rng.integers(len(chunks)))
    name, body = chunks[k]
    way = int(rng.integers(5))
    if way == 0:
        chunks[k] = (name, absurd(body, rng) if len(body) > 8 else rng.bytes(13))
    elif way == 1:
        chunks[k] = (name, flips(body, rng) if body else b"x")
    elif way == 2:
        chunks.insert(k, chunks[int(rng.integers(len(chunks)))])
    elif way == 3:
        del chunks[k]
    elif name == b"IDAT":  # sound compression of wrong contents
        with suppress(zlib.error):
            body = flips(zlib.decompress(body), rng)
        chunks[k] = (name, zlib.compress(body or bytes(50)))
    else:
        chunks[k] = (name, rng.bytes(int(rng.integers(0, 64))))
    return data[:8] + b"".join(
        struct.pack(">I", len(b)) + n + b + struct.pack(">I", zlib.crc32(n + b)) for n, b in chunks
    )


def entry(data: bytes, rng: np.random.Generator) -> bytes:
    """One entry of a TIFF directory: its tag, type, count or value; elsewhere as :func:`absurd`."""
    if data[:4] not in (b"II*\0", b"MM\0*"):
        return absurd(data, rng)
    order = "<" if data[:2] == b"II" else ">"
    out = bytearray(data)
    (start,) = struct.unpack_from(f"{order}I", out, 4)
    if start + 2 > len(out):
        return flips(data, rng)
    (count,) = struct.unpack_from(f"{order}H", out, start)
    for _ in range(int(rng.integers(1, 3))):
        at = start + 2 + 12 * int(rng.integers(max(count, 1)))
        if at + 12 > len(out):
            continue
        field = int(rng.integers(4))
        if field == 0:
            struct.pack_into(
                f"{order}H", out, at, int(rng.choice([254, 256, 257, 258, 259, 262, 270, 273, 277, 279, 339]))
            )
        elif field == 1:
            struct.pack_into(f"{order}H", out, at + 2, int(rng.integers(0, 20)))
        else:
            struct.pack_into(f"{order}I", out, at + 4 * (field - 1), int(rng.choice(_ABSURD)))
    return bytes(out)


def numbers(data: bytes, rng: np.random.Generator) -> bytes:
    """A number written in digits (NPY headers, metadata, texts) becomes another one; elsewhere as :func:`flips`."""
    digits = [i for i in range(min(len(data), 4000)) if data[i : i + 1].isdigit()]
    if not digits:
        return flips(data, rng)
    at = digits[int(rng.integers(len(digits)))]
    other = (b"-1", b"0", b"99999999999", b"1e400", b"nan", b"1_0", b"4294967296", b"0x7f", b"9" * 400, b"()", b"'")
    return data[:at] + other[int(rng.integers(len(other)))] + data[at + 1 :]


#: Every way, by name.
WAYS: dict[str, Way] = {
    way.__name__: way
    for way in (flips, header, absurd, cut, longer, hole, lost, doubled, swapped, repaired, entry, numbers)
}


def mutated(data: bytes, rng: np.random.Generator) -> tuple[str, bytes]:
    """The name of a way drawn at random, and ``data`` broken in that way; now and then in two."""
    names = [str(rng.choice(list(WAYS)))]
    if rng.random() < 0.2:
        names.append(str(rng.choice(list(WAYS))))
    for name in names:
        data = WAYS[name](data, rng) if data else rng.bytes(64)
    return "+".join(names), data
