"""``apertrue assess``: judge pictures."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._assess_show import print_results
from ._output import note, print_json, print_text
from ._pages import as_page

if TYPE_CHECKING:
    from ..advice import Context
    from ..assessment import Assessment
    from ..frame import Frame
    from ..judging import Setup, Unread
    from ..pipeline import Result
    from ..readers import SheetRow
    from ..report import PictureReport
    from ..scene import Hints

app = typer.Typer()


@app.command()
def assess(
    pictures: Annotated[
        list[str], typer.Argument(metavar="PICTURE...", help="Pictures, folders or patterns such as 'day1/*.tif'.")
    ],
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object a picture, in the order given.")] = False,
    combine: Annotated[
        bool,
        typer.Option(
            "--combine", help="These are frames of one scene: judge them together too, and tell their jitter."
        ),
    ] = False,
    overlay: Annotated[
        Path | None, typer.Option("--overlay", metavar="DIR", help="Write each picture with its edges as PNG.")
    ] = None,
    report: Annotated[
        Path | None,
        typer.Option(
            "--report", metavar="FILE.html", callback=as_page, help="Write one page with pictures and numbers."
        ),
    ] = None,
    instrument: Annotated[
        Path | None,
        typer.Option("--instrument", metavar="FILE.toml", help="Instrument file; see: apertrue instrument."),
    ] = None,
    sheet: Annotated[
        Path | None, typer.Option("--sheet", metavar="FILE.csv", help="Readings per picture: file, gun_shift_x, ...")
    ] = None,
    setting: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="FIELD=VALUE", help="State that the files do not tell, such as kv=200. Repeat."),
    ] = None,
    linear: Annotated[
        bool | None, typer.Option("--linear/--not-linear", help="Whether gray levels are proportional to the light.")
    ] = None,
    aperture_radius_px: Annotated[
        float | None,
        typer.Option(metavar="PX", help="The aperture's radius in this view: decides whose edge a lone one is."),
    ] = None,
    region: Annotated[
        str | None, typer.Option(metavar="L,T,R,B", help="Search only here: left,top,right,bottom in px.")
    ] = None,
    as_taken: Annotated[
        bool, typer.Option("--as-taken", help="Judge as of when each picture was taken: none is called stale.")
    ] = False,
    log: Annotated[
        Path | None,
        typer.Option("--log", metavar="FILE", help="Weigh what this session log tells; it is only read."),
    ] = None,
) -> None:
    """Judge pictures: is the beam centered in the condenser aperture, by how much is it off, what to do.

    \b
    Examples:
      apertrue assess snapshot.tif
      apertrue assess day1/ day2/*.png --overlay overlays --report report.html
      apertrue assess stack.mrc --set kv=200 --set aperture_um=70
      apertrue assess burst.tif --combine
      apertrue assess pictures/ --json > results.jsonl

    Verdicts: leave, nudge (a small move by hand), auto (the automatic routine is worth its time), retake (this picture
    can't tell). Exit status: 0 done, 1 some picture could not be read (the others are done), 2 wrong usage.

    apertrue advises; it is not yet verified on an instrument. The maker's manual, local rules and trained staff come
    first.
    """
    from ..judging import Unread, judge_files, unread_row

    setup = _setup(instrument, sheet, setting or [], linear, aperture_radius_px, region, as_taken)
    if log is not None:
        setup = _with_history(setup, log)
    results: list[Result | Unread] = []
    failed, taken = False, set[str]()
    page = _report_page() if report is not None else None
    outcomes = judge_files(_expanded(pictures), setup)
    trouble: list[str] = []
    for outcome in _and_combined(outcomes, setup, trouble) if combine else outcomes:
        if isinstance(outcome, Unread):
            failed = True
            if json:
                print_json(unread_row(outcome).to_dict())
            note(outcome.message)
            results.append(outcome)
            if page is not None:
                page.add_unread((outcome.file, outcome.reason))
            continue
        if json:
            print_json(outcome.assessment.to_dict())
        note_radius(outcome, setup.hints)
        if overlay is not None:
            _save_overlay(outcome, overlay, taken)
        if page is not None:
            page.add(outcome)
        results.append(_without_pixels(outcome))
    if not results:
        raise typer.Exit(2)
    note_sheet(sheet, setup.sheet, [_file_of(r) for r in results])
    if not json:
        print_results(results, None if as_taken else setup.instrument.limits.stale_min)
        if overlay is not None and taken:
            print_text(f"Overlays: {overlay.resolve()}")
    if report is not None and page is not None:
        _write_report(report, page, quiet=json)
    if trouble:
        raise _usage(f"not combined: {trouble[0]}")
    if failed:
        raise typer.Exit(1)


def note_radius(result: "Result", hints: "Hints") -> None:
    """Say on stderr where the picture shows another radius of the aperture than the given one, which then decides nothing."""
    from math import hypot

    from ..registry.format import format_value

    given, a = hints.aperture_radius_px, result.assessment
    if given is None or a.aperture_radius_px is None or a.aperture_source != "picture":
        return
    sigma = hypot(hints.aperture_radius_sigma * given, a.aperture_radius_px_sigma or 0.0)
    if abs(a.aperture_radius_px - given) > 2.0 * sigma:
        seen = format_value("aperture_radius_px", a.aperture_radius_px, a.aperture_radius_px_sigma)
        note(
            f"{a.file}: you gave {given:g} px for the aperture's radius, the picture shows {seen}; the picture's is used"
        )


def _file_of(outcome: "Result | Unread") -> str:
    from ..judging import Unread

    return outcome.file if isinstance(outcome, Unread) else (outcome.frame.file or "")


def note_sheet(sheet: Path | None, rows: "Sequence[SheetRow]", files: Sequence[str]) -> None:
    """Say on stderr where names in the sheet and of the pictures do not meet."""
    from ..readers import sheet_misses

    said = None if sheet is None else sheet_misses(str(sheet), rows, files)
    if said is not None:
        note(said)


def _and_combined(
    outcomes: "Iterator[Result | Unread]", setup: "Setup", trouble: list[str]
) -> "Iterator[Result | Unread]":
    """Each outcome as it comes, then all frames together; why they can't be combined goes to ``trouble``."""
    from ..burst import Combiner
    from ..errors import BurstError

    combiner = Combiner(setup)
    for outcome in outcomes:
        if not trouble:
            try:
                combiner.add(outcome)
            except BurstError as error:
                trouble.append(str(error))
        yield outcome
    try:
        if not trouble and combiner.given:
            yield combiner.combined().result
    except BurstError as error:
        trouble.append(str(error))


def _expanded(pictures: Sequence[str]) -> Iterator[Path | str]:
    """The files meant; addresses of other machines go on as they are, our own overlays are passed over."""
    from ..readers import expand

    for given in pictures:
        if "://" in given:
            yield given
            continue
        empty = True
        for path in expand([given]):
            # The overlays' own room is not asked for its ending here: it would load the drawing library.
            if str(path) == given or not path.name.endswith(".overlay.png"):
                empty = False
                yield path
        if empty:
            note(f"no pictures found in {given}. Name pictures, or folders that hold some.")


def _setup(
    instrument: Path | None,
    sheet: Path | None,
    settings: list[str],
    linear: bool | None,
    aperture_radius_px: float | None,
    region: str | None,
    as_taken: bool,
) -> "Setup":
    from ..frame import State
    from ..instrument import find_instrument
    from ..judging import Setup, kept_calibrations
    from ..readers import ReadOptions, read_sheet
    from ..scene import Hints

    found, file = find_instrument(instrument)
    if aperture_radius_px is not None and not aperture_radius_px > 0:
        raise _usage("--aperture-radius-px must be above 0")
    options = ReadOptions(timezone=found.timezone, state=State().updated("option", **_state(settings)))
    return Setup(
        instrument=found,
        hints=Hints(linear=linear, aperture_radius_px=aperture_radius_px, region=_region(region)),
        options=options,
        sheet=() if sheet is None else read_sheet(sheet, options=options),
        now=None if as_taken else datetime.now(UTC),
        calibrations=kept_calibrations(file),
    )


def _with_history(setup: "Setup", log: Path) -> "Setup":
    """The set-up with what a session log tells: drift, changes, failed nudges, hangs, the lab's own costs."""
    from dataclasses import replace

    from ..session import open_log
    from ..session.context import context_for
    from ..session.history import learned_instrument

    if not log.exists():
        raise _usage(f"{log}: there is no such log. 'apertrue session add PICTURE' starts one.")
    # Open until the process ends: it is only read.
    store = open_log(log, read_only=True)

    def told(frame: "Frame", assessment: "Assessment | None") -> "Context":
        now = setup.now or frame.taken_at or datetime.now(UTC)
        return context_for(store, frame, setup.instrument, now, calibrations=setup.calibrations, assessment=assessment)

    learned = learned_instrument(store, setup.instrument, setup.now or datetime.now(UTC))
    return replace(setup, instrument=learned, history=told)


def _usage(message: str) -> typer.Exit:
    note(message)
    return typer.Exit(2)


def _state(settings: list[str]) -> dict[str, Any]:
    """The values of ``--set``, by field."""
    from ..registry import FIELDS, FocusSide
    from ..registry.format import number_typed

    known = {f.name: f for f in FIELDS if f.group == "state" and f.name != "state_source"}
    values: dict[str, Any] = {}
    for text in settings:
        name, equals, value = text.partition("=")
        name = name.strip().replace("-", "_")
        if not equals or name not in known:
            raise _usage(f"--set {text}: write FIELD=VALUE; fields: {', '.join(known)}")
        if known[name].kind == "text":
            if name == "focus_side" and value not in tuple(FocusSide):
                raise _usage(f"--set {text}: focus_side is {' or '.join(FocusSide)}")
            values[name] = value
            continue
        number = number_typed(value)
        if number is None:
            raise _usage(f"--set {text}: {name} is a number ({known[name].unit})")
        if not known[name].allows(number):
            raise _usage(f"--set {text}: {name} is {known[name].allowed}")
        values[name] = number
    return values


def _region(text: str | None) -> tuple[float, float, float, float] | None:
    if text is None:
        return None
    try:
        left, top, right, bottom = (float(part) for part in text.split(","))
    except ValueError:
        raise _usage(f"--region {text}: write four numbers, left,top,right,bottom in px") from None
    if not (left < right and top < bottom):
        raise _usage(f"--region {text}: left must be smaller than right, top smaller than bottom")
    return left, top, right, bottom


def _without_pixels(result: "Result") -> "Result":
    """The result with a single pixel in place of the picture, so that a long run does not hold them all."""
    from dataclasses import replace

    return replace(result, frame=replace(result.frame, pixels=result.frame.pixels[:1, :1].copy()))


def _save_overlay(result: "Result", folder: Path, taken: set[str]) -> None:
    from ..overlay import save_overlay

    save_overlay(result, folder, taken)


def _report_page() -> "PictureReport":
    from ..report import PictureReport

    return PictureReport()


def _write_report(path: Path, page: "PictureReport", *, quiet: bool) -> None:
    from ..report import write_page
    from ..whole_file import folder_for_output

    folder_for_output(path.parent)
    written = write_page(path, page.render())
    (note if quiet else print_text)(f"Report: {Path(written).resolve().as_uri()}")
