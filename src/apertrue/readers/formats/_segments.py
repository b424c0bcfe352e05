"""Pictures inside TIFF: the size that a compressed strip or tile states itself.

A strip may be a whole JPEG, PNG … with a header of its own, whose decoder takes its memory from there and not from the
TIFF's tags. So that header is read first. (Byte-wise compressions are given the expected size and stop there.)

Specifications: ITU-T T.81, B.2.2 (frame header SOFn); ISO/IEC 15948, 11.2.2 (IHDR); ISO/IEC 15444-1, A.5.1 (SIZ);
RFC 9649 (WebP); the published header of Lerc2 (from memory).
"""

import struct

from .webp import canvas_size

#: Bytes of a strip that are looked at; a JPEG may carry tables and metadata before its frame header.
HEAD_BYTES = 256 * 1024
_JPEG, _JPEG2000 = frozenset({6, 7, 33007, 34892}), frozenset({33003, 33004, 33005, 34712})
_PNG, _WEBP, _LERC = 34933, 50001, 34887
#: Compressions whose strips state a size of their own.
OWN_SIZE = _JPEG | _JPEG2000 | {_PNG, _WEBP, _LERC}
#: Compressions that are decoded to the expected size: none, CCITT, LZW, Deflate, PackBits, LZMA, Zstandard, and the
#: electron-event representation, which is given rows and columns.
BOUNDED = frozenset({1, 2, 3, 4, 5, 8, 32773, 32946, 50013, 34925, 34926, 50000, 65000, 65001, 65002})


def own_size(compression: int, head: bytes) -> tuple[int, int] | None:
    """(rows, columns) that a strip or tile states; ``None`` when that cannot be found.

    Args:
        compression: TIFF's number, one of :data:`OWN_SIZE`.
        head: the first bytes of the strip.
    """
    try:
        if compression in _JPEG:
            return _jpeg(head)
        if compression in _JPEG2000:
            at = head.index(b"\xff\x4f\xff\x51")
            x1, y1, x0, y0 = struct.unpack_from(">4I", head, at + 8)
            return y1 - y0, x1 - x0
        if compression == _PNG and head[12:16] == b"IHDR":
            columns, rows = struct.unpack_from(">2I", head, 16)
            return rows, columns
        if compression == _WEBP:
            return canvas_size(head)
        if compression == _LERC and head.startswith(b"Lerc2 "):
            (version,) = struct.unpack_from("<i", head, 6)
            rows, columns = struct.unpack_from("<2i", head, 14 if version >= 3 else 10)
            return rows, columns
    except (struct.error, ValueError):
        pass
    return None


def _jpeg(head: bytes) -> tuple[int, int] | None:
    at = 2
    while at + 9 <= len(head) and head[at] == 0xFF:
        marker = head[at + 1]
        if marker == 0xFF:  # filling
            at += 1
            continue
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            rows, columns = struct.unpack_from(">2H", head, at + 5)
            return rows, columns
        at += 2 + int(struct.unpack_from(">H", head, at + 2)[0])
    return None
