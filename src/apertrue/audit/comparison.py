"""Two audits against each other: before and after a service, or two instruments."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..registry.format import format_number
from .pictures import Picture, Session, sessions_of
from .statistics import Difference, compare_sessions
from .summary import drift_pairs, recalls_of

_Values = Callable[[Sequence[Session]], list[tuple[str, float]]]


def _scores(sessions: Sequence[Session]) -> list[tuple[str, float]]:
    return [(s.name, p.working_score) for s in sessions for p in s.pictures if p.working_score is not None]


def _offsets(sessions: Sequence[Session]) -> list[tuple[str, float]]:
    return [(s.name, p.offset) for s in sessions for p in s.pictures if p.offset is not None]


def _left(sessions: Sequence[Session]) -> list[tuple[str, float]]:
    return [
        (s.name, 100.0 * (p.kind == "leave")) for s in sessions for p in s.pictures if p.kind not in ("aside", "error")
    ]


def _drifts(sessions: Sequence[Session]) -> list[tuple[str, float]]:
    return [(s.name, pair.speed) for s in sessions for pair in drift_pairs(s)]


def _recalls(sessions: Sequence[Session]) -> list[tuple[str, float]]:
    return [(s.name, float(np.hypot(r.x, r.y))) for s in sessions for r in recalls_of(s)]


#: (name, unit, values per picture with their sessions)
_QUESTIONS: tuple[tuple[str, str, _Values], ...] = (
    ("working score", "", _scores),
    ("offset", "%", _offsets),
    ("share of pictures to leave as they are", "%", _left),
    ("offset at start or after a recall", "%", _recalls),
    ("drift", "%/h", _drifts),
)


@dataclass(frozen=True, slots=True)
class Compared:
    """One quantity in both audits; ``difference`` is ``None`` where fewer than three sessions on a side tell it."""

    name: str
    unit: str
    difference: Difference | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """The first audit (earlier, or the other instrument) against the second."""

    rows: tuple[Compared, ...]
    tests: int

    @property
    def sentences(self) -> tuple[str, ...]:
        """The same in words."""
        return (
            "Difference: this audit minus the other. Sessions, not pictures, are the independent units.",
            *(row.sentence for row in self.rows),
            f"{self.tests} questions were asked: one p under {0.05 / max(self.tests, 1):.2g} would be rare by chance "
            "in all of them together, one under 0.05 is not.",
        )


def compare_audits(first: Sequence[Picture], second: Sequence[Picture], rng: np.random.Generator) -> Comparison:
    """Compare ``second`` with ``first``; each session counts once in each quantity."""
    a, b = sessions_of(first), sessions_of(second)
    rows = []
    for name, unit, values in _QUESTIONS:
        left, right = values(a), values(b)
        (of_a, these), (of_b, those) = _apart(left), _apart(right)
        found = compare_sessions(these, of_a, those, of_b, rng)
        rows.append(Compared(name, unit, found, _sentence(name, unit, found, left, right)))
    return Comparison(tuple(rows), sum(r.difference is not None for r in rows))


def _apart(pairs: Sequence[tuple[str, float]]) -> tuple[list[str], list[float]]:
    return [s for s, _ in pairs], [v for _, v in pairs]


def _sentence(
    name: str, unit: str, d: Difference | None, left: Sequence[tuple[str, float]], right: Sequence[tuple[str, float]]
) -> str:
    if d is None:
        counts = " and ".join(str(len({s for s, _ in side})) for side in (left, right))
        return f"{_upper(name)}: not enough sessions that tell it ({counts}; three on each side are needed)."
    low, high = format_number(d.low, unit=unit), format_number(d.high, unit=unit)
    clear = d.low > 0 or d.high < 0
    verdict = "a difference" if clear and d.p_value < 0.05 else "no difference that sessions of this number could show"
    return (
        f"{_upper(name)}: {format_number(d.first.value, d.first.sigma, unit=unit)} before, "
        f"{format_number(d.second.value, d.second.sigma, unit=unit)} now; difference "
        f"{format_number(d.value, d.sigma, unit=unit)} (95 %: {low} to {high}; p = {d.p_value:.2g}, "
        f"{d.sessions[0]} and {d.sessions[1]} sessions): {verdict}."
    )


def _upper(text: str) -> str:
    return text[0].upper() + text[1:]
