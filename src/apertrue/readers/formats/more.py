"""Further microscopy formats, through RosettaSciIO (the optional extra ``formats``).

It is imported only for a file that the built-in readers don't know. RosettaSciIO chooses by a file's ending, so this
is the one place where the ending counts. Metadata follows its documented tree ("RosettaSciIO metadata structure":
General/date, time, time_zone; Acquisition_instrument/TEM/beam_energy in kV, magnification; Detector/…/exposure in s).

Arrays are opened lazily where the plug-in can, so that a page of a stack costs a page.
"""

import importlib
import logging
from contextlib import suppress
from datetime import datetime
from functools import lru_cache
from math import prod
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from ...errors import MissingExtraError
from ..guard import check_shape
from ..metadata.keys import facts_from_pairs, flatten
from ..metadata.times import parse_time
from ..options import MIN_SIDE, ReadOptions
from ..page import Facts, RawPage
from ..registry import ENDINGS
from ..source import Source

#: Endings left alone: text tables and archives; files that hold pickled objects; a format without signature whose
#: plug-in believes any size that a header claims and fills the memory; spectra; pictures made for showing.
_LEFT_OUT = frozenset(
    f".{ending}"
    for group in (
        ("csv", "xml", "txt", "json", "html", "zip", "zspy"),
        ("prz",),
        ("blo",),
        ("msa", "emsa", "mas", "ems", "sac", "sbc"),
        ("msp", "pbm", "pgm", "ppm", "pcx", "xbm"),
    )
    for ending in group
)


@lru_cache(maxsize=1)
def _plugins() -> dict[str, tuple[str, ...]]:
    """Ending → modules that read it; empty when the extra is not installed."""
    try:
        from rsciio import IO_PLUGINS
    except ImportError:
        return {}
    found: dict[str, list[str]] = {}
    for plugin in IO_PLUGINS:
        for ending in {f".{e.lower()}" for e in plugin["file_extensions"]} - _LEFT_OUT - ENDINGS:
            found.setdefault(ending, []).append(plugin["api"])
    return {ending: tuple(apis) for ending, apis in found.items()}


def claims(path: Path) -> bool:
    """Whether a plug-in reads files with this ending."""
    return path.suffix.lower() in _plugins()


class MorePages:
    """A file opened through RosettaSciIO: the first data set in it that holds pictures."""

    def __init__(self, source: Source, options: ReadOptions, apis: tuple[str, ...]) -> None:
        self.source = source
        problem: Exception | None = None
        for api in apis:
            try:
                data_sets = _load(importlib.import_module(api), source.path)
            except Exception as caught:  # noqa: BLE001, RUF100 - the next plug-in may know it
                problem = caught
                continue
            for data_set in data_sets:
                if self._take(data_set, options):
                    return
        if isinstance(problem, ImportError):
            raise source.error(
                f"reading this format needs a further package ({problem})", "Install it, or export the picture as TIFF"
            ) from problem
        if problem is not None:
            raise problem
        raise source.error("it holds no picture", "Export the picture as TIFF")

    def _take(self, data_set: dict[str, Any], options: ReadOptions) -> bool:
        data = data_set["data"]
        if data.ndim < 2 or min(data.shape[-2:]) < MIN_SIDE or data.dtype.names:
            return False
        rows, columns = data.shape[-2:]
        check_shape(self.source, options, rows, columns, itemsize=data.dtype.itemsize)
        self.data = data
        self.leading = tuple(data.shape[:-2])
        self.facts = facts_of(data_set)
        return True

    def __len__(self) -> int:
        return prod(self.leading)

    def read(self, page: int, /) -> RawPage:
        """Page ``page``: the leading axes counted in order."""
        index = tuple(int(i) for i in np.unravel_index(page, self.leading)) if self.leading else ()
        picture = self.data[index]
        if hasattr(picture, "compute"):
            picture = picture.compute(scheduler="synchronous")
        picture = np.array(picture)
        # Eight bits may be a screen's copy rather than the camera's levels.
        return RawPage(picture, self.facts, camera=picture.dtype.itemsize > 1)

    def close(self) -> None:
        """Let go of the data."""
        self.data = None


def _load(module: Any, path: Path | None) -> list[dict[str, Any]]:
    try:
        return list(module.file_reader(str(path), lazy=True))
    except (NotImplementedError, TypeError):
        return list(module.file_reader(str(path), lazy=False))


def facts_of(data_set: dict[str, Any]) -> Facts:
    """Facts from a RosettaSciIO data set's metadata tree."""
    metadata = data_set.get("metadata") or {}
    general = metadata.get("General") or {}
    instrument = (metadata.get("Acquisition_instrument") or {}).get("TEM") or {}
    state: dict[str, Any] = {}
    for ours, theirs in (("kv", "beam_energy"), ("magnification", "magnification")):
        with suppress(TypeError, ValueError):
            value = float(instrument[theirs]) if theirs in instrument else 0.0
            if np.isfinite(value) and value > 0:
                state[ours] = value
    current = instrument.get("beam_current")  # documented unit: nA
    if isinstance(current, int | float) and np.isfinite(current) and current >= 0:
        state["current_pa"] = 1e3 * float(current)
    exposure = None
    for detector in (instrument.get("Detector") or {}).values():
        if isinstance(detector, dict) and isinstance(detector.get("exposure"), int | float):
            exposure = float(detector["exposure"]) or None
    when = None
    if general.get("date") and general.get("time"):
        when = parse_time(f"{general['date']} {general['time']}")
        zone = str(general.get("time_zone") or "")
        if when is not None and when.tzinfo is None and zone in ("UTC", "Z"):
            when = datetime.fromisoformat(f"{when.isoformat()}+00:00")
    facts = Facts(taken_at=when, state=MappingProxyType(state), exposure_s=exposure)
    return facts.completed(facts_from_pairs(flatten(data_set.get("original_metadata") or {})))


def open_pages(source: Source, options: ReadOptions) -> MorePages:
    """Open a file that no built-in reader knows; the message says what is missing."""
    ending = Path(source.name).suffix.lower()
    try:
        import rsciio  # noqa: F401
    except ImportError:
        missing = MissingExtraError("formats", "Reading further microscopy formats")
        raise source.error("its format is not one of those read without extras", str(missing)) from missing
    # Its first import sets the level anew, and its logger writes to stdout, where our results go.
    logging.getLogger("rsciio").setLevel(logging.CRITICAL + 1)
    apis = _plugins().get(ending, ())
    if not apis:
        raise source.error("its content is of no known picture format", "Export the picture as TIFF or PNG")
    if source.path is None:
        raise source.error(
            f"files of the kind {ending} can only be read from a disk", "Copy the file to this machine first"
        )
    return MorePages(source, options, apis)
