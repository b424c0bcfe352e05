"""Records from a CSV sheet: pairs noted by hand, or the export of a session log.

The first line names the columns: the registry's field names or a few everyday spellings; ``gun_focus`` and
``current_pa`` are required, further columns of the registry are taken, others passed over. Numbers use a decimal point,
or a decimal comma where columns are not parted by commas. Lines that begin with # are comments.
"""

import csv
import io
from collections.abc import Mapping
from datetime import datetime
from math import isfinite
from pathlib import Path
from types import MappingProxyType
from typing import Any

from ..errors import ReadError
from ..registry import FIELDS, field_names

#: Everyday spellings of columns (lower case, words parted by single spaces).
SPELLINGS: Mapping[str, str] = MappingProxyType(
    {
        "focus": "gun_focus",
        "gun focus": "gun_focus",
        "gun lens focus": "gun_focus",
        "current": "current_pa",
        "current pa": "current_pa",
        "current (pa)": "current_pa",
        "side": "focus_side",
        "high tension": "kv",
        "high tension (kv)": "kv",
        "aperture": "aperture_um",
        "aperture (µm)": "aperture_um",
        "aperture (um)": "aperture_um",
        "time": "taken_at",
        "date": "taken_at",
        "taken": "taken_at",
    }
)
_TEXTS = {f.name for f in FIELDS if f.kind in ("text", "texts")} | {"kind", "session", "changed", "source", "outcome"}
_KNOWN = frozenset(field_names()) | _TEXTS | {"at", "current_pa_sigma"}
_MAX_BYTES = 64 * 2**20
_EXAMPLE = "gun_focus,current_pa,focus_side,kv,aperture_um,score"


def read_records(path: str | Path) -> list[dict[str, Any]]:
    """Rows of a CSV sheet as records; each has its ``source`` ("file, line n").

    Raises:
        ReadError: naming file, line, reason and remedy.
    """
    name = str(path)
    try:
        with Path(path).open("rb") as file:
            raw = file.read(_MAX_BYTES + 1)
    except OSError as problem:
        raise ReadError(name, problem.strerror or str(problem), "Name a CSV sheet that can be read") from problem
    if len(raw) > _MAX_BYTES:
        raise ReadError(name, "it is larger than 64 MiB", "Split the sheet")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise ReadError(name, "it is no UTF-8 text", "Save the sheet as CSV in UTF-8") from problem
    if "\x00" in text:
        raise ReadError(name, "it is no text", "Name a CSV sheet")
    head = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    delimiter = max(",;\t", key=head.count) if head else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    columns: list[str | None] | None = None
    out: list[dict[str, Any]] = []
    try:
        for cells in reader:
            cells = [c.strip() for c in cells]
            if not any(cells) or cells[0].startswith("#"):
                continue
            if columns is None:
                columns = _columns(name, cells)
                continue
            out.append(_record(name, reader.line_num, cells, columns, delimiter != ","))
    except csv.Error as problem:
        raise ReadError(name, f"line {reader.line_num} is no CSV ({problem})", "Check its quotation marks") from problem
    if columns is None:
        raise ReadError(name, "the sheet is empty", f"Its first line names the columns, for instance {_EXAMPLE}")
    return out


def _columns(name: str, cells: list[str]) -> list[str | None]:
    out: list[str | None] = []
    for cell in cells:
        key = " ".join(cell.lower().replace("_", " ").split())
        exact = cell.strip().lower().replace(" ", "_")
        out.append(exact if exact in _KNOWN else SPELLINGS.get(key))
    for required in ("gun_focus", "current_pa"):
        if required not in out:
            raise ReadError(name, f"it has no column {required}", f"Name the columns, for instance {_EXAMPLE}")
    twice = next((c for c in out if c is not None and out.count(c) > 1), None)
    if twice is not None:
        raise ReadError(name, f"two columns are named {twice}", "Keep one of them")
    return out


def _record(name: str, line: int, cells: list[str], columns: list[str | None], comma: bool) -> dict[str, Any]:
    if len(cells) > len(columns) and any(cells[len(columns) :]):
        raise ReadError(name, f"line {line} has more cells than there are columns", "Check for stray commas")
    record: dict[str, Any] = {"source": f"{name}, line {line}"}
    for column, cell in zip(columns, cells, strict=False):
        if column is None or cell == "":
            continue
        if column in ("at", "taken_at"):
            record[column] = _moment(name, line, column, cell)
        elif column in _TEXTS:
            record[column] = cell
        else:
            record[column] = _number(name, line, column, cell, comma)
    if "changed" in record:
        record["changed"] = tuple(record["changed"].split(";"))
    return record


def _moment(name: str, line: int, column: str, cell: str) -> datetime:
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError as problem:
        raise ReadError(
            name, f"line {line}: {column} is {cell!r}", "Write times as 2026-03-09T14:30 (ISO 8601)"
        ) from problem
    return moment if moment.tzinfo is not None else moment.astimezone()


def _number(name: str, line: int, column: str, cell: str, comma: bool) -> float:
    try:
        value = float(cell.replace(",", ".") if comma else cell)
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise ReadError(name, f"line {line}: {column} is {cell!r}", "Write a plain number, such as 38.5")
    return value
