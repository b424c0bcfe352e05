"""An audit's results out of the store: rows, CSV, JSON lines, Parquet, pandas. Always sorted by file and page.

CSV (RFC 4180, UTF-8, no mark): an empty cell is null. So that no spreadsheet takes a file's name for a formula, a text
that begins with ``=``, ``+``, ``-``, ``@``, a tab, a line break or an apostrophe gets an apostrophe in front; numbers
never do. :func:`read_csv` takes it away again, so that reading back is exact.
"""

import csv
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from ..assessment import Assessment
from ..errors import MissingExtraError, ReadError
from ..registry import FIELDS
from ..store import Store, assessment_from_row, cell_text, missing_columns, safe_cell
from ..whole_file import whole_file
from .tables import TO_CHECK, TO_DO
from .work import COLUMNS, PUT_ASIDE

_TEXTS = frozenset(f.name for f in FIELDS if f.kind == "texts")
_WHOLE = frozenset(f.name for f in FIELDS if f.kind == "whole")
_WORDS = frozenset(f.name for f in FIELDS if f.kind == "text") | {"session"}
#: Columns of every export, in this order.
EXPORT_COLUMNS = (*COLUMNS, "session")


class Audit:
    """One audit in a store, read only."""

    def __init__(self, store: Store, number: int) -> None:
        self.store, self.number = store, number

    @property
    def settings(self) -> dict[str, Any]:
        """The settings that its results depend on."""
        found: dict[str, Any] = json.loads(
            self.store.value("select settings from audit_runs where id = ?", (self.number,), "{}")
        )
        return found

    @property
    def unfinished(self) -> int:
        """Number of files that are still to be read; 0 = the audit is complete."""
        return int(
            self.store.value(
                f"select count(*) from audit_files where audit = ? and state in ({TO_DO}, {TO_CHECK})",  # noqa: S608
                (self.number,),
            )
        )

    @property
    def others(self) -> dict[str, int]:
        """Files that were left out because their names say that they are no pictures: ending → number, most first."""
        found = self.store.row("select * from audit_runs where id = ?", (self.number,))
        told = found["others"] if found is not None and "others" in found.keys() else None  # noqa: SIM118 a row
        return {} if told is None else dict(json.loads(told))

    def counts(self) -> dict[str, int]:
        """Number of rows in each verdict, put aside (no condenser aperture with a beam) and not read (``error``)."""
        counts = dict.fromkeys(("leave", "nudge", "auto", "retake", "aside", "error"), 0)
        for row in self.store.rows(
            "select error is not null as failed, scene, verdict, count(*) as n from audit_pictures "
            "where audit = ? group by 1, 2, 3",
            (self.number,),
        ):
            word = "error" if row["failed"] else "aside" if row["scene"] in PUT_ASIDE else row["verdict"]
            counts[word] = counts.get(word, 0) + row["n"]
        return counts

    def rows(self) -> Iterator[dict[str, Any]]:
        """All rows as dictionaries of :data:`EXPORT_COLUMNS`; lists as lists, null as ``None``."""
        # A store that no newer program has written to lacks the fields gained since.
        lacking = {name for name, _ in missing_columns(self.store, "audit_pictures")}
        names = ", ".join(f'null as "{c}"' if c in lacking else f'"{c}"' for c in EXPORT_COLUMNS)
        for row in self.store.rows(
            f"select {names} from audit_pictures where audit = ? order by key, place",  # noqa: S608
            (self.number,),
        ):
            yield _plain(dict(row))

    def assessments(self) -> Iterator[Assessment]:
        """All rows as assessments."""
        for row in self.store.rows("select * from audit_pictures where audit = ? order by key, place", (self.number,)):
            yield assessment_from_row(row)

    def write_csv(self, path: Path | str) -> Path:
        """Write CSV; see the module's text for how formulas are kept out."""
        return write_csv(path, self.rows())

    def write_json_lines(self, path: Path | str) -> Path:
        """Write one JSON object a line (https://jsonlines.org)."""
        return _whole(path, (json_line(row) + "\n" for row in self.rows()))

    def write_parquet(self, path: Path | str) -> Path:
        """Write Apache Parquet (extra ``table``), in pieces of bounded size."""
        try:
            import pyarrow as pa
            import pyarrow.parquet as pq
        except ImportError as error:
            raise MissingExtraError("table", "Writing Parquet") from error
        kinds = {"text": pa.string(), "texts": pa.list_(pa.string()), "whole": pa.int64(), "real": pa.float64()}
        by_name = {f.name: kinds[f.kind] for f in FIELDS}
        schema = pa.schema(
            [(c, by_name.get(c, pa.string() if c == "session" else pa.float64())) for c in EXPORT_COLUMNS]
        )
        with whole_file(path) as place, pq.ParquetWriter(place, schema) as writer:
            for piece in _pieces(self.rows(), 5000):
                writer.write_table(pa.Table.from_pylist(piece, schema))
        return Path(path)

    def dataframe(self) -> Any:
        """All rows as a ``pandas.DataFrame`` (extra ``table``); null is NaN or None, ``page`` a nullable integer."""
        try:
            import pandas as pd
        except ImportError as error:
            raise MissingExtraError("table", "A DataFrame") from error
        rows = list(self.rows())
        data = {}
        for c in EXPORT_COLUMNS:
            kind = "Int64" if c in _WHOLE else object if c in _TEXTS or c in _WORDS else "float64"
            data[c] = pd.Series([row[c] for row in rows], dtype=kind)
        return pd.DataFrame(data)


