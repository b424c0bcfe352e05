"""``apertrue calibrate``: learn which way the gun shift axes move the beam."""

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ._calibrate_given import gather, judged_pictures, point_of, shared_state, usage
from ._calibrate_show import (
    calibration_record,
    confirmation_record,
    describe,
    print_calibration,
    print_list,
    question_record,
)
from ._numbers import WithNumbers
from ._output import note, print_json, print_sentence, print_text

if TYPE_CHECKING:
    from ..calibration import Guide, Point, Question, StateKey
    from ..instrument import Instrument
    from ..pipeline import Result

app = typer.Typer()


@app.command(cls=WithNumbers)
def calibrate(
    pictures: Annotated[
        list[str] | None, typer.Argument(metavar="[PICTURE]...", help="Pictures at three or more pairs of readings.")
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", metavar="X,Y", help="Readings of gun shift X and Y, one for each picture in order."),
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option("--sheet", metavar="FILE.csv", help="Pictures with readings, or readings with measured offsets."),
    ] = None,
    guide: Annotated[bool, typer.Option("--guide", help="Step by step: says what to do next.")] = False,
    confirm: Annotated[
        bool, typer.Option("--confirm", help="Test the kept calibration with a picture before and after small moves.")
    ] = False,
    show: Annotated[bool, typer.Option("--list", help="Show the kept calibrations.")] = False,
    forget: Annotated[
        int | None,
        typer.Option("--forget", metavar="NUMBER", help="Take a wrong one out for good, by its number in --list."),
    ] = None,
    mode: Annotated[
        str | None, typer.Option(metavar="NAME", help="Illumination mode, as the console names it.")
    ] = None,
    setting: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="FIELD=VALUE", help="State that the files do not tell, such as kv=200. Repeat."),
    ] = None,
    instrument: Annotated[
        Path | None,
        typer.Option("--instrument", metavar="FILE.toml", help="Instrument file; see: apertrue instrument."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE.json", help="Calibration file (beside the instrument file)."),
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Take the readings as they are, in spite of questions.")
    ] = False,
    no_save: Annotated[bool, typer.Option("--no-save", help="Only show, write nothing.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Learn which way the two gun shift axes move the beam, from pictures at known readings.

    Offsets are in % of the aperture radius, x to the right and y downward in the picture. Readings that look like
    typing errors are asked about before anything is kept.

    \b
    Examples:
      apertrue calibrate a.tif b.tif c.tif --at 0,0 --at 3,0 --at 0,3
      apertrue calibrate --sheet calibration.csv
      apertrue calibrate --guide
      apertrue calibrate --confirm before.tif moved-x.tif moved-y.tif --at 0,0 --at 2,0 --at 2,2
      apertrue calibrate --forget 2

    The sheet names file, gun_shift_x, gun_shift_y (pictures), or gun_shift_x, gun_shift_y, offset_x_percent,
    offset_y_percent and, if known, their _sigma and taken_at. Exit status: 0 kept, 1 a picture could not be read or
    nothing could be solved, 2 wrong usage.
    """
    from ..calibration import calibration_path
    from ..instrument import find_instrument

    found, source = find_instrument(instrument)
    place = out or calibration_path(source)
    if show:
        print_list(place, json)
        return
    if forget is not None:
        _forget(place, forget, json)
        return
    if guide:
        _guided(found, place, mode, setting or [], instrument, no_save)
        return
    points, state = gather(pictures or [], at or [], sheet, setting or [], instrument, mode)
    if confirm:
        _confirm(points, state, place, json, no_save)
        return
    _solve(points, state, found, place, accept=accept, no_save=no_save, as_json=json)


# --- solving and showing ---
def _solve(
    points: list["Point"],
    state: "StateKey",
    instrument: "Instrument",
    place: Path,
    *,
    accept: bool,
    no_save: bool,
    as_json: bool,
) -> None:
    from ..calibration import (
        add_calibration,
        contradiction,
        estimate,
        from_estimate,
        load_calibrations,
        quality,
        questions,
    )
    from ..errors import CalibrationError

    console = instrument.console
    step = console.shift_step
    asked = questions(points, step=step)
    if asked and not accept and not as_json and sys.stdin.isatty():
        points, asked = _answered(points, asked, step)
    if asked and not accept:
        if as_json:
            print_json({"kept": None, "questions": [question_record(q) for q in asked]})
        lines = "\n  ".join(q.sentence for q in asked[:4])
        raise CalibrationError(
            f"nothing is kept, first answer this:\n  {lines}\nCorrect the readings, or say --accept if they are right"
        )
    result = estimate(points, step=step)
    judged = quality(result, shift_min=console.shift_min, shift_max=console.shift_max)
    made = from_estimate(result, state, _when(points))
    odd = None if no_save else contradiction(load_calibrations(place), made)
    if not no_save:
        add_calibration(place, made)
    if as_json:
        print_json(calibration_record(made, result, judged, asked, None if no_save else place, odd))
        return
    print_calibration(made, result, judged, asked, None if no_save else place)
    if odd is not None:
        note(" ".join(odd.sentences))


def _answered(
    points: list["Point"], asked: tuple["Question", ...], step: float
) -> tuple[list["Point"], tuple["Question", ...]]:
    """Put each suggestion to the person at the terminal until no question is left or none is agreed to."""
    from dataclasses import replace

    from ..calibration import questions

    while asked:
        for question in asked:
            print_sentence(question.sentence)
            if question.suggestion is None:
                continue
            x, y = question.suggestion
            if typer.confirm(f"Use X {x:g}, Y {y:g} for point {question.index + 1}?", default=False):
                points[question.index] = replace(points[question.index], shift_x=x, shift_y=y)
                asked = questions(points, step=step)
                break
        else:
            return points, asked
    return points, asked


def _when(points: list["Point"]) -> datetime:
    times = [p.minutes for p in points if p.minutes is not None]
    return datetime.fromtimestamp(max(times) * 60.0, UTC) if times else datetime.now(UTC)


# --- the other jobs ---
def _forget(place: Path, number: int, as_json: bool) -> None:
    from ..calibration import forget_calibration
    from ..calibration.files import to_dict

    gone = forget_calibration(place, number)
    if as_json:
        print_json({"file": str(place), "forgotten": to_dict(gone)})
        return
    describe(gone)
    print_text(f"This calibration was taken out of {place}")


def _confirm(points: list["Point"], state: "StateKey", place: Path, as_json: bool, no_save: bool) -> None:
    from ..calibration import add_calibration, choose, confirm, confirmed, load_calibrations, why_none
    from ..errors import CalibrationError

    kept_ones = load_calibrations(place)
    calibration = choose(kept_ones, state)
    if calibration is None:
        raise CalibrationError(f"{place}: {why_none(kept_ones, state)} Step by step: apertrue calibrate --guide")
    outcome = confirm(calibration, points)
    kept = outcome.agrees and outcome.kind == "agrees" and not no_save
    if kept:
        add_calibration(place, confirmed(calibration, points, _when(points)))
    if as_json:
        print_json(confirmation_record(outcome, place if kept else None))
    else:
        for sentence in outcome.sentences:
            print_sentence(sentence)
        if kept:
            print_text(f"Kept, sharpened by these moves and dated, in {place}")
    if not outcome.agrees:
        raise typer.Exit(1)


def _guided(
    instrument: "Instrument",
    place: Path,
    mode: str | None,
    setting: list[str],
    instrument_path: Path | None,
    no_save: bool,
) -> None:
    from ..advise.cautions import cautions_for
    from ..calibration import Guide
    from ..errors import ApertrueError

    name = instrument.default_camera
    for sentence in cautions_for("trial", instrument.camera(name), name):
        print_text(f"  ! {sentence}")
    print_text()
    print_text(
        "For each point: the picture's file, then both readings. Type undo to drop the last point, accept to confirm "
        "readings that were asked about, save, or quit."
    )
    progress = Guide(instrument.console)
    results: list[Result] = []
    while True:
        following = progress.suggestion()
        print_text()
        print_sentence(f"{len(progress.points) + 1}. {following.sentence}")
        file = _ask("Picture: ")
        if file in ("quit", None):
            print_text("Nothing was kept.")
            return
        if file == "accept":
            progress = progress.accept()
            continue
        if file == "save" and following.kind == "question":
            note("first answer the question above: undo, or accept")
            continue
        if file == "save":
            break
        if file == "undo":
            progress, results = progress.undo(), results[:-1]
            continue
        try:
            new = judged_pictures([file], None, setting, instrument_path)[0]
            x, y = _reading("gun shift X: ", following.shift_x), _reading("gun shift Y: ", following.shift_y)
            doubtful = progress.unlike_suggested(x, y)
            if doubtful is not None:
                note(f"{doubtful.sentence} Type both once more, as they are on the console.")
                x, y = _reading("gun shift X: ", None), _reading("gun shift Y: ", None)
            progress = progress.add(point_of(new, x, y))
        except typer.Exit:
            continue
        except (ApertrueError, ValueError) as error:
            note(str(error))
            continue
        results.append(new)
        _progress(progress)
    if not results:
        raise usage("no point was given: nothing to keep")
    state = shared_state(results, mode)
    _solve(list(progress.points), state, instrument, place, accept=progress.accepted, no_save=no_save, as_json=False)


def _progress(progress: "Guide") -> None:
    p = progress.points[-1]
    print_sentence(f"   offset x {p.offset_x:+.2f} ± {p.x_sigma:.2f}, y {p.offset_y:+.2f} ± {p.y_sigma:.2f} % (y down)")
    for question in (q for q in progress.questions() if q.kind == "gain"):
        note(question.sentence)
    judged = progress.quality()
    if judged is not None and progress.open_question() is None:
        print_sentence(f"   {judged.sentences[0]}")
        if len(progress.points) == 3:
            print_text("   Three points fit exactly whatever they say: a fourth shows a mistake.")


def _ask(prompt: str) -> str | None:
    sys.stdout.write(prompt)
    sys.stdout.flush()
    line = sys.stdin.readline()
    return line.strip().strip("\"'") if line else None


def _reading(prompt: str, default: float | None) -> float:
    from ..registry.format import number_typed

    hint = "" if default is None else f"[{default:g}] "
    text = _ask(prompt + hint)
    if not text and default is not None:
        return default
    value = number_typed(text or "")
    if value is None:
        raise ValueError(f"{text!r} is no number: this point was not taken")
    return value
