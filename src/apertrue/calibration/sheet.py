"""A sheet of calibration points: readings and offsets already measured, one point a line (CSV).

Columns: ``gun_shift_x``, ``gun_shift_y``, ``offset_x_percent``, ``offset_y_percent``; optional their ``_sigma``,
``offset_xy_correlation``, ``taken_at`` (ISO 8601), ``approach_x``, ``approach_y`` (−1, 0, 1) and ``file``. A table of
results that apertrue wrote has these names. Comma, semicolon or tab between columns; decimal comma where commas do
not part
columns. Other columns are passed over.
"""

import csv
import io
import re
from datetime import datetime
from math import isfinite
from pathlib import Path

from ..errors import ReadError
from .points import Point

NEEDED = ("gun_shift_x", "gun_shift_y", "offset_x_percent", "offset_y_percent")
_NUMBER = re.compile(r"[-+−]?(\d+[.,]?\d*|[.,]\d+)([eE][-+]?\d+)?")
_MOST_BYTES = 16 * 2**20


def is_point_sheet(path: str | Path) -> bool:
    """Whether a CSV file's first line names offsets (else it names pictures)."""
    try:
        with Path(path).open(encoding="utf-8-sig", errors="replace") as file:
            return "offset_x_percent" in file.readline(100_000)
    except OSError:
        return False


def read_points(path: str | Path) -> tuple[Point, ...]:
    """The points of a sheet, in its order.

    Raises:
        ReadError: with the sheet's name, line and column, and what is allowed there.
    """
    name = str(path)
    try:
        large = Path(path).stat().st_size > _MOST_BYTES
        text = "" if large else Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise ReadError(name, "it is not UTF-8 text", "Save the sheet as CSV UTF-8") from None
    except OSError as error:
        raise ReadError(name, f"it can't be read ({error.strerror or error})", "Check the file name") from None
    if large:
        raise ReadError(name, "it is too large for a sheet of points", "Name the CSV file with the points")
    header = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=header.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise ReadError(name, f"it is no CSV ({error})", "Check its quotation marks") from None
    columns = [c.strip() for c in rows[0]] if rows else []
    missing = [c for c in NEEDED if c not in columns]
    if missing:
        raise ReadError(name, f"line 1: columns missing: {', '.join(missing)}", f"Needed are {', '.join(NEEDED)}")
    if len(set(columns)) < len(columns):
        raise ReadError(name, "line 1: a column stands there twice", "Keep one of them")
    out = []
    for line, cells in enumerate(rows[1:], 2):
        if not any(c.strip() for c in cells):
            continue
        if len(cells) > len(columns):
            raise ReadError(
                name,
                f"line {line} has {len(cells)} cells for {len(columns)} columns",
                "Use a decimal point where commas part columns",
            )
        row = dict(zip(columns, (c.strip() for c in cells), strict=False))
        out.append(_point(row, line, name, delimiter != ","))
    return tuple(out)


def _point(row: dict[str, str], line: int, name: str, comma: bool) -> Point:
    def number(column: str, needed: bool = False) -> float | None:
        cell = row.get(column, "")
        where = f"line {line}, column {column!r}"
        if not cell:
            if needed:
                raise ReadError(
                    name, f"{where} is empty", "Give it, or leave out the line (a lost beam teaches nothing)"
                )
            return None
        if not _NUMBER.fullmatch(cell) or ("," in cell and not comma):
            raise ReadError(name, f"{where}: {cell!r} is no number", "Write a number such as -3.2")
        value = float(cell.replace("−", "-").replace(",", "."))
        if not isfinite(value):
            raise ReadError(name, f"{where}: {cell!r} is out of range", "Write a finite number")
        return value

    values = [number(c, needed=True) for c in NEEDED]
    minutes = None
    if row.get("taken_at"):
        try:
            minutes = datetime.fromisoformat(row["taken_at"]).timestamp() / 60.0
        except ValueError:
            raise ReadError(
                name,
                f"line {line}, column 'taken_at': {row['taken_at']!r} is no time",
                "Write 2026-03-14T09:26:53+01:00",
            ) from None
    sides = [number(c) for c in ("approach_x", "approach_y")]
    approach = None
    if any(s is not None for s in sides):
        if any(s not in (None, -1.0, 0.0, 1.0) for s in sides):
            raise ReadError(name, f"line {line}: an approach is -1, 0 or 1", "0 stands for unknown")
        approach = (int(sides[0] or 0), int(sides[1] or 0))
    x, y, ox, oy = (float(v) for v in values if v is not None)
    return Point(
        x,
        y,
        ox,
        oy,
        number("offset_x_percent_sigma"),
        number("offset_y_percent_sigma"),
        number("offset_xy_correlation") or 0.0,
        minutes,
        approach,
        label=row.get("file") or f"line {line}",
    )
