"""What a TIFF page states: its own tags, and what ImageDescription carries (OME-XML, ImageJ, JSON, key = value)."""

from dataclasses import replace
from typing import Any

from ..page import Facts
from .exif import facts_from_tags
from .keys import facts_from_text
from .ome import facts_from_ome, is_ome
from .times import parse_time

_DESCRIPTION, _DATE_TIME, _EXIF_IFD = 270, 306, 34665


def facts_of_page(tif: Any, ifd: Any, first: int, page: int) -> Facts:
    """Facts of picture ``page`` of an open ``tifffile.TiffFile``.

    Args:
        tif: the file.
        ifd: the page's ``tifffile.TiffPage``.
        first: index of the first IFD that is a page; what it states of the instrument holds for all.
        page: number of the page, for OME's planes.
    """
    opening = tif.pages[first].aspage()
    facts = Facts()
    shared = _text(opening, _DESCRIPTION)
    if is_ome(shared):
        facts = facts.completed(facts_from_ome(shared, page))
    if ifd is not opening:
        facts = facts.completed(_tags(ifd)).completed(_described(_text(ifd, _DESCRIPTION)))
    inherited = _tags(opening)
    if page > 0 and inherited.taken_at is not None:
        inherited = replace(inherited, taken_at_source="file, first page")
    facts = facts.completed(_described(shared)).completed(inherited)
    if tif.is_imagej:
        extra = dict(tif.imagej_metadata or {})
        for name in ("Info", "info"):
            if isinstance(extra.get(name), str):
                facts = facts.completed(facts_from_text(extra[name]))
    return facts


def _described(text: str) -> Facts:
    if not text or is_ome(text):
        return Facts()
    return facts_from_text(text)


def _tags(ifd: Any) -> Facts:
    """The page's own DateTime and Exif; Exif's is the finer statement."""
    facts = Facts()
    exif = ifd.tags.valueof(_EXIF_IFD)
    if isinstance(exif, dict):
        named = {
            "DateTimeOriginal": 36867,
            "OffsetTimeOriginal": 36881,
            "SubsecTimeOriginal": 37521,
            "SubSecTimeOriginal": 37521,
            "ExposureTime": 33434,
            "UserComment": 37510,
        }
        facts = facts_from_tags({named[k]: v for k, v in exif.items() if k in named})
    when = parse_time(_text(ifd, _DATE_TIME))
    # Maker and model are left alone: a model's name is not the camera's name in the instrument file.
    return facts.completed(Facts(taken_at=when))


def _text(ifd: Any, tag: int) -> str:
    value = ifd.tags.valueof(tag, "")
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return value if isinstance(value, str) else ""
