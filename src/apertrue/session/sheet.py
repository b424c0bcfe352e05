"""The log as CSV and back. Out and in again gives the same bytes; sheets of others need only ``at`` and ``kind``.

Empty = null; ``-`` in a list of ids = none. Numbers are written so that they read back exactly. A text that a spreadsheet
would take for a formula gets an apostrophe in front, which reading takes away.
"""

import csv
import hashlib
from collections.abc import Iterator, Mapping
from datetime import tzinfo
from pathlib import Path
from typing import Any, TextIO

from ..errors import ReadError
from ..registry import FIELDS
from ..store import Store, assessment_columns, cell_text, safe_cell
from .clock import now, read_time
from .log import SessionError, check_entry
from .masking import Mask, mask_for
from .words import COLUMNS, EventKind

_OWN = tuple(c.name for c in COLUMNS if c.name != "id")
#: Columns of the CSV file, in order.
HEADER = (*_OWN, *(name for name, _ in assessment_columns()))
_SQL = {**{c.name: c.sql.split()[0] for c in COLUMNS}, **dict(assessment_columns())}
_LISTS = {f.name for f in FIELDS if f.kind == "texts"}


def export_csv(store: Store, out: TextIO, *, masked: bool = False) -> int:
    """Write all entries, also those taken back, in the order of adding; returns their number.

    Args:
        store: the log.
        out: a text stream opened with ``newline=""``.
        masked: leave names out and folders off file names, for what goes to others.
    """
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180; both characters are quoted in texts
    writer.writerow(HEADER)
    mask = mask_for(store) if masked else None
    count = 0
    for row in store.rows("select * from log order by id"):
        keys = set(row.keys())
        writer.writerow([_text(name, row[name] if name in keys else None, mask) for name in HEADER])
        count += 1
    return count


def _text(name: str, value: Any, mask: Mask | None) -> str:
    if value is None:
        return ""
    if mask is not None and isinstance(value, str):
        if name == "who":
            return ""
        value = mask.file(value) if name == "file" else mask.text(value) if name in ("note", "error") else value
    if name in _LISTS and value == "":
        return "-"
    return repr(value) if isinstance(value, float) else safe_cell(value) if isinstance(value, str) else str(value)


def import_csv(store: Store, file: Path | str, *, zone: tzinfo) -> tuple[int, int]:
    """Add a CSV file's entries; those that are there already are passed over. All or nothing.

    Args:
        store: the log.
        file: written by :func:`export_csv`, or any sheet with at least the columns ``at`` and ``kind``.
        zone: of times that state none.

    Returns:
        numbers of entries added and passed over.

    Raises:
        ReadError: the file can't be read, or a row makes no sense; the text names the row.
    """
    added = there = 0
    rows = list(_rows(Path(file), zone))
    with store.transaction():
        for row in rows:
            if store.value("select 1 from log where uid = ?", (row["uid"],)):
                there += 1
                continue
            store.insert("log", row)
            added += 1
    return added, there


def _rows(file: Path, zone: tzinfo) -> Iterator[dict[str, Any]]:
    name = str(file)
    try:
        with file.open(encoding="utf-8-sig", newline="") as handle:
            sample = handle.read(4096)
            handle.seek(0)
            head = sample.splitlines()[0] if sample else ""
            reader = csv.DictReader(handle, delimiter=";" if head.count(";") > head.count(",") else ",")
            columns = [c.strip() for c in reader.fieldnames or ()]
            reader.fieldnames = columns
            missing = {"at", "kind"} - set(columns)
            if missing:
                raise ReadError(
                    name, f"it has no column {' and '.join(sorted(missing))}", "Name the columns in its first row"
                )
            unknown = [c for c in columns if c and c not in HEADER]
            if unknown:
                raise ReadError(
                    name, f"unknown column {', '.join(unknown)}", "'apertrue session columns' lists those there are"
                )
            repeats: dict[str, int] = {}
            for number, given in enumerate(reader, start=2):
                if not any((v or "").strip() for v in given.values() if isinstance(v, str)):
                    continue
                try:
                    yield _row(given, zone, repeats)
                except (ValueError, SessionError) as error:
                    raise ReadError(name, f"row {number}: {error}", "Correct that row; nothing was added") from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        if isinstance(error, ReadError):
            raise
        said = getattr(error, "strerror", None) or str(error)
        raise ReadError(name, f"it can't be read as CSV ({said})", "Save it as CSV in UTF-8") from error


def _row(given: Mapping[str, str | None], zone: tzinfo, repeats: dict[str, int]) -> dict[str, Any]:
    row: dict[str, Any] = {name: _value(name, given.get(name)) for name in HEADER}
    if not row["at"] or not row["kind"]:
        raise ValueError("it needs a time (at) and a kind")
    try:
        kind = EventKind(row["kind"])
    except ValueError:
        raise ValueError(f"kind {row['kind']!r} is none of {', '.join(EventKind)}") from None
    when = read_time(row["at"], zone)
    if row["at_s"] is None or row["at"] != when.isoformat():
        row["at"], row["at_s"] = when.isoformat(), when.timestamp()
    if row["added_at"] is None:
        row["added_at"] = now().isoformat()
    if row["uid"] is None:
        # The same sheet again gives the same names, so that importing twice adds nothing.
        content = "\x1f".join(f"{k}={v}" for k, v in sorted(row.items()) if v is not None and k != "added_at")
        content += f"\x1f{repeats.setdefault(content, 0)}"
        repeats[content.rpartition("\x1f")[0]] += 1
        row["uid"] = hashlib.blake2b(content.encode(), digest_size=16).hexdigest()
    if row["origin"] is None:
        row["origin"] = "sheet"
    if kind is EventKind.PICTURE:
        return row
    check_entry(
        kind, row, row["outcome"], tuple((row["changed"] or "").split(";")) if row["changed"] else (), row["retracts"]
    )
    return row


def _value(name: str, text: str | None) -> Any:
    if text is None or text == "":
        return None
    if name in _LISTS and text == "-":
        return ""
    kind = _SQL[name]
    if kind == "text":
        return cell_text(text)
    try:
        number = float(text)
        if number != number or number in (float("inf"), float("-inf")):
            raise ValueError
        return int(text) if kind == "integer" else number
    except ValueError:
        raise ValueError(f"{name}: {text!r} is no number (decimal point, no unit)") from None
