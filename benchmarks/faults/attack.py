"""One broken file against apertrue: what came of it, in one word, and whether that is a fault of ours."""

from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from .bombs import BOMBS
from .mutate import mutated
from .seeds import seeds

#: Of a stack no more pages than these are looked at.
PAGES = 3
#: Every so many cases a bomb instead of a mutation.
BOMB_EVERY = 12


@dataclass(frozen=True, slots=True)
class Case:
    """A broken file: its name (the ending tells the kind), how it came about, its bytes."""

    name: str
    way: str
    data: bytes


def case(number: int, seed: int = 0) -> Case:
    """Case ``number`` of the series ``seed``: always the same."""
    rng = np.random.default_rng([seed, number])
    if number % BOMB_EVERY == BOMB_EVERY - 1:
        kind = list(BOMBS)[number // BOMB_EVERY % len(BOMBS)]
        ending, make = BOMBS[kind]
        return Case(f"bomb{ending}", f"bomb {kind}", make(rng))
    good = seeds()
    name = list(good)[(number - number // BOMB_EVERY) % len(good)]
    way, data = mutated(good[name], rng)
    return Case(name, way, data)


def attack(path: Path, *, judge: bool = True) -> str:
    """Use the file as a user would: ``read``, ``refused``, or ``fault: …`` when something else than an answer came.

    Without ``judge`` a picture is only read.
    """
    ending = "".join(path.suffixes[-2:]) if path.name.endswith(".calibrations.json") else path.suffix
    by_ending = {".csv": _sheet, ".toml": _instrument, ".calibrations.json": _calibrations, ".sqlite": _log}
    return by_ending.get(ending, _picture if judge else _pixels)(path)


def _pixels(path: Path) -> str:
    """Recognized, counted and read."""
    from apertrue.errors import ReadError
    from apertrue.readers import count_pages, looks_like_picture, read_frames

    looks_like_picture(path)
    try:
        count_pages(path)
        for frame in islice(read_frames(path), PAGES):
            if frame.pixels.ndim != 2 or frame.pixels.dtype.kind not in "uif":
                return f"fault: shape {frame.pixels.shape}, {frame.pixels.dtype}"
    except ReadError as error:
        return "refused" if str(error).startswith(str(path)) and error.remedy else f"fault: {error}"
    return "read"


def _picture(path: Path) -> str:
    """Recognized, counted, read, judged, and put into words."""
    import json

    from apertrue.judging import Setup, Unread, judge_files, unread_row
    from apertrue.readers import looks_like_picture

    looks_like_picture(path)
    said = []
    for outcome in islice(judge_files([path], Setup()), PAGES):
        if isinstance(outcome, Unread):
            if "fault of apertrue" in outcome.message or not outcome.message.startswith(str(path)):
                return f"fault: {outcome.message}"
            json.dumps(unread_row(outcome).to_dict(), allow_nan=False)
            said.append("refused")
        else:
            json.dumps(outcome.assessment.to_dict(), allow_nan=False)
            said.append("read")
    return said[0] if said else "fault: no answer at all"


def _sheet(path: Path) -> str:
    from apertrue.errors import ReadError
    from apertrue.readers import read_sheet

    try:
        read_sheet(path)
    except ReadError:
        return "refused"
    return "read"


def _instrument(path: Path) -> str:
    from apertrue.errors import InstrumentError
    from apertrue.instrument import load_instrument

    try:
        load_instrument(path)
    except InstrumentError:
        return "refused"
    return "read"


def _calibrations(path: Path) -> str:
    from apertrue.calibration import load_calibrations
    from apertrue.errors import CalibrationError

    try:
        load_calibrations(path)
    except CalibrationError:
        return "refused"
    return "read"


def _log(path: Path) -> str:
    from apertrue.errors import StoreError
    from apertrue.session import add_event, events, open_log

    try:
        with open_log(path) as store:
            events(store)
            add_event(store, "note", values={"note": "one more"})
    except StoreError:
        return "refused"
    finally:
        for beside in path.parent.glob(f"{path.name}-*"):
            beside.unlink()
    return "read"


def attacked(path: Path, *, judge: bool = True) -> str:
    """:func:`attack`, with anything that it raises as a fault."""
    try:
        return attack(path, judge=judge)
    except Exception as error:
        import traceback

        where = traceback.extract_tb(error.__traceback__)[-1]
        return f"fault: {type(error).__name__}: {error} ({Path(where.filename).name}:{where.lineno})"
