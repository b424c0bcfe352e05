"""``apertrue scan``: the shift that gives the most current, from meter readings."""

from pathlib import Path
from typing import Annotated, Any

import typer

from ._output import note, print_json, print_text

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
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Where is the current largest? Fits the physical transmission curve to readings at several shift readings.

    The sheet holds at least 7 readings over both axes (or 5 along one), out to where the current has fallen by about a
    third on each side. Small steps, nothing sensitive in the beam, back to the first reading at the end.

    \b
    Examples:
      apertrue scan scan.csv
      apertrue scan scan.csv --matrix 4.1,0.3,-0.2,3.9 --edges 3.2,-1.1,0.2,0.2
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

    found = fit_scan(
        read_scan(sheet),
        matrix=None if m is None else np.array(m),
        ratio=_pair("--ratio", ratio),
        halo=_pair("--halo", halo),
    )
    test = None
    if edges is not None:
        x, y, sx, sy = _numbers("--edges", edges, 4)
        if not (sx > 0 and sy > 0):
            note("--edges: both 1σ must be above 0")
            raise typer.Exit(2)
        if found.center is not None:
            test = agreement(found.center, Point2(x, y, sx, sy))
    if json:
        print_json(_record(sheet, found, test))
        return
    for sentence in scan_sentences(found):
        print_text(sentence)
    if test is not None:
        print_text(agreement_sentence(test))


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
