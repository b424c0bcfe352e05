"""One picture of the window: what it is judged with, and the judging itself. No Qt, and nothing of the window."""

from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from ..advice import Context
from ..calibration import Calibration, calibration_path, load_calibrations
from ..errors import ApertrueError
from ..frame import Frame, age_min
from ..instrument import Instrument, completed, find_instrument
from ..pipeline import Result, judge, readvise
from ..readers import SheetRow, apply_sheet
from ..readers.digest import digest
from ..scene import Edge, Hints, Scene
from ..session.context import with_nudge

Region = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Drawn:
    """What the user drew on the picture: starts for both edges, and the region to search (left, top, right, bottom)."""

    aperture: Edge | None = None
    beam: Edge | None = None
    region: Region | None = None

    @property
    def anything(self) -> bool:
        """Whether anything is drawn."""
        return (self.aperture, self.beam, self.region) != (None, None, None)


@dataclass(frozen=True, slots=True)
class Setup:
    """The same instrument file and calibrations that the commands use.

    Attributes:
        instrument: limits, costs, cameras.
        file: the instrument file; ``None`` = starting values.
        calibrations: all shift calibrations at hand.
        trouble: what could not be read, for the user; empty when all is well.
        sheet: rows of a session sheet that completes what files do not tell.
    """

    instrument: Instrument = field(default_factory=Instrument)
    file: Path | None = None
    calibrations: tuple[Calibration, ...] = ()
    trouble: str = ""
    sheet: tuple[SheetRow, ...] = ()


def load_setup() -> Setup:
    """The instrument file and its calibrations; what is wrong with them is told, not raised."""
    trouble: list[str] = []
    instrument, file = Instrument(), None
    try:
        instrument, file = find_instrument()
    except ApertrueError as error:
        trouble.append(f"{error} Until then the starting values are used.")
    calibrations: tuple[Calibration, ...] = ()
    try:
        calibrations = load_calibrations(calibration_path(file))
    except ApertrueError as error:
        trouble.append(str(error))
    return Setup(instrument, file, calibrations, " ".join(trouble))


def judge_one(
    frame: Frame, setup: Setup, drawn: Drawn, now: datetime, last: tuple[str | None, Scene] | None = None
) -> Result:
    """The main line for one picture in the window, with its age and, where a calibration holds, its nudge.

    ``last`` is the fingerprint and the scene of the picture just before it in a live view: its edges are followed, which
    is quicker. The same picture again is looked at anew: its numbers must not hang on what was judged before.
    """
    if frame.digest is None:
        frame = replace(frame, digest=digest(frame.pixels))
    previous = last[1] if last is not None and last[0] != frame.digest and not drawn.anything else None
    instrument = setup.instrument
    frame = completed(apply_sheet(frame, setup.sheet), instrument)
    context = Context(age_min=age_min(frame, now), judged_now=True)
    hints = Hints(region=drawn.region, start_aperture=drawn.aperture, start_beam=drawn.beam, previous=previous)
    result = judge(frame, instrument=instrument, hints=hints, context=context)
    known = with_nudge(context, result.assessment, frame.state, instrument, now, setup.calibrations)
    if known is context:
        return result
    return readvise(frame, result.scene, result.assessment, instrument, known)
