"""From a stored page to a ``Frame``: upright, gray, more light = larger, with what is known about it."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import FILE_TIME, Frame, State
from .digest import digest
from .intensity import to_intensity
from .metadata.times import with_zone
from .options import MIN_SIDE, ReadOptions
from .page import RawPage, native
from .source import Source

_RESAVE = "Save the picture again as gray or RGB TIFF or PNG"


def to_frame(raw: RawPage, source: Source, page: int, options: ReadOptions) -> Frame:
    """The frame of one page; :class:`apertrue.errors.ReadError` when it cannot be measured."""
    stored = raw.upright()
    _check_kind(stored, source)
    pixels = _plain(native(stored))
    saturation = _saturation(raw, stored, options)
    if raw.inverted:
        pixels = _inverted(pixels, 1.0 if stored.dtype.kind == "b" else raw.saturation)
    color = False
    in_color = pixels.ndim == 3 and pixels.shape[2] >= 3
    if in_color:
        light = to_intensity(pixels, saturation)
        pixels, saturation, color = light.pixels, light.saturation, light.color
    elif pixels.ndim == 3:
        pixels = pixels[..., 0]
    pixels = np.ascontiguousarray(pixels)
    if pixels.dtype.kind == "f":
        pixels = _finite(pixels, source)
    pixels = pixels.view()
    pixels.flags.writeable = False
    facts = raw.facts
    linear = facts.linear if facts.linear is not None else options.linear
    if linear is None:
        linear = False if raw.display or raw.lossy or color else True if raw.camera else None
    taken_at, taken_at_source = None, None
    if facts.taken_at is not None:
        taken_at = with_zone(facts.taken_at, options.timezone, source.name)
        taken_at_source = facts.taken_at_source or "file"
    elif source.modified is not None:
        taken_at, taken_at_source = source.modified.astimezone(), FILE_TIME
    state = State().updated("file", **facts.state)
    gaps = {k: v for k, v in options.state.values().items() if getattr(state, k) is None}
    return Frame(
        pixels=pixels,
        file=source.name,
        page=page,
        taken_at=taken_at,
        taken_at_source=taken_at_source,
        state=state.updated("option", **gaps),
        saturation=saturation,
        linear=linear,
        lossy=raw.lossy,
        color=color,
        pixel_size_um=facts.pixel_size_um,
        exposure_s=facts.exposure_s,
        digest=digest(pixels),
    )


def _check_kind(pixels: NDArray[Any], source: Source) -> None:
    if pixels.dtype.kind == "c":
        raise source.error("it holds complex numbers", "Save their magnitude, or the real picture")
    if pixels.dtype.kind not in "buif":
        raise source.error(f"it holds {pixels.dtype}, not gray levels", _RESAVE)
    if pixels.ndim not in (2, 3):
        raise source.error(f"it has {pixels.ndim} dimension(s), a picture has two", _RESAVE)
    if min(pixels.shape[:2]) < MIN_SIDE:
        raise source.error(
            f"it is too small to measure ({pixels.shape[1]} × {pixels.shape[0]} px)",
            f"Use a picture of at least {MIN_SIDE} px a side",
        )


def _plain(pixels: NDArray[Any]) -> NDArray[Any]:
    """Truth values as 0 and 1; half and extended floats in a width that all of NumPy and SciPy works with."""
    if pixels.dtype.kind == "b":
        return pixels.astype(np.uint8)
    if pixels.dtype.kind == "f" and pixels.dtype.itemsize not in (4, 8):
        return pixels.astype(np.float32 if pixels.dtype.itemsize == 2 else np.float64)
    return pixels


def _saturation(raw: RawPage, stored: NDArray[Any], options: ReadOptions) -> float | None:
    """The most specific statement: the file's, the container's bits, the caller's, the dtype's maximum."""
    for stated in (raw.facts.saturation, raw.saturation, options.saturation):
        if stated is not None:
            return stated
    if stored.dtype.kind == "b":
        return 1.0
    return float(np.iinfo(stored.dtype).max) if stored.dtype.kind == "u" else None


def _inverted(pixels: NDArray[Any], container: float | None) -> NDArray[Any]:
    """Small values meant light; now large ones do."""
    turned: NDArray[Any]
    if pixels.dtype.kind == "u":
        top = pixels.dtype.type(container if container is not None else np.iinfo(pixels.dtype).max)
        turned = np.subtract(top, np.minimum(pixels, top))
        return turned
    if pixels.dtype.kind == "i":
        turned = np.invert(pixels)
        return turned
    finite = pixels[np.isfinite(pixels)]
    turned = (finite.max() if finite.size else pixels.dtype.type(0)) - pixels
    return turned


def _finite(pixels: NDArray[Any], source: Source) -> NDArray[Any]:
    """Infinities become NaN, which means missing; an error when nothing else is left.

    Signaling NaNs, which a damaged file may hold, become quiet ones: NumPy warns whenever it meets them.
    """
    good = np.isfinite(pixels)
    if good.all():
        return pixels
    if not good.any():
        raise source.error("none of its pixels holds a number (all NaN or infinite)", "Save the picture again")
    pixels = pixels.copy()
    pixels[~good] = np.nan
    return pixels
