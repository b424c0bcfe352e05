"""Exif of JPEG, PNG and WebP.

Specification: JEITA CP-3451 "Exif 2.3": DateTimeOriginal 36867, OffsetTimeOriginal 36881, SubSecTimeOriginal 37521,
ExposureTime 33434, UserComment 37510 (its first 8 bytes name the character code).
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from ..page import Facts
from .keys import facts_from_text
from .times import parse_time

_EXIF_IFD = 0x8769


def facts_from_exif(exif: Any) -> Facts:
    """Facts from Pillow's Exif object."""
    if not exif:
        return Facts()
    inner = {**dict(exif), **dict(exif.get_ifd(_EXIF_IFD))}
    return facts_from_tags(inner)


def facts_from_tags(tags: Mapping[int, Any]) -> Facts:
    """Facts from Exif tags by number. Tag 306 is the time of the file's last change, used when no other is there."""
    when = None
    for tag, offset, subseconds in ((36867, 36881, 37521), (36868, 36882, 37522), (306, 36880, 37520)):
        if tag in tags and when is None:
            when = parse_time(_text(tags[tag]), _text(tags.get(offset)), _text(tags.get(subseconds)))
    facts = Facts(taken_at=when)
    exposure = _number(tags.get(33434))
    if exposure is not None and exposure > 0:
        facts = replace(facts, exposure_s=exposure)
    for tag in (37510, 270):
        if tag in tags:
            facts = facts.completed(facts_from_text(_comment(tags[tag])))
    return facts


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        return value.decode("latin-1")
    return "" if value is None else str(value)


def _comment(value: Any) -> str:
    if not isinstance(value, bytes):
        return str(value or "")
    code, body = value[:8], value[8:]
    if code.startswith(b"UNICODE"):
        order = (
            "utf-16" if body[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-16-be" if body[:1] == b"\0" else "utf-16-le"
        )
        return body.decode(order, "replace")
    if code.startswith((b"ASCII", b"\0\0\0\0")):
        return body.decode("utf-8", "replace").strip("\0")
    return value.decode("utf-8", "replace").strip("\0")


def _number(value: Any) -> float | None:
    try:
        if isinstance(value, tuple) and len(value) == 2:
            return float(value[0]) / float(value[1])
        return None if value is None else float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