def json_line(row: Mapping[str, Any]) -> str:
    """One row as JSON in pure ASCII."""
    return json.dumps(row, allow_nan=False, ensure_ascii=True)


def write_csv(path: Path | str, rows: Iterable[Mapping[str, Any]]) -> Path:
    """Write rows with the columns :data:`EXPORT_COLUMNS` as CSV."""

    def lines() -> Iterator[str]:
        line: list[str] = []
        writer = csv.writer(_Collector(line), lineterminator="\r\n")
        writer.writerow(EXPORT_COLUMNS)
        yield line.pop()
        for row in rows:
            writer.writerow([_cell(row[c]) for c in EXPORT_COLUMNS])
            yield line.pop()

    return _whole(path, lines())


def read_csv(path: Path | str) -> Iterator[dict[str, Any]]:
    """The rows of a CSV that :func:`write_csv` wrote, exactly as they were.

    Raises:
        ReadError: it is no such file.
    """
    try:
        with Path(path).open(encoding="utf-8", newline="") as stream:
            reader = csv.DictReader(stream, strict=True)
            if tuple(reader.fieldnames or ()) != EXPORT_COLUMNS:
                raise ReadError(str(path), "it is no table of an audit", "Name a CSV that apertrue audit wrote.")
            for cells in reader:
                row = {c: _value(c, cells[c]) for c in EXPORT_COLUMNS}
                if row["error"] is not None:
                    row |= dict.fromkeys(_TEXTS)
                yield row
    except (OSError, ValueError, csv.Error) as error:
        if isinstance(error, ReadError):
            raise
        raise ReadError(
            str(path), f"it could not be read ({error})", "Name a CSV that apertrue audit wrote."
        ) from error


class _Collector:
    """What the csv module writes to: keeps the line."""

    def __init__(self, into: list[str]) -> None:
        self.write = into.append


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        value = ";".join(value)
    if isinstance(value, str):
        return safe_cell(value)
    return repr(value)


def _value(name: str, cell: str) -> Any:
    if name in _TEXTS:
        return cell.split(";") if cell else []
    if not cell:
        return None
    if name in _WORDS:
        return cell_text(cell)
    return int(cell) if name in _WHOLE else float(cell)


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    for name in _TEXTS:
        text = row[name]
        row[name] = None if text is None else text.split(";") if text else []
    return row


def _pieces(rows: Iterator[dict[str, Any]], size: int) -> Iterator[list[dict[str, Any]]]:
    piece: list[dict[str, Any]] = []
    for row in rows:
        piece.append(row)
        if len(piece) == size:
            yield piece
            piece = []
    if piece:
        yield piece


def _whole(path: Path | str, lines: Iterable[str]) -> Path:
    """Write so that a reader never sees half a file."""
    with whole_file(path) as place, place.open("w", encoding="utf-8", newline="") as stream:
        stream.writelines(lines)
    return Path(path)
