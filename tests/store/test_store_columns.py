"""Assessments to rows and back."""

import math
from dataclasses import fields, replace
from pathlib import Path

import hypothesis.strategies as st
from hypothesis import given

from apertrue.assessment import Assessment
from apertrue.registry import FIELDS, field_names
from apertrue.store import (
    Migration,
    assessment_columns,
    assessment_from_row,
    columns_sql,
    open_store,
    row_from_assessment,
)

_TEXT = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20)
_REAL = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def assessments(draw: st.DrawFn) -> Assessment:
    values: dict[str, object] = {}
    for f in FIELDS:
        if draw(st.booleans()):
            continue
        if f.kind == "texts":
            values[f.name] = tuple(draw(st.lists(st.sampled_from(["saturated", "noisy", "uneven"]), max_size=3)))
        else:
            values[f.name] = draw({"text": _TEXT, "whole": st.integers(0, 2**40), "real": _REAL}[f.kind])
        if f.measured:
            values[f.name + "_sigma"] = draw(_REAL)
    return Assessment(**({"schema_version": None} | values))


def test_columns_are_the_registrys_names_and_the_assessments() -> None:
    names = [name for name, _ in assessment_columns()]
    assert names == list(field_names())
    assert sorted(names) == sorted(f.name for f in fields(Assessment))


@given(assessments())
def test_a_row_gives_the_same_assessment_back(assessment: Assessment) -> None:
    assert assessment_from_row(row_from_assessment(assessment)) == assessment
    assert row_from_assessment(assessment.to_dict()) == row_from_assessment(assessment)


def test_through_sqlite(tmp_path: Path) -> None:
    step = Migration("t/1", (f"create table p ({columns_sql()})",))
    first = Assessment(
        file="a.tif",
        page=0,
        flags=(),
        reasons=("cheapest", "noisy"),
        offset_percent=0.1 + 0.2,
        offset_percent_sigma=1e-9,
    )
    with open_store(tmp_path / "s", migrations=[step]) as store:
        store.insert("p", row_from_assessment(first))
        assert assessment_from_row(store.row("select * from p")) == first


def test_no_false_numbers_enter() -> None:
    bad = Assessment(file="a", offset_percent=math.nan, offset_percent_sigma=1.0, gap_percent=3.0, kv=math.inf, note="")
    row = row_from_assessment(bad)
    assert [row[k] for k in ("offset_percent", "offset_percent_sigma", "gap_percent", "kv", "note")] == [None] * 5
    good = replace(bad, offset_percent=2.0)
    assert row_from_assessment(good)["offset_percent"] == 2.0


def test_wrongly_encoded_names_become_text() -> None:
    row = row_from_assessment(Assessment(file=b"a\xff.tif".decode("utf-8", "surrogateescape")))
    assert row["file"] == "a\\udcff.tif"
    row["file"].encode("utf-8")
