"""Assessments as table rows: the columns come from the registry, so that a new field needs no code here.

Lists of ids are ``;``-joined; an empty list is an empty text, an unknown one is null. A text that says nothing and a
number that is no number are null: the store never holds NaN or infinity.
"""

from collections.abc import Mapping
from math import isfinite
from typing import Any

from ..assessment import Assessment
from ..registry import FIELDS, Field
from .database import Store

_SQL = {"text": "text", "texts": "text", "whole": "integer", "real": "real"}


def assessment_columns() -> tuple[tuple[str, str], ...]:
    """(name, SQL type) of each column, in the registry's order; each measured field is followed by its ``_sigma``."""
    columns: list[tuple[str, str]] = []
    for f in FIELDS:
        columns.append((f.name, _SQL[f.kind]))
        if f.measured:
            columns.append((f.name + "_sigma", "real"))
    return tuple(columns)


def columns_sql(*, without: tuple[str, ...] = ()) -> str:
    """The same for a ``create table`` statement, comma-separated; ``without`` leaves out columns that the table has."""
    return ", ".join(f'"{name}" {kind}' for name, kind in assessment_columns() if name not in without)


def missing_columns(store: Store, table: str) -> list[tuple[str, str]]:
    """(name, SQL type) of the fields that the registry has gained since an older file's table was made."""
    have = {row["name"] for row in store.rows("select name from pragma_table_info(?)", (table,))}
    return [(name, kind) for name, kind in assessment_columns() if name not in have]


def add_missing_columns(store: Store, table: str) -> None:
    """Give an older file's table those columns; nothing is taken away. To be called inside a transaction."""
    for name, kind in missing_columns(store, table):
        store.execute(f'alter table "{table}" add column "{name}" {kind}')


def row_from_assessment(assessment: Assessment | Mapping[str, Any]) -> dict[str, Any]:
    """Column → value for SQLite, from an assessment or its dictionary; missing keys are null."""
    if isinstance(assessment, Assessment):
        given: Mapping[str, Any] = {name: getattr(assessment, name) for name, _ in assessment_columns()}
    else:
        given = assessment
    row: dict[str, Any] = {}
    for f in FIELDS:
        value = _to_sql(f, given.get(f.name))
        if not f.measured:
            row[f.name] = value
            continue
        sigma = _real(given.get(f.name + "_sigma"))
        # A measured number without its doubt, or a doubt without number, is no measurement.
        row[f.name], row[f.name + "_sigma"] = (
            (value, sigma) if value is not None and sigma is not None else (None, None)
        )
    return row


def assessment_from_row(row: Any) -> Assessment:
    """The assessment back from a row (``sqlite3.Row`` or mapping); columns that are no fields are ignored."""
    keys = set(row.keys())
    values: dict[str, Any] = {}
    for f in FIELDS:
        value = row[f.name] if f.name in keys else None
        if f.kind == "texts" and value is not None:
            value = tuple(value.split(";")) if value else ()
        values[f.name] = value
        if f.measured:
            name = f.name + "_sigma"
            values[name] = row[name] if name in keys else None
    return Assessment(**values)


def _to_sql(f: Field, value: Any) -> Any:
    if value is None:
        return None
    if f.kind == "texts":
        return ";".join(str(v) for v in value)
    if f.kind == "text":
        return _text(str(value)) or None
    if f.kind == "whole":
        return int(value)
    return _real(value)


def _real(value: Any) -> float | None:
    number = None if value is None else float(value)
    return number if number is not None and isfinite(number) else None


def _text(value: str) -> str:
    """``value`` without lone surrogates (wrongly encoded file names), which neither SQLite nor UTF-8 files can hold."""
    try:
        value.encode("utf-8")
    except UnicodeEncodeError:
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    return value
