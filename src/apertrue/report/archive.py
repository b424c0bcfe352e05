"""The report of an archive or a session: words, charts, and a table that sorts, filters and opens pictures."""

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from markupsafe import Markup

from ..registry.format import format_value, heading
from .page import pretty, render_page
from .sketch import arrow_of, arrow_path, seen_path, sketch_from_json
from .words import VERDICT_ORDER, say_flags, say_reasons, scene_words

#: Columns of the table: fields of the registry, the kind (verdict, aside, error) and the session.
TABLE = (
    "file",
    "kind",
    "session",
    "taken_at",
    "scene",
    "offset_percent",
    "working_score",
    "move_direction_deg",
    "gap_percent",
)
#: Fields that an opened picture shows beside those of the table.
_MORE = (
    "clipped_fraction",
    "offset_x_percent",
    "offset_y_percent",
    "score",
    "halo_fraction",
    "unevenness_percent",
    "aperture_radius_px",
    "beam_radius_px",
    "gun_shift_x",
    "gun_shift_y",
    "gun_focus",
    "current_pa",
    "kv",
    "setting",
    "note",
)
#: Bytes of small pictures at most, of all data in the page, and rows: the page stays under 20 MB.
IMAGE_BYTES, DATA_BYTES, MOST_ROWS = 8_000_000, 17_500_000, 20_000
KIND_ORDER = (*VERDICT_ORDER, "aside", "error")


@dataclass(frozen=True, slots=True)
class TableRow:
    """One picture of the table.

    Attributes:
        kind: verdict, ``aside`` or ``error``.
        session: its session; empty for none.
        row: fields of the registry.
        outlines: as of :meth:`apertrue.report.sketch.Sketch.outlines_json`.
        image: small JPEG.
        weight: what matters more gets a picture first.
    """

    kind: str
    session: str
    row: Mapping[str, Any]
    outlines: str | None = None
    image: bytes | None = None
    weight: float = 0.0


@dataclass(frozen=True, slots=True)
class Table:
    """A small table: headings, rows of texts, and which columns hold numbers (from 0)."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart with its heading and a sentence below; ``key`` are (kind, words) of its colors and shapes.

    ``wide`` takes the page's width (a table then stands beside the drawing), ``tall`` two rows.
    """

    heading: str
    drawing: Markup | None
    caption: str
    table: Table | None = None
    wide: bool = False
    key: tuple[tuple[str, str], ...] = ()
    tall: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the page with a heading of its own: charts and tables that belong together."""

    heading: str
    charts: tuple[Chart, ...]
    lead: str = ""


def render_archive(
    *,
    title: str,
    lead: str,
    paragraphs: Sequence[Any],
    rows: Sequence[TableRow],
    short: Sequence[str] = (),
    sections: Sequence[Section] = (),
    settings: Sequence[tuple[str, str]] = (),
    made_at: datetime | None = None,
) -> str:
    """One self-contained page.

    Args:
        title: heading.
        lead: a sentence below it.
        paragraphs: with ``heading``, ``text`` and ``points``.
        rows: pictures of the table, most important first; cut at :data:`MOST_ROWS`, which the page then says.
        short: what to take away, as sentences.
        sections: charts and tables, in order.
        settings: (name, value) of what the results depend on.
        made_at: the only thing that differs between two runs; now when ``None``.
    """
    shown = list(rows[:MOST_ROWS])
    kinds = [k for k in KIND_ORDER if any(r.kind == k for r in shown)]
    return render_page(
        "archive.html",
        title=title,
        made_at=made_at,
        lead=lead,
        short=short,
        paragraphs=paragraphs,
        sections=[s for s in sections if s.charts],
        settings=settings,
        columns=[_Column(c) for c in TABLE],
        kinds=kinds,
        sessions=sorted({r.session for r in shown if r.session}),
        count=len(shown),
        left_out=len(rows) - len(shown),
        data=Markup(_script_json(_data(shown))),  # noqa: S704 JSON with all markup escaped
    )


class _Column:
    """A column's heading for the template."""

    def __init__(self, name: str) -> None:
        own = {"kind": "verdict", "taken_at": "taken", "scene": "shows"}
        self.name = name
        self.heading = own.get(name) or (name if name in ("session", "file") else heading(name))
        self.number = name.endswith(("_percent", "_deg", "_fraction", "_score"))


def _data(rows: Sequence[TableRow]) -> dict[str, Any]:
    told = [_row(r) for r in rows]
    written = sum(len(json.dumps(t, separators=(",", ":"))) + 1 for t in told)
    for i in _with_images(rows, min(IMAGE_BYTES, (DATA_BYTES - written) * 3 // 4)):
        told[i]["i"] = base64.b64encode(rows[i].image or b"").decode("ascii")
    return {
        "columns": list(TABLE),
        "rows": told,
        "flags": {f.id: [f.sentence, f.remedy] for f in say_flags(_ids(rows, "flags"))},
        "reasons": {r.id: [r.sentence, r.remedy] for r in say_reasons(_ids(rows, "reasons"))},
        "scenes": {s: scene_words(s) for s in sorted({str(r.row["scene"]) for r in rows if r.row["scene"]})},
    }


def _ids(rows: Sequence[TableRow], name: str) -> list[str]:
    return sorted({i for r in rows for i in r.row[name] or ()})


def _with_images(rows: Sequence[TableRow], room: int = IMAGE_BYTES) -> set[int]:
    """Which rows get their small picture: by weight, until ``room`` bytes are used up."""
    chosen = set()
    for i in sorted(range(len(rows)), key=lambda i: (-rows[i].weight, i)):
        size = len(rows[i].image or b"")
        if 0 < size <= room:
            chosen.add(i)
            room -= size
    return chosen


def _row(r: TableRow) -> dict[str, Any]:
    """Texts to show and keys to sort by; the browser formats nothing, so that all show the same digits."""
    row = r.row
    page = f" · page {row['page']}" if row["page"] else ""
    texts = [f"{row['file']}{page}", r.kind, r.session, _when(row["taken_at"]), row["scene"] or "—"]
    texts += [pretty(format_value(n, row[n], row.get(n + "_sigma"), unit=False)) for n in TABLE[5:]]
    keys = [None if row[n] is None else float(f"{row[n]:.6g}") for n in TABLE[5:]]
    out: dict[str, Any] = {"t": texts, "k": keys}
    more = [
        [heading(n).split(",")[0], pretty(format_value(n, row[n], row.get(n + "_sigma")))]
        for n in _MORE
        if row.get(n) is not None
    ]
    if more:
        out["m"] = more
    for key, name in (("f", "flags"), ("r", "reasons")):
        if row[name]:
            out[key] = list(row[name])
    if row["error"] is not None:
        out["e"] = str(row["error"]).removeprefix(f"{row['file']}: ")
    if r.outlines is not None:
        out["o"] = drawn = json.loads(r.outlines)
        outlines = sketch_from_json(r.outlines, None).outlines
        for edge, outline in zip(drawn["edges"], outlines, strict=True):
            if edge.pop("arcs", None):
                edge["d"] = seen_path(outline)
        arrow = arrow_of(outlines, row)
        if arrow is not None:
            out["a"] = arrow_path(arrow)
    return out


def _when(taken_at: str | None) -> str:
    return "—" if taken_at is None else taken_at[:16].replace("T", " ")


def _script_json(data: Mapping[str, Any]) -> str:
    """JSON that can't end its script element nor begin any other markup."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026").replace("'", "\\u0027")
