"""The audit's report: from rows to the page. Also for a session's rows."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from ..instrument import Instrument
from ..instrument.settings import Limits
from ..report.archive import MOST_ROWS, Chart, TableRow, render_archive
from ..report.charts import Axis, Point, histogram, offset_map, scatter
from ..report.page import write_page
from .comparison import Comparison, compare_audits
from .export import Audit, read_csv
from .pictures import Picture, pictures_of
from .summary import Summary, summarize
from .wording import paragraphs

#: Seed of the drawings in bootstrap and permutation tests: the same data give the same report.
_SEED = 20_260_101
_MEASURED = ("leave", "nudge", "auto", "retake")


def write_audit_report(
    path: Path | str,
    audit: Audit,
    *,
    sources: Sequence[str] = (),
    compare: Path | str | None = None,
    mask_names: bool = False,
    instrument: Instrument | None = None,
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
        instrument: for the limits.
        title: heading.
        made_at: the only thing that differs between two reports of the same audit; now when ``None``.

    Raises:
        ReadError: ``compare`` is no audit's CSV.
    """
    limits = (instrument or Instrument()).limits
    settings = audit.settings
    about = [
        ("apertrue", str(settings.get("apertrue", ""))),
        ("zone of times without one", str(settings.get("timezone") or "this machine's")),
        (
            "limits",
            f"offset {limits.offset_leave:g} and {limits.offset_nudge:g} %, working score {limits.score_leave:g} and "
            f"{limits.score_nudge:g}, gap {limits.gap_leave:g} %",
        ),
    ]
    if not mask_names:
        about.insert(0, ("sources", ", ".join(Path(s).name or s for s in sources)))
    comparison = compare_with(audit, compare) if compare is not None else None
    page = render_rows(
        list(audit.rows()),
        sketches=_Sketches(audit),
        limits=limits,
        mask_names=mask_names,
        comparison=comparison,
        settings=about,
        title=title,
        made_at=made_at,
    )
    return write_page(path, page)


def compare_with(audit: Audit, other: Path | str) -> Comparison:
    """``audit`` against the CSV of another one (the earlier, or the other instrument's)."""
    rng = np.random.default_rng(_SEED)
    return compare_audits(pictures_of(read_csv(other)), pictures_of(audit.rows()), rng)


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
    sketches: _Sketches | None = None,
    limits: Limits | None = None,
    mask_names: bool = False,
    comparison: Comparison | None = None,
    settings: Sequence[tuple[str, str]] = (),
    title: str = "Audit of past sessions",
    made_at: datetime | None = None,
) -> str:
    """The page about ``rows`` (dictionaries of :data:`apertrue.audit.EXPORT_COLUMNS`, sorted)."""
    limits = limits or Limits()
    pictures = pictures_of(rows)
    if mask_names:
        pictures = masked(pictures)
    summary = summarize(pictures, offset_limit=limits.offset_leave, rng=np.random.default_rng(_SEED))
    return render_archive(
        title=title,
        lead=_lead(summary),
        paragraphs=paragraphs(summary, offset_limit=limits.offset_leave),
        charts=_charts(pictures, summary, limits),
        rows=_table(pictures, sketches),
        comparison=comparison.sentences if comparison is not None else (),
        settings=settings,
        made_at=made_at,
    )


def masked(pictures: Sequence[Picture]) -> list[Picture]:
    """The same without names: files, sheets, folders, settings and notes become numbers or nothing."""
    sessions: dict[str, str] = {}
    settings: dict[str, str] = {}
    out = []
    for p in pictures:
        name = f"picture {p.number + 1:05d}"
        session = p.row.get("session")
        row = dict(p.row) | {"file": name, "note": None}
        if session is not None:
            session = sessions.setdefault(session, f"session {len(sessions) + 1:03d}")
        if p.row["setting"] is not None:
            row["setting"] = settings.setdefault(p.row["setting"], f"setting {len(settings) + 1}")
        if p.row["error"] is not None:
            row["error"] = str(p.row["error"]).replace(str(p.row["file"]), name)
        out.append(replace(p, session=session or name, row=row | {"session": session}))
    return out


def _lead(s: Summary) -> str:
    total = sum(s.counts.values())
    seen = sum(s.counts[k] for k in _MEASURED)
    if not seen:
        return f"None of {total} pictures shows a condenser aperture with a beam in it."
    return (
        f"{seen} of {total} pictures show a condenser aperture with a beam in it; "
        f"{100 * s.counts['leave'] / seen:.0f} % of these were centered well enough to leave."
    )


