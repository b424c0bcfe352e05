"""``apertrue compare``: what a move changed between two pictures."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._output import note, print_json, print_sentence, print_text

if TYPE_CHECKING:
    from ..frame import Frame
    from ..judging import Setup
    from ..pipeline import Result

app = typer.Typer()


@app.command()
def compare(
    pictures: Annotated[
        list[Path], typer.Argument(metavar="BEFORE AFTER", help="The pictures before and after the move.")
    ],
    current_before: Annotated[
        float | None, typer.Option("--current-before", metavar="PA", help="Beam current before, pA.")
    ] = None,
    current_after: Annotated[
        float | None, typer.Option("--current-after", metavar="PA", help="Beam current after, pA.")
    ] = None,
    meter: Annotated[
        float, typer.Option("--meter-sigma", metavar="PERCENT", help="The current meter's 1σ, % of the reading.")
    ] = 1.0,
    by_hand: Annotated[
        bool, typer.Option("--by-hand", help="The move was made by hand, not by the automatic routine.")
    ] = False,
    learned: Annotated[
        Path | None,
        typer.Option(
            "--learned",
            metavar="FILE.csv",
            help="Offsets right after earlier runs of the routine: columns offset_x_percent, offset_y_percent.",
        ),
    ] = None,
    sheet: Annotated[
        Path | None, typer.Option("--sheet", metavar="FILE.csv", help="Readings per picture: file, current_pa, ...")
    ] = None,
    instrument: Annotated[
        Path | None, typer.Option("--instrument", metavar="FILE.toml", help="Instrument file.")
    ] = None,
    linear: Annotated[
        bool | None, typer.Option("--linear/--not-linear", help="Whether gray levels are proportional to the light.")
    ] = None,
    strengths: Annotated[
        str | None,
        typer.Option(
            "--strengths",
            metavar="S1,S2,S3...",
            help="Three or more pictures at these condenser strengths: is the aperture on the axis?",
        ),
    ] = None,
    light: Annotated[bool, typer.Option("--light", help="Show a map of the second picture's light.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Say what the routine, or the hand, changed, whether it is larger than the doubt, whether current and edges agree.

    \b
    Examples:
      apertrue compare before.tif after.tif
      apertrue compare before.tif after.tif --current-before 180 --current-after 204
      apertrue compare a.tif b.tif --by-hand --light
      apertrue compare c1.tif c2.tif c3.tif --strengths 20,30,40

    Pictures of the two focus sides (sheet column focus_side) also tell astigmatism from dispersion.

    Exit status: 0 done (also when a picture can't be judged), 1 a picture could not be read, 2 wrong usage.
    apertrue only advises; it has not yet been verified on an instrument.
    """
    from dataclasses import replace

    from ..compare.before_after import compare as compare_pictures
    from ..instrument import find_instrument
    from ..judging import Setup
    from ..readers import ReadOptions, read_sheet
    from ..scene import Hints
    from .assess import note_sheet

    if not 0 < meter < 100:
        note("--meter-sigma must lie between 0 and 100 %")
        raise typer.Exit(2)
    for name, value in (("--current-before", current_before), ("--current-after", current_after)):
        if value is not None and not 0 <= value < float("inf"):
            note(f"{name} must be a current in pA, not negative")
            raise typer.Exit(2)
    found, _ = find_instrument(instrument)
    options = ReadOptions(timezone=found.timezone)
    setup = Setup(
        instrument=found,
        hints=Hints(linear=linear),
        options=options,
        sheet=() if sheet is None else read_sheet(sheet, options=options),
    )
    if strengths is not None:
        _axis(pictures, strengths, setup, json)
        return
    if len(pictures) != 2:
        note(f"name two pictures, BEFORE and AFTER; got {len(pictures)}")
        raise typer.Exit(2)
    first, second = (_judged(file, setup) for file in pictures)
    note_sheet(sheet, setup.sheet, [str(p) for p in pictures])
    a, b = first.assessment, second.assessment
    a = a if current_before is None else replace(a, current_pa=current_before)
    b = b if current_after is None else replace(b, current_pa=current_after)
    difference = None if learned is None else _learned(learned)
    made = compare_pictures(
        a,
        b,
        after_scene=second.scene,
        same_view=_same_view(first.frame, second.frame),
        limits=found.limits,
        learned=difference,
        meter=meter / 100.0,
        by_routine=not by_hand,
        same_frame=first.frame.digest is not None and first.frame.digest == second.frame.digest,
    )
    if json:
        print_json(_record(made, a, b, difference, second if light else None))
        return
    for sentence in made.sentences:
        print_sentence(sentence)
    if difference is not None and difference.named and not any(m.id == "learned-difference" for m in made.misfits):
        print_text(
            f"Intensity center and edge center differ by {difference.size_percent:.1f} % of the aperture radius "
            f"over {difference.runs} runs of the routine."
        )
    if light:
        _print_light(second)


