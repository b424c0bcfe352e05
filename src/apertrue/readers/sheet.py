"""The session sheet: what the operator wrote down, one line a picture.

A CSV file (RFC 4180; UTF-8 with or without mark; comma, semicolon or tab between columns) whose first line names the
columns: the fields' own names, or one of :data:`SYNONYMS`. ``file`` is required. Numbers use a decimal point, or a
decimal comma where columns are not parted by commas. Empty cells say nothing.
"""

import csv
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path, PurePosixPath, PureWindowsPath
from types import MappingProxyType
from typing import Any

from ..frame import Frame, State
from ..registry import FIELDS
from .metadata.times import parse_time, with_zone
from .options import ReadOptions
from .source import Source, open_path

_READINGS = {f.name: f for f in FIELDS if f.group == "state" and f.name != "state_source"}
#: Allowed columns, in the order in which messages list them.
COLUMNS = ("file", "page", "taken_at", *_READINGS)
#: Further spellings of columns (lower case, words parted by single spaces).
SYNONYMS: Mapping[str, str] = MappingProxyType(
    {
        "picture": "file",
        "file name": "file",
        "filename": "file",
        "time": "taken_at",
        "taken": "taken_at",
        "date": "taken_at",
        "shift x": "gun_shift_x",
        "shift y": "gun_shift_y",
        "x": "gun_shift_x",
        "y": "gun_shift_y",
        "focus": "gun_focus",
        "gun lens focus": "gun_focus",
        "side": "focus_side",
        "current": "current_pa",
        "current (pa)": "current_pa",
        "high tension (kv)": "kv",
        "aperture (um)": "aperture_um",
        "aperture (µm)": "aperture_um",
        "gun setting": "setting",
        "comment": "note",
        "remark": "note",
    }
)
_MAX_BYTES = 64 * 2**20
_POINT = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")
_COMMA = re.compile(r"[-+]?(\d+,?\d*|,\d+)([eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One line of a sheet.

    Attributes:
        file: the picture's file as written.
        page: page of the stack; ``None`` = every page.
        taken_at: when, with zone; ``None`` where the cell is empty.
        state: the readings, with the source ``sheet``.
        line: line of the sheet, from 1.
    """

    file: str
    page: int | None = None
    taken_at: datetime | None = None
    state: State = field(default_factory=State)
    line: int = 0


def read_sheet(path: str | Path, *, options: ReadOptions | None = None) -> tuple[SheetRow, ...]:
    """The rows of a session sheet.

    Args:
        path: a CSV file.
        options: its ``timezone`` is taken for times without one.

    Raises:
        ReadError: with the sheet's name, line and column, and what is allowed there.
    """
    options = options or ReadOptions()
    source = open_path(path)
    try:
        text = _text(source)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
        try:
            lines = [(reader.line_num, row) for row in reader]
        except csv.Error as problem:
            raise source.error(
                f"line {reader.line_num} is no CSV ({problem})", "Check its quotation marks"
            ) from problem
        filled = [(number, [cell.strip() for cell in row]) for number, row in lines if any(c.strip() for c in row)]
        if not filled:
            raise source.error("the sheet is empty", _allowed())
        columns = _columns(filled[0][1], source)
        comma = reader.dialect.delimiter != ","
        return tuple(_row(cells, columns, number, comma, source, options) for number, cells in filled[1:])
    finally:
        source.close()


def apply_sheet(frame: Frame, rows: Iterable[SheetRow]) -> Frame:
    """``frame`` with what the sheet says about its file and page; the sheet's values win over the file's.

    A row fits when its file ends the frame's path (``a.tif`` fits ``day1/a.tif``; ``day2/a.tif`` does not) and its
    page is the frame's or empty. Later rows win over earlier ones, rows with a page over those without.
    """
    if frame.file is None:
        return frame
    parts = _parts(frame.file)
    fitting = [row for row in rows if (row.page is None or row.page == frame.page) and _ends(parts, row)]
    for row in sorted(fitting, key=lambda r: r.page is not None):
        frame = replace(frame, state=frame.state.updated("sheet", **row.state.values()))
        if row.taken_at is not None:
            frame = replace(frame, taken_at=row.taken_at, taken_at_source="sheet")
    return frame


def sheet_misses(sheet: str, rows: Iterable[SheetRow], files: Iterable[str]) -> str | None:
    """What to say of a sheet some rows of which fit none of the pictures while pictures have none: a name typed wrongly.

    ``None`` where each picture has its row, or each row its picture: a sheet may hold more than is looked at, and less.
    """
    named = {file: _parts(file) for file in dict.fromkeys(files)}
    rows = list(rows)
    lost = [row for row in rows if not any(_ends(parts, row) for parts in named.values())]
    without = [file for file, parts in named.items() if not any(_ends(parts, row) for row in rows)]
    if not lost or not without:
        return None
    of = "these pictures" if len(without) == len(named) else _some(without)
    return (
        f"{sheet}: no row of it fits {of}. Rows without a picture here: "
        f"{_some([f'line {row.line} ({row.file})' for row in lost])}. Write each file's name as it is on the disk."
    )


def _some(texts: list[str]) -> str:
    more = len(texts) - 3
    return ", ".join(texts[:3]) + (f" and {more} more" if more > 0 else "")


def _ends(parts: tuple[str, ...], row: SheetRow) -> bool:
    """Whether the row's file ends a path of these parts."""
    own = _parts(row.file)
    return own == parts[-len(own) :]


def _parts(file: str) -> tuple[str, ...]:
    """A path's parts, whichever way its slashes lean; sheets travel between systems."""
    path = PureWindowsPath(file) if "\\" in file else PurePosixPath(file)
    return tuple(part for part in path.parts if part != ".")


def _text(source: Source) -> str:
    if source.size > _MAX_BYTES:
        raise source.error("it is too large for a session sheet", "Name the CSV file with the readings")
    data = source.block(0, source.size)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = data.count(b"\n", 0, problem.start) + 1
        raise source.error(f"line {line} is not UTF-8 text", "Save the sheet as CSV UTF-8") from problem


def _delimiter(text: str) -> str:
    """The one that parts the column names best."""
    header = next((line for line in text.splitlines() if line.strip()), "")
    return max(";\t,", key=lambda d: (header.count(d), d == ","))


def _columns(header: list[str], source: Source) -> list[str | None]:
    columns: list[str | None] = []
    for title in header:
        words = re.sub(r"[\s_]+", " ", title).strip().casefold().replace("μ", "µ")
        name = words.replace(" ", "_")
        found = name if name in COLUMNS else SYNONYMS.get(words)
        if found is None and words:
            raise source.error(f"line 1, column {title!r}: there is no such column", _allowed())
        if found is not None and found in columns:
            raise source.error(f"line 1, column {title!r}: {found} stands there twice", "Keep one of them")
        columns.append(found)
    if "file" not in columns:
        raise source.error("line 1: there is no column 'file'", _allowed())
    return columns


def _allowed() -> str:
    return "Allowed columns: " + ", ".join(COLUMNS)


def _row(
    cells: list[str],
    columns: list[str | None],
    line: int,
    comma: bool,
    source: Source,
    options: ReadOptions,
) -> SheetRow:
    if len(cells) > len(columns) and any(cells[len(columns) :]):
        raise source.error(
            f"line {line} has {len(cells)} cells for {len(columns)} columns",
            "Put texts with separators in quotation marks; use a decimal point where commas part columns",
        )
    values: dict[str, Any] = {}
    for column, cell in zip(columns, cells):
        if column is not None and cell:
            values[column] = _cell(column, cell, comma, f"line {line}, column '{column}'", source, options)
    if "file" not in values:
        raise source.error(f"line {line}, column 'file': it is empty", "Name the picture's file")
    file, page, taken_at = values.pop("file"), values.pop("page", None), values.pop("taken_at", None)
    return SheetRow(file, page, taken_at, State().updated("sheet", **values), line)


def _cell(column: str, cell: str, comma: bool, where: str, source: Source, options: ReadOptions) -> Any:
    if column == "page":
        if not cell.isascii() or not cell.isdigit():
            raise source.error(f"{where}: {cell!r} is no page", "Allowed are whole numbers from 0")
        return int(cell)
    if column == "taken_at":
        when = parse_time(cell)
        if when is None:
            raise source.error(
                f"{where}: {cell!r} is no date and time", "Allowed is for instance 2026-03-14T09:26:53+01:00"
            )
        return with_zone(when, options.timezone, source.name)
    if column == "focus_side":
        if cell.casefold() not in ("positive", "negative"):
            raise source.error(f"{where}: {cell!r} is no side", "Allowed are positive and negative")
        return cell.casefold()
    reading = _READINGS.get(column)
    if reading is None or reading.kind != "real":
        return cell
    plain = cell.replace("−", "-")
    if _POINT.fullmatch(plain):
        number = float(plain)
    elif comma and _COMMA.fullmatch(plain):
        number = float(plain.replace(",", "."))
    else:
        raise source.error(
            f"{where}: {cell!r} is no number",
            f"Allowed is a number in {reading.unit}" if reading.unit != "1" else "Allowed is a number",
        )
    if not reading.allows(number):
        raise source.error(f"{where}: {cell!r} is out of range", f"Allowed is {reading.allowed}")
    return number
