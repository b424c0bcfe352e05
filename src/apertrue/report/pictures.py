"""The report of a few pictures: each with both edges, the verdict, why, and all numbers."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from markupsafe import Markup

from ..advice import Option
from ..errors import ReadError
from ..pipeline import Result
from ..registry import FIELDS
from .page import render_page, write_page
from .sketch import sketch_of, sketch_svg
from .words import Said, say_flags, say_reasons, scene_words, verdict_words

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
#: Pixels a side of the pictures, by how many there are (the page stays a page).
_SIDES = ((12, 520), (60, 320), (1000, 200), (10**9, 96))

#: One file that could not be read: the reader's error, or (file, message).
Unread = ReadError | tuple[str, str]


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


def render_assess_report(
    results: Sequence[Result],
    errors: Sequence[Unread] = (),
    *,
    title: str = "Is the beam centered?",
    made_at: datetime | None = None,
) -> str:
    """One self-contained HTML page about ``results``, in the order given, and the files that could not be read."""
    side = next(side for most, side in _SIDES if len(results) <= most)
    stacks = {r.assessment.file for r in results if r.assessment.page}
    return render_page(
        "pictures.html",
        title=title,
        made_at=made_at,
        cards=[_card(result, side, result.assessment.file in stacks) for result in results],
        unread=[(e.file, f"{e.reason}. {e.remedy}") if isinstance(e, ReadError) else e for e in errors],
        main_fields=MAIN_FIELDS,
    )


def write_assess_report(
    path: Path | str,
    results: Sequence[Result],
    errors: Sequence[Unread] = (),
    *,
    title: str = "Is the beam centered?",
    made_at: datetime | None = None,
) -> Path:
    """Write :func:`render_assess_report` to ``path``; returns the path."""
    return write_page(path, render_assess_report(results, errors, title=title, made_at=made_at))


def _card(result: Result, side: int, of_stack: bool) -> _Card:
    row = result.assessment.to_dict()
    name = result.assessment.file or "picture"
    verdict = str(row["verdict"] or "retake")
    sentences = tuple(result.advice.sentences)
    scene = scene_words(row["scene"])
    label = f"{Path(name).name}: {scene}; verdict {verdict}"
    return _Card(
        name=name,
        page=row["page"] if of_stack and row["frames_given"] is None else None,
        row=row,
        drawing=sketch_svg(sketch_of(result, side, 80), label),
        scene=scene,
        verdict=verdict,
        headline=sentences[0] if sentences else verdict_words(verdict),
        sentences=sentences[1:],
        flags=say_flags(row["flags"]),
        reasons=say_reasons(row["reasons"]),
        options=tuple(result.advice.options),
        groups=known_groups(row),
    )


def known_groups(row: dict[str, Any]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """(group, names of its fields that have a value), in the registry's order."""
    groups: dict[str, list[str]] = {}
    for f in FIELDS:
        if row.get(f.name) is not None and f.name not in ("file", "error", "flags", "reasons", "schema_version"):
            groups.setdefault(f.group, []).append(f.name)
    return tuple((g, tuple(names)) for g, names in groups.items())