def _axis(pictures: list[Path], strengths: str, setup: "Setup", json: bool) -> None:
    """Is the aperture on the axis? From pictures at several strengths of a condenser lens."""
    from dataclasses import asdict

    from ..compare.misalignment import aperture_axis

    try:
        values = [float(part) for part in strengths.split(",")]
    except ValueError:
        values = []
    if len(values) != len(pictures):
        note(f"--strengths {strengths}: write one number a picture, parted by commas")
        raise typer.Exit(2)
    try:
        found = aperture_axis(values, [_judged(file, setup).assessment for file in pictures])
    except ValueError as error:
        note(f"{error}.")
        raise typer.Exit(2) from None
    if json:
        print_json(asdict(found))
    else:
        print_sentence(found.sentence)


def _light_rows(result: "Result") -> list[list[float]] | None:
    """The light's map of a judged picture: rings from the center outward, sectors counter-clockwise from the right."""
    from ..compare.light import light_map

    found = light_map(result.frame.pixels, result.scene)
    return None if found is None else found.light.tolist()


def _print_light(result: "Result") -> None:
    from ..registry.format import NOTHING
    from ._output import print_table

    rows = _light_rows(result)
    if rows is None:
        print_text("No map of the light: it needs the beam's edge and a picture with linear gray levels.")
        return
    sectors = len(rows[0])
    headings = ["Light, % of its mean", *(f"{360 * i // sectors}°" for i in range(sectors))]
    names = ("center", "middle", "rim")
    body = [[n, *(NOTHING if v != v else f"{100 * v:.0f}" for v in row)] for n, row in zip(names, rows, strict=True)]
    print_table(headings, body, right=range(1, sectors + 1))


def _judged(file: Path, setup: "Setup") -> "Result":
    """The first page's result; a file that can't be read ends the command with status 1."""
    from ..judging import Unread, judge_files

    outcome = next(iter(judge_files([file], setup)), None)
    if outcome is None or isinstance(outcome, Unread):
        note(f"{file}: there is no picture in it." if outcome is None else outcome.message)
        raise typer.Exit(1)
    return outcome


def _same_view(a: "Frame", b: "Frame") -> bool:
    return a.shape == b.shape and a.state.magnification == b.state.magnification and a.state.camera == b.state.camera


def _learned(file: Path) -> Any:
    from ..compare.agreement import Point2
    from ..compare.difference import learn_difference
    from ..compare.sheet import read_table

    columns = read_table(
        file,
        {"offset_x_percent": ("x",), "offset_y_percent": ("y",)},
        {"offset_x_percent_sigma": ("x_sigma",), "offset_y_percent_sigma": ("y_sigma",)},
    )
    points = [
        Point2(
            row["offset_x_percent"],
            row["offset_y_percent"],
            row.get("offset_x_percent_sigma", 0.2),
            row.get("offset_y_percent_sigma", 0.2),
        )
        for row in columns
    ]
    return learn_difference(points)


def _record(made: Any, a: Any, b: Any, difference: Any, mapped: "Result | None") -> dict[str, Any]:
    from dataclasses import asdict

    change = asdict(made.change)
    return {
        "before": a.file,
        "after": b.file,
        "offset_before_percent": a.offset_percent,
        "offset_before_percent_sigma": a.offset_percent_sigma,
        "offset_after_percent": b.offset_percent,
        "offset_after_percent_sigma": b.offset_percent_sigma,
        "current_before_pa": a.current_pa,
        "current_after_pa": b.current_pa,
        **change,
        "view_differs": made.view_differs,
        "ellipticity": made.ellipticity.kind,
        "crossover": None if made.crossover is None else made.crossover.kind,
        "light": None if made.light is None else asdict(made.light),
        "light_map": None if mapped is None else _light_rows(mapped),
        "misfits": [asdict(m) for m in made.misfits],
        "learned_difference": None if difference is None else asdict(difference),
        "sentences": list(made.sentences),
    }
