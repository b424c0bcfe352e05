"""Small CSV tables of numbers: shift scans and past offsets.

A first line that names the columns; comma, semicolon or tab between them; a decimal point, or a decimal comma where the
columns are not parted by commas. UTF-8 with or without mark. Lines that begin with # and empty lines are passed over.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import datetime
from math import isfinite
from pathlib import Path

from ..errors import ReadError
from .scan import ScanReading

_MOST_BYTES = 8 * 2**20

#: Columns of a scan: name → further spellings.
_NEEDED: dict[str, tuple[str, ...]] = {
    "gun_shift_x": ("shift_x", "x"),
    "gun_shift_y": ("shift_y", "y"),
    "current_pa": ("current", "i_pa", "current_na", "i_na"),
}
_WELCOME: dict[str, tuple[str, ...]] = {"minutes": ("time_min", "min"), "sigma_pa": ("current_pa_sigma", "sigma")}


def read_scan(file: str | Path) -> list[ScanReading]:
    """The readings of a shift scan.

    Columns: ``gun_shift_x``, ``gun_shift_y``, ``current_pa`` (or ``current_na``), and where noted ``minutes`` or
    ``taken_at`` (ISO 8601) and ``sigma_pa``.

    Raises:
        ReadError: with the sheet's name, the line and what is allowed.
    """
    header, rows = _lines(Path(file))
    nano = "current_pa" not in header and any(n in header for n in ("current_na", "i_na"))
    table = _numbers(Path(file), header, rows, _NEEDED, _WELCOME)
    times = _times(Path(file), header, rows) if "minutes" not in _found(header, _WELCOME) else None
    unit = 1000.0 if nano else 1.0
    out = []
    for i, row in enumerate(table):
        sigma = row.get("sigma_pa")
        if sigma is not None and not sigma > 0:
            raise ReadError(str(file), f"line {rows[i][0]}: sigma_pa is not above 0", "Give the meter's 1σ in pA")
        minutes = row.get("minutes") if times is None else times[i]
        out.append(
            ScanReading(
                row["gun_shift_x"],
                row["gun_shift_y"],
                unit * row["current_pa"],
                minutes,
                None if sigma is None else unit * sigma,
            )
        )
    return out


def read_table(
    file: str | Path, needed: Mapping[str, tuple[str, ...]], welcome: Mapping[str, tuple[str, ...]]
) -> list[dict[str, float]]:
    """The rows of a table of numbers, by column.

    Args:
        file: the CSV file.
        needed: columns that must be there, with further spellings.
        welcome: columns that may be; an empty cell leaves its key out.

    Raises:
        ReadError: with the sheet's name, the line and what is allowed.
    """
    header, rows = _lines(Path(file))
    return _numbers(Path(file), header, rows, needed, welcome)


def _lines(file: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """The header's names (lower case, words joined by _) and the filled lines with their numbers."""
    try:
        if file.stat().st_size > _MOST_BYTES:
            raise ReadError(str(file), "this is far too large for a table of readings", "Give a CSV sheet")
        text = file.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ReadError(str(file), "there is no such file", "Check its name and folder") from None
    except IsADirectoryError:
        raise ReadError(str(file), "this is a folder", "Give a CSV sheet") from None
    except PermissionError:
        raise ReadError(str(file), "no permission to read it", "Check who owns it") from None
    except UnicodeDecodeError:
        raise ReadError(str(file), "this is no UTF-8 text", "Save the sheet as CSV in UTF-8") from None
    kept = [(n, t) for n, t in enumerate(text.splitlines(), 1) if t.strip(" \t,;") and not t.lstrip().startswith("#")]
    if not kept:
        raise ReadError(str(file), "the sheet is empty", "Its first line names the columns, such as gun_shift_x")
    first = kept[0][1]
    delimiter = next((d for d in (";", "\t") if d in first), ",")
    parsed = []
    for number, line in kept:
        try:
            parsed.append((number, next(csv.reader(io.StringIO(line), delimiter=delimiter, strict=True))))
        except csv.Error as problem:
            raise ReadError(str(file), f"line {number} is no CSV ({problem})", "Check its quotation marks") from None
    comma = delimiter != ","
    rows = [(n, [c.strip().replace(",", ".") if comma else c.strip() for c in cells]) for n, cells in parsed[1:]]
    return ["_".join(c.strip().lower().split()) for c in parsed[0][1]], rows


def _found(header: Sequence[str], columns: Mapping[str, tuple[str, ...]]) -> dict[str, int]:
    out = {}
    for name, spellings in columns.items():
        place = next((header.index(s) for s in (name, *spellings) if s in header), None)
        if place is not None:
            out[name] = place
    return out


def _numbers(
    file: Path,
    header: list[str],
    rows: list[tuple[int, list[str]]],
    needed: Mapping[str, tuple[str, ...]],
    welcome: Mapping[str, tuple[str, ...]],
) -> list[dict[str, float]]:
    places = _found(header, needed)
    missing = [name for name in needed if name not in places]
    if missing:
        allowed = ", ".join((*needed, *welcome))
        raise ReadError(str(file), f"no column {' and '.join(missing)}", f"Its first line names the columns: {allowed}")
    places |= _found(header, welcome)
    out = []
    for number, cells in rows:
        row = {}
        for name, place in places.items():
            text = cells[place].replace("−", "-") if place < len(cells) else ""
            if not text and name in welcome:
                continue
            try:
                value = float(text)
            except ValueError:
                value = float("nan")
            if not isfinite(value):
                said = f"{name} is {text!r}" if text else f"{name} is missing"
                raise ReadError(str(file), f"line {number}: {said}", "Give a finite number with a decimal point")
            row[name] = value
        out.append(row)
    return out


def _times(file: Path, header: list[str], rows: list[tuple[int, list[str]]]) -> list[float] | None:
    """Minutes from the first time stamp, where there is a column of them and every line has one."""
    place = next((header.index(n) for n in ("taken_at", "time") if n in header), None)
    if place is None:
        return None
    stamps = []
    for number, cells in rows:
        text = cells[place] if place < len(cells) else ""
        try:
            stamps.append(datetime.fromisoformat(text))
        except ValueError:
            raise ReadError(
                str(file),
                f"line {number}: {text!r} is no time",
                "Write it as 2026-05-04T10:20:30, or leave the column out",
            ) from None
    try:
        return [(s - stamps[0]).total_seconds() / 60.0 for s in stamps]
    except TypeError:
        raise ReadError(str(file), "some times have a zone and some have none", "Write all of them alike") from None
