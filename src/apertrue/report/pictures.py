"""The report of a few pictures: each with both edges, the verdict, why, and all numbers."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from markupsafe import Markup

from ..advice import Option
from ..errors import ReadError
from ..pipeline import Result
from ..registry import FIELDS
from .archive import KIND_ORDER, TableRow, render_archive
from .page import render_page, write_page
from .sketch import Sketch, arrow_of, sketch_of, sketch_svg
from .words import Said, kind_of, say_flags, say_reasons, scene_words, verdict_words

#: Numbers that stand beside the picture; the others fold out.
MAIN_FIELDS = (
    "offset_percent",
    "move_direction_deg",
    "gap_percent",
    "clipped_fraction",
    "score",
    "working_score",
    "beam_jitter_px",
    "aperture_jitter_px",
    "nudge_x",
    "nudge_y",
)
#: Pixels a side of the pictures, by how many cards there are at most; with more the page is a table of small ones.
_SIDES = ((12, 520), (60, 320))
MOST_CARDS, _SMALL = 60, 120
#: What matters more gets its small picture first, where the page has no room for all.
_WEIGHT = {"auto": 3.0, "nudge": 2.0, "retake": 1.5, "leave": 1.0}
_KIND_WORDS = {
    "leave": "To leave as they are",
    "nudge": "To nudge by hand",
    "auto": "For the automatic routine",
    "retake": "That can't tell",
    "aside": "Put aside (no condenser aperture with a beam)",
    "error": "That could not be read",
}

#: One file that could not be read: the reader's error, or (file, message).
Unread = ReadError | tuple[str, str]


@dataclass(frozen=True, slots=True)
class _Shown:
    """What is kept of a judged picture: its numbers, the advice's words, and sketches by their side in px."""

    row: dict[str, Any]
    sentences: tuple[str, ...]
    options: tuple[Option, ...]
    sketches: dict[int, Sketch]


@dataclass(frozen=True, slots=True)
class _Card:
    """One picture as the template wants it."""

    name: str
    page: int | None
    row: dict[str, Any]
    drawing: Markup
    scene: str
    verdict: str
    headline: str
    sentences: tuple[str, ...]
    flags: tuple[Said, ...]
    reasons: tuple[Said, ...]
    options: tuple[Option, ...]
    groups: tuple[tuple[str, tuple[str, ...]], ...]


class PictureReport:
    """Collects pictures as they are judged and keeps only what the page needs, so that thousands fit into memory."""

    def __init__(self) -> None:
        self._shown: list[_Shown] = []
        self._unread: list[tuple[str, str]] = []

    def add(self, result: Result) -> None:
        """One more judged picture, in the order of the page."""
        count = len(self._shown)
        # What would not be shown is not made; what is no longer shown is dropped.
        sides = [side for most, side in _SIDES if count < most]
        sketches = {side: sketch_of(result, side, 80) for side in sides} | {_SMALL: sketch_of(result, _SMALL)}
        row = result.assessment.to_dict()
        sentences, options = tuple(result.advice.sentences), tuple(result.advice.options)
        self._shown.append(_Shown(row, sentences, options, sketches))
        for most, side in _SIDES:
            if count == most:
                for one in self._shown:
                    one.sketches.pop(side, None)

    def add_unread(self, error: Unread) -> None:
        """A file that could not be read."""
        self._unread.append((error.file, f"{error.reason}. {error.remedy}") if isinstance(error, ReadError) else error)

    def render(self, *, title: str = "Is the beam centered?", made_at: datetime | None = None) -> str:
        """One self-contained page: a card a picture, or a table of many."""
        if len(self._shown) > MOST_CARDS:
            return self._table(title, made_at)
        side = next(side for most, side in _SIDES if len(self._shown) <= most)
        stacks = {one.row["file"] for one in self._shown if one.row["page"]}
        return render_page(
            "pictures.html",
            title=title,
            made_at=made_at,
            cards=[_card(one, side, one.row["file"] in stacks) for one in self._shown],
            unread=self._unread,
            main_fields=MAIN_FIELDS,
        )

    def _table(self, title: str, made_at: datetime | None) -> str:
        rows = [
            TableRow(
                kind := kind_of(one.row),
                "",
                one.row,
                one.sketches[_SMALL].outlines_json(),
                one.sketches[_SMALL].image,
                _WEIGHT.get(kind, 0.0),
            )
            for one in self._shown
        ]
        blank = dict.fromkeys(self._shown[0].row)
        rows += [TableRow("error", "", blank | {"file": f, "error": f"{f}: {why}"}) for f, why in self._unread]
        counts = {k: sum(r.kind == k for r in rows) for k in KIND_ORDER}
        told = [f"{_KIND_WORDS[k]}: {n} ({100 * n / len(rows):.0f} %)" for k, n in counts.items() if n]
        return render_archive(
            title=title,
            lead=f"{len(self._shown)} pictures judged"
            + (f", {len(self._unread)} files could not be read." if self._unread else "."),
            short=[
                *told,
                "How sessions went, drift, recalls and currents: apertrue audit, or apertrue session report.",
            ],
            paragraphs=[],
            rows=rows,
            made_at=made_at,
        )


def render_assess_report(
    results: Iterable[Result],
    errors: Iterable[Unread] = (),
    *,
    title: str = "Is the beam centered?",
    made_at: datetime | None = None,
) -> str:
    """One self-contained HTML page about ``results``, in the order given, and the files that could not be read."""
    page = PictureReport()
    for result in results:
        page.add(result)
    for error in errors:
        page.add_unread(error)
    return page.render(title=title, made_at=made_at)


def write_assess_report(
    path: Path | str,
    results: Iterable[Result],
    errors: Iterable[Unread] = (),
    *,
    title: str = "Is the beam centered?",
    made_at: datetime | None = None,
) -> Path:
    """Write :func:`render_assess_report` to ``path``; returns the path."""
    return write_page(path, render_assess_report(results, errors, title=title, made_at=made_at))


def _card(one: _Shown, side: int, of_stack: bool) -> _Card:
    row, sketch = one.row, one.sketches[side]
    name = row["file"] or "picture"
    verdict = str(row["verdict"] or "retake")
    scene = scene_words(row["scene"])
    label = f"{Path(name).name}: {scene}; verdict {verdict}"
    return _Card(
        name=name,
        page=row["page"] if of_stack else None,
        row=row,
        drawing=sketch_svg(sketch, label, arrow_of(sketch.outlines, row)),
        scene=scene,
        verdict=verdict,
        headline=one.sentences[0] if one.sentences else verdict_words(verdict),
        sentences=one.sentences[1:],
        flags=say_flags(row["flags"]),
        reasons=say_reasons(row["reasons"]),
        options=one.options,
        groups=known_groups(row),
    )


def known_groups(row: dict[str, Any]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """(group, names of its fields that have a value), in the registry's order."""
    groups: dict[str, list[str]] = {}
    for f in FIELDS:
        if row.get(f.name) is not None and f.name not in ("file", "error", "flags", "reasons", "schema_version"):
            groups.setdefault(f.group, []).append(f.name)
    return tuple((g, tuple(names)) for g, names in groups.items())
