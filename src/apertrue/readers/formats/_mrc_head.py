"""Recognizing MRC2014 by content, without importing mrcfile.

Byte positions (from 1) after Cheng et al. 2015, "MRC2014: Extensions to the MRC format header for electron
cryo-microscopy and tomography", J. Struct. Biol. 192:146-150: NX, NY, NZ, MODE 1-16; MAPC, MAPR, MAPS 65-76;
NSYMBT 93-96; MAP 209-212; MACHST 213-216.
"""

import struct

HEADER_BYTES = 1024
#: Bits a pixel of each mode that exists.
MODE_BITS = {0: 8, 1: 16, 2: 32, 3: 32, 4: 64, 6: 16, 12: 16, 101: 4}


def byte_order(head: bytes) -> str | None:
    """``<`` or ``>``: the machine stamp's, or when that says nothing the one that makes sense; ``None`` if neither."""
    stamped = {b"\x44\x44": "<", b"\x44\x41": "<", b"\x11\x11": ">"}.get(head[212:214])
    for order in (stamped,) if stamped else ("<", ">"):
        mode, *axes = struct.unpack(f"{order}i", head[12:16]) + struct.unpack(f"{order}3i", head[64:76])
        if stamped or (mode in MODE_BITS and sorted(axes) in ([0, 0, 0], [1, 2, 3])):
            return order
    return None


def known(head: bytes, size: int) -> bool:
    """By the word MAP; a file from before that word must fit its header to the byte."""
    if head[208:211] == b"MAP" and head[211:212] in (b" ", b"\0"):
        return True
    if len(head) < HEADER_BYTES:
        return False
    order = byte_order(head)
    if order is None:
        return False
    nx, ny, nz, mode = struct.unpack(f"{order}4i", head[:16])
    (extended,) = struct.unpack(f"{order}i", head[92:96])
    if min(nx, ny, nz) < 1 or extended < 0 or mode not in MODE_BITS:
        return False
    return bool(HEADER_BYTES + extended + (nx * MODE_BITS[mode] + 7) // 8 * ny * nz == size)
