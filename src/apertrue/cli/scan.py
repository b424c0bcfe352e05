"""``apertrue scan``: the shift that gives the most current, from meter readings."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._output import note, print_json, print_text

if TYPE_CHECKING:
    from ..calibration import Calibration
    from ..compare.agreement import Point2

app = typer.Typer()


@app.command()
def scan(
    sheet: Annotated[
        Path, typer.Argument(metavar="SHEET.csv", help="gun_shift_x, gun_shift_y, current_pa, [minutes].")
    ],
    matrix: Annotated[
        str | None,
        typer.Option(
            "--matrix",
            metavar="XX,XY,YX,YY",
            help="Shift calibration, % of the aperture radius per console unit: row by row.",
        ),
    ] = None,
    ratio: Annotated[
        str | None,
        typer.Option("--ratio", metavar="VALUE,SIGMA", help="Beam radius / aperture radius from a picture."),
    ] = None,
    halo: Annotated[
        str | None, typer.Option("--halo", metavar="VALUE,SIGMA", help="Halo share from a picture (halo_fraction).")
    ] = None,
    edges: Annotated[
        str | None,
        typer.Option(
            "--edges",
            metavar="X,Y,SX,SY",
            help="Edge-based center in shift readings with its 1σ, to test whether both agree.",
        ),
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="A picture at the scan's focus: its edges and the kept shift calibration give the center to test.",
        ),
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", metavar="X,Y", help="Gun shift readings of --picture, if it does not tell.")
    ] = None,
    setting: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="FIELD=VALUE", help="State that the picture does not tell, such as kv=200."),
    ] = None,
    instrument: Annotated[
        Path | None,
        typer.Option("--instrument", metavar="FILE.toml", help="Instrument file; the calibrations lie beside it."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Where is the current largest? Fits the physical transmission curve to readings at several shift readings.

    The sheet holds at least 7 readings over both axes (or 5 along one), out to where the current has fallen by about a
    third on each side. Small steps, nothing sensitive in the beam, back to the first reading at the end.

    \b
    Examples:
      apertrue scan scan.csv
      apertrue scan scan.csv --matrix 4.1,0.3,-0.2,3.9 --edges 3.2,-1.1,0.2,0.2
      apertrue scan scan.csv --picture now.tif --at 3.2,-1.1
      apertrue scan scan.csv --json

    apertrue only advises; it has not yet been verified on an instrument.
    """
    from ..compare.agreement import Point2, agreement
    from ..compare.scan import fit_scan
    from ..compare.scan_words import agreement_sentence, scan_sentences
    from ..compare.sheet import read_scan

    m = None
    if matrix is not None:
        values = _numbers("--matrix", matrix, 4)
        if abs(values[0] * values[3] - values[1] * values[2]) < 1e-9:
            note("--matrix: these numbers can't be inverted; check the calibration")
            raise typer.Exit(2)
        m = [[values[0], values[1]], [values[2], values[3]]]
    import numpy as np

    known: dict[str, Any] = {"ratio": _pair("--ratio", ratio), "halo": _pair("--halo", halo)}
    if m is not None:
        known["matrix"] = np.array(m)
    place = None
    if edges is not None:
        x, y, sx, sy = _numbers("--edges", edges, 4)
        if not (sx > 0 and sy > 0):
            note("--edges: both 1σ must be above 0")
            raise typer.Exit(2)
        place = Point2(x, y, sx, sy)
    if picture is not None:
        seen, calibration, told = _seen(picture, at, setting or [], instrument)
        place = place or seen
        if m is None:
            from ..calibration.quality import relative_doubts

            known |= {
                "matrix": calibration.a,
                "matrix_relative_sigma": relative_doubts(calibration.a, calibration.cov)[0],
            }
        known |= {name: value for name, value in told.items() if known[name] is None}
    found = fit_scan(read_scan(sheet), **known)
    test = None if place is None or found.center is None else agreement(found.center, place)
    if json:
        print_json(_record(sheet, found, test))
        return
    for sentence in scan_sentences(found):
        print_text(sentence)
    if test is not None:
        print_text(agreement_sentence(test))


def _seen(
    picture: Path, at: str | None, setting: list[str], instrument: Path | None
) -> "tuple[Point2, Calibration, dict[str, tuple[float, float]]]":
    """Where the picture's edges would be concentric, the calibration that says so, and the beam's radius and halo."""
    from ..calibration import StateKey, calibration_path, choose, load_calibrations, point_from, why_none
    from ..compare.agreement import edge_center
    from ..compare.changes import offset_of
    from ..errors import CalibrationError
    from ..instrument import find_instrument
    from ._calibrate_given import judged_pictures, reading_pair

    result = judged_pictures([str(picture)], None, setting, instrument)[0]
    x, y = (None, None) if at is None else reading_pair(at)
    point = point_from(result.assessment, shift_x=x, shift_y=y)
    place = calibration_path(find_instrument(instrument)[1])
    kept, state = load_calibrations(place), StateKey.of(result.frame.state).seen_in(result.assessment)
    calibration = choose(kept, state)
    if calibration is None:
        raise CalibrationError(f"{place}: {why_none(kept, state)} Step by step: apertrue calibrate --guide")
    for sentence in calibration.valid_for(state, result.frame.taken_at).sentences:
        note(sentence)
    a = result.assessment
    offset = offset_of(a)
    if offset is None:
        raise CalibrationError(f"{picture}: the 1σ of its offset is not known")
    told: dict[str, tuple[float, float]] = {}
    if a.beam_radius_px and a.aperture_radius_px and a.beam_radius_px_sigma is not None:
        value = a.beam_radius_px / a.aperture_radius_px
        told["ratio"] = (value, max(a.beam_radius_px_sigma / a.aperture_radius_px, 1e-3))
    if a.halo_fraction is not None and a.halo_fraction_sigma is not None:
        told["halo"] = (a.halo_fraction, max(a.halo_fraction_sigma, 1e-3))
    center = edge_center((point.shift_x, point.shift_y), offset, calibration.a, calibration.cov)
    return center, calibration, told


def _numbers(option: str, text: str, count: int) -> list[float]:
    from math import isfinite

    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) != count or not all(isfinite(v) for v in values):
        note(f"{option} {text}: write {count} numbers, parted by commas")
        raise typer.Exit(2)
    return values


def _pair(option: str, text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    value, sigma = _numbers(option, text, 2)
    if not (value > 0 and sigma > 0):
        note(f"{option} {text}: value and 1σ must be above 0")
        raise typer.Exit(2)
    return value, sigma


def _record(sheet: Path, found: Any, test: Any) -> dict[str, Any]:
    from dataclasses import asdict

    from ..compare.scan_words import scan_sentences

    out: dict[str, Any] = {"sheet": sheet, **asdict(found)}
    out["agreement"] = None if test is None else {**asdict(test), "agrees": test.agrees}
    out["sentences"] = list(scan_sentences(found))
    return out