def _table(pictures: Sequence[Picture], sketches: _Sketches | None) -> list[TableRow]:
    """Most important first: what costs most, then what can't tell, what was put aside, what could not be read."""
    rank = {"auto": 0, "nudge": 1, "leave": 2, "retake": 3, "error": 4, "aside": 5}
    ordered = sorted(
        pictures,
        key=lambda p: (rank.get(p.kind, 6), p.working_score if p.working_score is not None else 999.0, p.number),
    )
    out = []
    for i, p in enumerate(ordered):
        wanted = sketches is not None and i < MOST_ROWS
        outlines, image = sketches.of(p.number) if sketches is not None and wanted else (None, None)
        weight = {"auto": 3.0, "nudge": 2.0, "retake": 1.5, "leave": 1.0}.get(p.kind, 0.0)
        out.append(TableRow(p.kind, p.row.get("session") or "", p.row, outlines, image, weight))
    return out


def _charts(pictures: Sequence[Picture], s: Summary, limits: Limits) -> list[Chart]:
    judged = [p for p in pictures if p.kind in _MEASURED]
    charts = []
    timed = [(p, p.when) for p in judged if p.when is not None and p.working_score is not None]
    if timed:
        words = (
            f"Working score of {len(timed)} pictures over time; the lines are the limits for leaving and for a nudge."
        )
        points = [Point(t, float(p.working_score or 0.0), p.kind) for p, t in timed]
        lowest = min(q.y for q in points)
        axis = Axis("working score", 0.0 if lowest < 50 else 50.0 if lowest < 80 else 80.0, 100.0)
        lines = [
            (limits.score_leave, f"leave {limits.score_leave:g}"),
            (limits.score_nudge, f"nudge {limits.score_nudge:g}"),
        ]
        drawing = scatter("Timeline", words, points, Axis("time (UTC)", time=True), axis, lines=lines)
        charts.append(Chart("Timeline by session", drawing, words + _session_words(s)))
    placed = [(p, p.vector) for p in judged if p.vector is not None]
    if placed:
        rings = [
            (limits.offset_leave, f"leave {limits.offset_leave:g} %"),
            (limits.offset_nudge, f"nudge {limits.offset_nudge:g} %"),
        ]
        clips = _clipping_begins(judged)
        words = (
            f"Where the beam lay in {len(placed)} pictures, seen from the aperture's center (up is up on the screen)."
        )
        if clips is not None:
            rings.append((clips, f"clipping begins {clips:.0f} %"))
            words += f" Beams of the usual radius are clipped beyond {clips:.0f} %."
        drawing = offset_map("Offset map", words, [Point(v[0], -v[1], p.kind) for p, v in placed], rings)
        charts.append(Chart("Offsets in the aperture plane", drawing, words))
    scored = [(p.working_score, p.kind) for p in judged if p.working_score is not None]
    if scored:
        low = 0.0 if min(v for v, _ in scored) < 50 else 50.0 if min(v for v, _ in scored) < 80 else 80.0
        words = f"How often which working score was seen ({len(scored)} pictures)."
        drawing = histogram("Working scores", words, scored, Axis("working score", low, 100.0), _MEASURED)
        charts.append(Chart("Distribution of working scores", drawing, words))
    if s.pairs:
        words = f"Speed between {len(s.pairs)} pairs of pictures with unchanged gun shift"
        words += "; bars are medians with 1σ." if s.drift_by_hour else "."
        bars = [(low, high, e.value, e.sigma or 0.0) for low, high, e in s.drift_by_hour]
        top = float(np.quantile([q.speed for q in s.pairs], 0.98)) * 1.1 if len(s.pairs) > 20 else None
        drawing = scatter(
            "Drift",
            words,
            [Point(q.hours, min(q.speed, top or q.speed)) for q in s.pairs],
            Axis("hours since the session's start", 0.0),
            Axis("% of the aperture radius per hour", 0.0, top),
            bars=bars,
        )
        charts.append(Chart("Drift against hours", drawing, words))
    current = [p for p in judged if p.row["gun_focus"] is not None and p.row["current_pa"] is not None]
    if current:
        words = f"Beam current against gun-lens focus as read ({len(current)} pictures)."
        points = [Point(p.row["gun_focus"], p.row["current_pa"], p.kind) for p in current]
        drawing = scatter("Current against focus", words, points, Axis("gun-lens focus"), Axis("current, pA", 0.0))
        charts.append(Chart("Current against focus", drawing, words))
    return charts


def _session_words(s: Summary) -> str:
    return f" {len(s.sessions)} sessions." if len(s.sessions) > 1 else ""


def _clipping_begins(judged: Sequence[Picture]) -> float | None:
    """The offset, %, at which a beam of the usual radius touches the aperture's edge; ``None`` without enough radii."""
    ratios = [
        p.row["beam_radius_px"] / p.row["aperture_radius_px"]
        for p in judged
        if p.row["beam_radius_px"] is not None and p.row["aperture_radius_px"]
    ]
    if len(ratios) < 3:
        return None
    clear = 100 * (1 - float(np.median(ratios)))
    return clear if clear > 0 else None
