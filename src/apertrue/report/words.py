"""Registry words prepared for templates: what a verdict, flag or reason says, with its remedy."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ..registry import FLAGS, REASONS, SCENE_WORDS, VERDICT_WORDS, SceneKind, Verdict

#: Order of the verdicts in legends and sums; put-aside pictures and failures come last.
VERDICT_ORDER = ("leave", "nudge", "auto", "retake")


@dataclass(frozen=True, slots=True)
class Said:
    """An id with its sentence and remedy."""

    id: str
    sentence: str
    remedy: str


def say_flags(ids: Iterable[str] | None) -> tuple[Said, ...]:
    """The flags' sentences; an id that this version does not know stands for itself."""
    return tuple(Said(i, FLAGS[i].sentence, FLAGS[i].remedy) if i in FLAGS else Said(i, i, "") for i in ids or ())


def say_reasons(ids: Iterable[str] | None) -> tuple[Said, ...]:
    """The reasons' sentences, as :func:`say_flags`."""
    return tuple(Said(i, REASONS[i].sentence, REASONS[i].remedy) if i in REASONS else Said(i, i, "") for i in ids or ())


def scene_words(scene: str | None) -> str:
    """What a picture shows, in words."""
    try:
        return SCENE_WORDS[SceneKind(scene or "")]
    except ValueError:
        return scene or ""


def verdict_words(verdict: str | None) -> str:
    """What a verdict says, in words."""
    try:
        return VERDICT_WORDS[Verdict(verdict or "")]
    except ValueError:
        return verdict or ""


def kind_of(row: Mapping[str, Any]) -> str:
    """What a row counts as: its verdict, ``aside`` (no condenser aperture with a beam), or ``error``."""
    if row["error"] is not None:
        return "error"
    return "aside" if row["scene"] in (SceneKind.OTHER_VIEW, SceneKind.DARK) else str(row["verdict"] or "retake")
