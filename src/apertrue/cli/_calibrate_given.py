"""What ``apertrue calibrate`` is given: pictures or a sheet and their readings, as points of one state."""

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from ._output import note

if TYPE_CHECKING:
    from ..calibration import Point, StateKey
    from ..pipeline import Result


def usage(message: str) -> typer.Exit:
    note(message)
    return typer.Exit(2)


def gather(
    pictures: list[str],
    at: list[str],
    sheet: Path | None,
    setting: list[str],
    instrument: Path | None,
    mode: str | None,
) -> tuple[list["Point"], "StateKey"]:
    """The points and the state they share."""
    from ..calibration import StateKey
    from ..calibration.sheet import is_point_sheet, read_points

    if sheet is not None and is_point_sheet(sheet):
        if pictures or at:
            raise usage("a sheet with measured offsets needs no pictures and no --at")
        from ..frame import State
        from .assess import _state

        return list(read_points(sheet)), StateKey.of(State().updated("option", **_state(setting)), mode)
    files = list(pictures)
    if sheet is not None and not files:
        from ..readers import read_sheet

        files = [str(sheet.parent / row.file) for row in read_sheet(sheet)]
    if not files:
        raise usage("nothing to calibrate from: name pictures with --at, a --sheet, or use --guide")
    readings = [reading_pair(text) for text in at]
    if readings and len(readings) != len(files):
        raise usage(f"{len(readings)} --at for {len(files)} pictures: give one for each, in the same order")
    results = judged_pictures(files, sheet, setting, instrument)
    points = [point_of(result, *(readings[i] if readings else (None, None))) for i, result in enumerate(results)]
    return points, shared_state(results, mode)


def reading_pair(text: str) -> tuple[float, float]:
    """Two readings: ``3.2,-1`` or, with decimal commas, ``3,2;-1``."""
    from ..registry.format import number_typed

    parts = text.split(";") if ";" in text else text.split(",")
    pair = [number_typed(p) for p in parts]
    if len(pair) != 2 or pair[0] is None or pair[1] is None:
        raise usage(f"--at {text}: write two numbers, X,Y such as 3.2,-1 (with decimal commas: 3,2;-1)")
    return pair[0], pair[1]


def judged_pictures(
    files: list[str], sheet: Path | None, setting: list[str], instrument: Path | None
) -> list["Result"]:
    """The pictures' first pages judged, in their order; one that can't be read ends the command with status 1."""
    from ..judging import Unread, judge_files
    from .assess import _setup, note_sheet

    setup = _setup(instrument, sheet, setting, None, None, None, True)
    results: list[Result] = []
    failed = False
    for outcome in judge_files(files, setup):
        if isinstance(outcome, Unread):
            note(outcome.message)
            failed = True
        else:
            results.append(outcome)
    note_sheet(sheet, setup.sheet, files)
    if failed:
        raise typer.Exit(1)
    return results


def point_of(result: "Result", x: float | None = None, y: float | None = None) -> "Point":
    from dataclasses import replace

    from ..calibration import point_from
    from ..frame import FILE_TIME

    assessment = result.assessment
    if assessment.taken_at_source == FILE_TIME:
        # A file's own time is that of its copying as often as not; no drift is taken from it.
        assessment = replace(assessment, taken_at=None)
    return point_from(assessment, shift_x=x, shift_y=y)


def shared_state(results: list["Result"], mode: str | None) -> "StateKey":
    from ..calibration import StateKey
    from ..calibration.state_key import changed_words
    from ..errors import CalibrationError

    own = StateKey.of(results[0].frame.state, mode)
    first = own.seen_in(results[0].assessment)
    for result in results[1:]:
        here = StateKey.of(result.frame.state, mode).seen_in(result.assessment)
        changed = first.changed(here)
        if changed:
            what = changed_words(changed, first, here)
            raise CalibrationError(
                f"{result.assessment.file}: {what} differs from the first picture's. A calibration holds for one "
                "state: take all its pictures in the same one"
            )
    return own.seen_in(*(r.assessment for r in results))
