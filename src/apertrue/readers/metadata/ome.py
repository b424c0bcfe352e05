"""OME-XML.

Specification: OME Data Model and File Formats 2016-06 (openmicroscopy.org schemas, ome.xsd): Image/AcquisitionDate;
Pixels/@SignificantBits; Plane/@DeltaT, @ExposureTime with their units (default s); TiffData/@IFD, @PlaneCount,
@FirstC/Z/T; Objective/@NominalMagnification; Detector/@Voltage is the detector's own and therefore not taken;
StructuredAnnotations/MapAnnotation holds key–value pairs. PhysicalSizeX is measured at the specimen, not at the camera.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from functools import lru_cache
from math import isfinite
from types import MappingProxyType
from typing import Any
from xml.etree import ElementTree

from ..page import Facts
from .keys import facts_from_pairs, facts_from_text
from .times import parse_time

_SECONDS = {"s": 1.0, "ms": 1e-3, "µs": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}
_MAX_CHARS = 64 * 2**20


def is_ome(text: str) -> bool:
    """Whether an ImageDescription holds OME-XML."""
    start = text[:4000]
    return text.lstrip("\ufeff \r\n\t").startswith("<") and ("<OME" in start or ":OME" in start)


def facts_from_ome(text: str, page: int) -> Facts:
    """Facts about picture ``page`` (from 0, in the file's order); nothing when the XML is damaged."""
    root = _parsed(text)
    if root is None:
        return Facts()
    facts = Facts()
    before = 0
    for image in _all(root, "Image"):
        pixels = next(_all(image, "Pixels"), None)
        count = _planes(pixels)
        if before <= page < before + count:
            facts = facts.completed(_of_image(image, pixels, page - before))
            break
        before += count
    pairs = [(m.get("K", ""), m.text or "") for m in _all(root, "M")]
    facts = facts.completed(facts_from_pairs(iter(pairs)))
    glass = [_number(o.get("NominalMagnification")) for o in _all(root, "Objective")]
    if len(glass) == 1 and glass[0]:
        facts = facts.completed(Facts(state=MappingProxyType({"magnification": glass[0]})))
    return facts


@lru_cache(maxsize=2)
def _parsed(text: str) -> Any:
    """The root element, kept for the next page of the same stack; ``None`` when the XML is damaged or hostile."""
    if len(text) > _MAX_CHARS or "<!DOCTYPE" in text or "<!ENTITY" in text:
        return None  # OME-XML has no document type; entities can be made to fill the memory
    try:
        # Entities are refused above, and expat itself limits their expansion.
        return ElementTree.fromstring(text.strip("\ufeff \r\n\t\0").encode())  # noqa: S314
    except (ElementTree.ParseError, ValueError):
        return None


def _of_image(image: Any, pixels: Any, plane_number: int) -> Facts:
    facts = Facts()
    when = parse_time(_child_text(image, "AcquisitionDate"))
    plane = _plane(pixels, plane_number)
    if plane is not None:
        exposure = _seconds(plane, "ExposureTime")
        if exposure:
            facts = replace(facts, exposure_s=exposure)
        delay = _seconds(plane, "DeltaT")
        if when is not None and delay is not None and delay < 1e7:
            when += timedelta(seconds=delay)
    elif plane_number > 0 and when is not None:
        facts = replace(facts, taken_at_source="file, first page")
    facts = replace(facts, taken_at=when)
    bits = _number(pixels.get("SignificantBits")) if pixels is not None else None
    if bits and 8 < bits <= 32 and pixels.get("Type", "").startswith("uint"):
        facts = replace(facts, saturation=float(2 ** int(bits) - 1))
    return facts.completed(facts_from_text(_child_text(image, "Description")))


def _plane(pixels: Any, number: int) -> Any:
    """The Plane element of stored picture ``number`` of this image."""
    if pixels is None:
        return None
    order = (pixels.get("DimensionOrder") or "XYCZT")[2:]
    sizes = {axis: max(1, int(_number(pixels.get(f"Size{axis}")) or 1)) for axis in "CZT"}
    # Color samples of one picture count in SizeC but are one plane.
    channel = next(_all(pixels, "Channel"), None)
    samples = int(_number(channel.get("SamplesPerPixel")) or 1) if channel is not None else 1
    sizes["C"] = max(1, sizes["C"] // max(1, samples))
    place = _placed(pixels, number) or {}
    rest = number
    for axis in order:
        if axis in sizes and axis not in place:
            rest, place[axis] = divmod(rest, sizes[axis])
    for plane in _all(pixels, "Plane"):
        if all(int(_number(plane.get(f"The{axis}")) or 0) == place.get(axis, 0) for axis in "CZT"):
            return plane
    return None


def _placed(pixels: Any, number: int) -> dict[str, int] | None:
    """C, Z and T from a TiffData element that names this IFD alone."""
    for data in _all(pixels, "TiffData"):
        ifd = _number(data.get("IFD"))
        if ifd is not None and int(ifd) == number and (data.get("PlaneCount") or "1") == "1":
            return {axis: int(_number(data.get(f"First{axis}")) or 0) for axis in "CZT"}
    return None


def _planes(pixels: Any) -> int:
    """How many stored pictures an image has."""
    if pixels is None:
        return 0
    count = 1
    for axis in "CZT":
        count *= max(1, int(_number(pixels.get(f"Size{axis}")) or 1))
    channel = next(_all(pixels, "Channel"), None)
    samples = int(_number(channel.get("SamplesPerPixel")) or 1) if channel is not None else 1
    return max(1, count // max(1, samples))


def _all(element: Any, name: str) -> Iterator[Any]:
    """Descendants called ``name`` in any namespace (it changed with the schema's version)."""
    return (e for e in element.iter() if isinstance(e.tag, str) and e.tag.rpartition("}")[2] == name)


def _child_text(element: Any, name: str) -> str:
    return next((e.text or "" for e in element if isinstance(e.tag, str) and e.tag.rpartition("}")[2] == name), "")


def _seconds(plane: Any, attribute: str) -> float | None:
    number = _number(plane.get(attribute))
    factor = _SECONDS.get(plane.get(f"{attribute}Unit", "s").replace("μ", "µ"))
    return None if number is None or factor is None or number < 0 else number * factor


def _number(text: str | None) -> float | None:
    try:
        value = float(text) if text is not None else None
    except ValueError:
        return None
    return value if value is not None and isfinite(value) else None
