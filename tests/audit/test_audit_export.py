"""What leaves an audit: exact, sorted, and harmless in a spreadsheet."""

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from audit_samples import COLUMNS, START, PictureRow, stamp
from hypothesis import given
from hypothesis import strategies as st

from apertrue.assessment import Assessment
from apertrue.audit import EXPORT_COLUMNS, MIGRATIONS, Audit, Limits, SessionRule, read_csv, run_audit, write_csv
from apertrue.audit.work import FileRead, FileTask, error_row
from apertrue.errors import ReadError
from apertrue.registry import field_names
from apertrue.store import open_store, row_from_assessment

FORMULAS = ["=1+1", "+1", "-1", "@A1", "\tx", "\rx", "\nx", "'x", "''", "＝1", "=cmd|' /C calc'!A0"]
_TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=8)


class Notes:
    """One row a file; its note is the file's content; its time follows its name's number."""

    def __call__(self, task: FileTask) -> FileRead:
        path = Path(task.path)
        about = path.stat()
        note = path.read_text(encoding="utf-8")
        if note == "bad":
            return FileRead(about.st_size, about.st_mtime_ns, None, False, (error_row(task.name, "=bad"),))
        row = row_from_assessment(
            Assessment(
                file=task.name,
                page=0,
                taken_at=None if note == "no time" else START.replace(hour=int(path.stem)).isoformat(),
                flags=(),
                reasons=("cheapest", "within-limits"),
                offset_percent=-0.1 - 0.2,
                offset_percent_sigma=5e-324,
                gun_shift_x=-12.0,
                note=note,
            )
        )
        when = None if note == "no time" else START.replace(hour=int(path.stem)).timestamp()
        return FileRead(
            about.st_size,
            about.st_mtime_ns,
            None,
            False,
            (PictureRow(0, when, None, None, tuple(row[c] for c in COLUMNS)),),
        )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "pictures"
    for name, note in {"a/8": "=1+1", "a/9": "x", "b/11": "y", "b/15": "z", "b/16": "bad", "b/17": "no time"}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(note, encoding="utf-8")
        stamp(folder / name, START)
    return folder


def audit_of(folder: Path, store: Path, rule: SessionRule | None = None) -> Audit:
    s = open_store(store, migrations=MIGRATIONS)
    return Audit(s, run_audit([str(folder)], s, limits=Limits(workers=0), work=Notes(), rule=rule))


def cells_of(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream, strict=True))


def test_columns_are_the_registrys_and_the_session() -> None:
    assert (*field_names(), "session") == EXPORT_COLUMNS


def test_an_older_store_gains_the_columns_of_new_fields(folder: Path, tmp_path: Path) -> None:
    before = list(audit_of(folder, tmp_path / "a.sqlite").rows())
    with open_store(tmp_path / "a.sqlite") as raw:  # from before the registry had unevenness
        raw.execute("alter table audit_pictures drop column unevenness_percent")
        old = list(Audit(raw, 1).rows())  # also read as it is
    assert old == [row | {"unevenness_percent": None} for row in before]
    assert list(audit_of(folder, tmp_path / "a.sqlite").rows()) == before


def test_csv_reads_back_exactly(folder: Path, tmp_path: Path) -> None:
    audit = audit_of(folder, tmp_path / "s")
    rows = list(audit.rows())
    assert [r["file"] for r in rows] == ["a/8", "a/9", "b/11", "b/15", "b/16", "b/17"]
    assert list(read_csv(audit.write_csv(tmp_path / "a.csv"))) == rows
    header, *lines = cells_of(tmp_path / "a.csv")
    raw = [dict(zip(header, line, strict=True)) for line in lines]
    assert (raw[0]["note"], raw[0]["gun_shift_x"], raw[4]["error"]) == ("'=1+1", "-12.0", "b/16: =bad")
    assert float(raw[0]["offset_percent"]) == -0.1 - 0.2
    audit.store.close()


@given(st.lists(st.one_of(st.sampled_from(FORMULAS), _TEXT), max_size=4))
def test_no_text_is_a_formula_and_none_is_lost(tmp_path_factory: pytest.TempPathFactory, notes: list[str]) -> None:
    path = tmp_path_factory.mktemp("csv") / "a.csv"
    blank: dict[str, Any] = dict.fromkeys(EXPORT_COLUMNS) | {"flags": [], "reasons": ["a", "b"]}
    rows = [blank | {"file": note, "note": note, "kv": -1.5} for note in notes]
    write_csv(path, rows)
    assert list(read_csv(path)) == rows
    for cells in cells_of(path)[1:]:
        assert not any(c.startswith(("=", "+", "@", "\t", "\r", "\n", "＝")) for c in cells)


def test_json_lines_and_tables(folder: Path, tmp_path: Path) -> None:
    audit = audit_of(folder, tmp_path / "s")
    rows = list(audit.rows())
    lines = audit.write_json_lines(tmp_path / "a.jsonl").read_bytes()
    assert lines.isascii()
    assert [json.loads(line) for line in lines.splitlines()] == rows
    pq = pytest.importorskip("pyarrow.parquet", reason="needs the extra 'table'")
    assert pq.read_table(audit.write_parquet(tmp_path / "a.parquet")).to_pylist() == rows
    frame = audit.dataframe()
    assert list(frame.columns) == list(EXPORT_COLUMNS)
    assert frame["page"].tolist()[:4] == [0, 0, 0, 0]
    assert frame["offset_percent"].isna().tolist() == [r["offset_percent"] is None for r in rows]
    assert frame["reasons"][0] == ["cheapest", "within-limits"]
    audit.store.close()


def test_what_is_no_export_is_said(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(ReadError, match="no table of an audit"):
        list(read_csv(tmp_path / "x.csv"))
    with pytest.raises(ReadError, match="could not be read"):
        list(read_csv(tmp_path / "none.csv"))


@pytest.mark.parametrize(
    ("rule", "sessions"),
    [
        (SessionRule(), ["2026-03-02 08:00", "2026-03-02 08:00", "2026-03-02 08:00", "2026-03-02 15:00", None, None]),
        (SessionRule(gap_h=1.5), ["2026-03-02 08:00"] * 2 + ["2026-03-02 11:00", "2026-03-02 15:00", None, None]),
        (SessionRule("folder"), ["a", "a", "b", "b", None, "b"]),
        (SessionRule("sheet"), ["pictures"] * 4 + [None, "pictures"]),
    ],
)
def test_sessions(folder: Path, tmp_path: Path, rule: SessionRule, sessions: list[str | None]) -> None:
    audit = audit_of(folder, tmp_path / "s", rule)
    assert [r["session"] for r in audit.rows()] == sessions
    audit.store.close()


@pytest.mark.parametrize(("by", "gap"), [("moon", 3.0), ("gap", 0.0), ("gap", float("nan"))])
def test_rules_that_make_no_sense(by: Any, gap: float) -> None:
    with pytest.raises(ValueError, match="sessions"):
        SessionRule(by, gap)
