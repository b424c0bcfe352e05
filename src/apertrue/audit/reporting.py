"""The audit's report: from rows to the page. Also for a session's rows."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any, Protocol

import numpy as np

from ..calibration import Calibration
from ..instrument import Instrument
from ..report.archive import MOST_ROWS, Chart, Section, TableRow, render_archive
from ..report.page import write_page
from .charting import MEASURED, sections
from .comparison import Comparison, compare_audits, comparison_chart
from .export import Audit, read_csv
from .history import History, history_of_pictures
from .names import Names
from .pictures import Picture, pictures_of
from .summary import Summary, summarize
from .wording import Paragraph, in_short, limits_told, paragraphs

#: Seed of the drawings in bootstrap and permutation tests: the same data give the same report.
SEED = 20_260_101


def write_audit_report(
    path: Path | str,
    audit: Audit,
    *,
    sources: Sequence[str] = (),
    compare: Path | str | None = None,
    mask_names: bool = False,
    instrument: Instrument | None = None,
    calibrations: Sequence[Calibration] = (),
    title: str = "Audit of past sessions",
    made_at: datetime | None = None,
) -> Path:
    """Write the report of ``audit`` to ``path``.

    Args:
        path: the HTML file.
        audit: what to report.
        sources: as given by the user; named in the report unless masked.
        compare: CSV of another audit to compare with.
        mask_names: replace names of files, sheets, folders, settings and notes by numbers.
        instrument: for the limits and costs.
        calibrations: kept shift calibrations, for better start values; learned from the moves where there are none.
        title: heading.
        made_at: the only thing that differs between two reports of the same audit; now when ``None``.

    Raises:
        ReadError: ``compare`` is no audit's CSV.
    """
    settings = audit.settings
    about = [
        ("apertrue", str(settings.get("apertrue", ""))),
        ("zone of times without one", str(settings.get("timezone") or "this machine's")),
        ("limits", limits_told((instrument or Instrument()).limits)),
    ]
    if not mask_names:
        about.insert(0, ("sources", ", ".join(Path(s).name or s for s in sources)))
    if audit.others:
        about.append(("files left out, no pictures by their names", str(sum(audit.others.values()))))
    comparison = compare_with(audit, compare) if compare is not None else None
    page = render_rows(
        list(audit.rows()),
        sketches=_Sketches(audit),
        instrument=instrument,
        calibrations=calibrations,
        mask_names=mask_names,
        comparison=comparison,
        settings=about,
        title=title,
        made_at=made_at,
    )
    return write_page(path, page)


def compare_with(audit: Audit, other: Path | str) -> Comparison:
    """``audit`` against the CSV of another one (the earlier, or the other instrument's)."""
    rng = np.random.default_rng(SEED)
    return compare_audits(pictures_of(read_csv(other)), pictures_of(audit.rows()), rng)


class Sketches(Protocol):
    """Where the table's drawings come from."""

    def of(self, number: int) -> tuple[str | None, bytes | None]:
        """(outlines, image) of row ``number``."""
        ...


class _Sketches:
    """Outlines and small pictures by row number, read one at a time."""

    def __init__(self, audit: Audit) -> None:
        self._audit = audit
        self._ids = [
            row[0]
            for row in audit.store.rows(
                "select rowid from audit_pictures where audit = ? order by key, place", (audit.number,)
            )
        ]

    def of(self, number: int) -> tuple[str | None, bytes | None]:
        """(outlines, image) of row ``number``."""
        row = self._audit.store.row("select outlines, image from audit_pictures where rowid = ?", (self._ids[number],))
        return (None, None) if row is None else (row["outlines"], row["image"])


def render_rows(
    rows: Sequence[Mapping[str, Any]],
    *,
    sketches: Sketches | None = None,
    instrument: Instrument | None = None,
    calibrations: Sequence[Calibration] = (),
    mask_names: bool = False,
    comparison: Comparison | None = None,
    settings: Sequence[tuple[str, str]] = (),
    title: str = "Audit of past sessions",
    made_at: datetime | None = None,
    history: History | None = None,
    timeline: Chart | None = None,
    first: Sequence[Paragraph] = (),
    first_short: Sequence[str] = (),
    names: Names | None = None,
) -> str:
    """The page about ``rows`` (dictionaries of :data:`apertrue.audit.EXPORT_COLUMNS`, sorted).

    Args:
        rows: of the pictures.
        sketches: what draws them.
        instrument: for the limits and costs.
        calibrations: kept shift calibrations.
        mask_names: replace names by numbers.
        comparison: with another audit.
        settings: (name, value) of what the results depend on.
        title: heading.
        made_at: the only thing that differs between two runs; now when ``None``.
        history: what a log tells of recalls and currents; taken from the rows when ``None``.
        timeline: drawn instead of the one by session.
        first: paragraphs before all others.
        first_short: sentences before all others.
        names: numbers that names have got already.
    """
    found = instrument or Instrument()
    limits = found.limits
    pictures = pictures_of(rows)
    if mask_names:
        pictures = masked(pictures, names)
    summary = summarize(
        pictures,
        offset_limit=limits.offset_leave,
        nudge_limit=limits.offset_nudge,
        rng=np.random.default_rng(SEED),
    )
    if history is None:
        history = history_of_pictures(
            pictures, calibrations=calibrations, limits=limits, costs=found.costs, rng=np.random.default_rng(SEED)
        )
    told = paragraphs(summary, offset_limit=limits.offset_leave, history=history)
    parts = sections(pictures, summary, history, limits, timeline)
    if comparison is not None:
        parts.insert(0, Section("Compared with the other audit", (comparison_chart(comparison),)))
    return render_archive(
        title=title,
        lead=_lead(summary),
        short=[*first_short, *in_short(summary, offset_limit=limits.offset_leave, history=history)],
        paragraphs=[*first, *told],
        sections=parts,
        rows=_table(pictures, sketches, mask_names),
        settings=settings,
        made_at=made_at,
    )


def masked(pictures: Sequence[Picture], names: Names | None = None) -> list[Picture]:
    """The same without names: files, sheets, folders, settings and notes become numbers or nothing."""
    names = names or Names()
    out = []
    for p in pictures:
        name = f"picture {p.number + 1:05d}"
        session = p.row.get("session")
        row = dict(p.row) | {"file": name, "note": None}
        if session is not None:
            session = names.session(session)
        if p.row["setting"] is not None:
            row["setting"] = names.setting(p.row["setting"])
        if p.row["error"] is not None:
            file = str(p.row["file"])
            row["error"] = str(p.row["error"]).replace(file, name).replace(PurePosixPath(file).name, name)
        out.append(replace(p, session=session or name, row=row | {"session": session}))
    return out


def _lead(s: Summary) -> str:
    total = sum(s.counts.values())
    if not any(s.counts[k] for k in MEASURED):
        return f"None of {total} pictures shows a condenser aperture with a beam in it."
    n = len(s.sessions)
    return f"{total} picture{'s' if total != 1 else ''}, {n} session{'s' if n != 1 else ''} with a measured beam."


def _table(pictures: Sequence[Picture], sketches: Sketches | None, masked_names: bool) -> list[TableRow]:
    """Most important first: what costs most, then what can't tell, what was put aside, what could not be read.

    A masked page shows no picture with text in it: a name may be burnt in.
    """
    rank = {"auto": 0, "nudge": 1, "leave": 2, "retake": 3, "error": 4, "aside": 5}
    ordered = sorted(
        pictures,
        key=lambda p: (rank.get(p.kind, 6), p.working_score if p.working_score is not None else 999.0, p.number),
    )
    out = []
    for i, p in enumerate(ordered):
        wanted = sketches is not None and i < MOST_ROWS
        outlines, image = sketches.of(p.number) if sketches is not None and wanted else (None, None)
        if masked_names and "overlay" in (p.row["flags"] or ()):
            image = None
        weight = {"auto": 3.0, "nudge": 2.0, "retake": 1.5, "leave": 1.0}.get(p.kind, 0.0)
        out.append(TableRow(p.kind, p.row.get("session") or "", p.row, outlines, image, weight))
    return out
