"""Two audits against each other: before and after a service, or two instruments."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..registry.format import format_number
from ..report.archive import Chart, Table
from .pictures import Picture, Session, sessions_of
from .statistics import Difference, compare_sessions, holm
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


#: (name, unit, values per picture with their sessions, whether more is better)
_QUESTIONS: tuple[tuple[str, str, _Values, bool], ...] = (
    ("working score", "", _scores, True),
    ("offset", "%", _offsets, False),
    ("share of pictures to leave as they are", "%", _left, True),
    ("offset at start or after a recall", "%", _recalls, False),
    ("drift", "%/h", _drifts, False),
)
#: With a chance below this, all questions considered, a difference counts.
_LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class Compared:
    """One quantity in both audits.

    Attributes:
        name, unit: which.
        difference: this minus the other; ``None`` where fewer than three sessions on a side tell it.
        chance: probability of so large a difference without any cause, corrected for all questions asked (Holm).
        finding: ``better``, ``worse``, ``no difference`` or ``not enough sessions``.
        sentence: the same for people.
    """

    name: str
    unit: str
    difference: Difference | None
    chance: float | None
    finding: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """The other audit (earlier, or of the other instrument) against this one."""

    rows: tuple[Compared, ...]
    tests: int

    @property
    def sentences(self) -> tuple[str, ...]:
        """The same in words."""
        return (
            "Difference: this audit minus the other. Sessions, not pictures, are the independent units.",
            *(row.sentence for row in self.rows),
            *(
                [f"{self.tests} questions were asked at once; the chances given are corrected for that."]
                if self.tests > 1
                else []
            ),
        )


def compare_audits(first: Sequence[Picture], second: Sequence[Picture], rng: np.random.Generator) -> Comparison:
    """Compare ``second`` with ``first``; each session counts once in each quantity."""
    a, b = sessions_of(first), sessions_of(second)
    asked = []
    for name, unit, values, more_is_better in _QUESTIONS:
        left, right = values(a), values(b)
        (of_a, these), (of_b, those) = _apart(left), _apart(right)
        found = compare_sessions(these, of_a, those, of_b, rng)
        asked.append((name, unit, more_is_better, found, len(set(of_a)), len(set(of_b))))
    told = [d for *_, d, _, _ in asked if d is not None]
    chances = iter(holm([d.p_value for d in told]))
    rows = []
    for name, unit, more_is_better, d, n_a, n_b in asked:
        chance = None if d is None else next(chances)
        finding = _finding(d, chance, more_is_better)
        rows.append(Compared(name, unit, d, chance, finding, _sentence(name, unit, d, chance, finding, (n_a, n_b))))
    return Comparison(tuple(rows), len(told))


def comparison_chart(found: Comparison) -> Chart:
    """The comparison as a table for the report."""
    rows = []
    for r in found.rows:
        d = r.difference
        if d is None:
            rows.append((_upper(r.name), "—", "—", "—", "—", "—", r.finding))
            continue
        rows.append(
            (
                _upper(r.name),
                format_number(d.first.value, d.first.sigma, unit=r.unit),
                format_number(d.second.value, d.second.sigma, unit=r.unit),
                format_number(d.value, d.sigma, unit=r.unit),
                f"{format_number(d.low)} to {format_number(d.high)}",
                _chance(r.chance),
                r.finding,
            )
        )
    words = (
        "Means over sessions with their 1σ doubt; difference: this audit minus the other, with the stretch that holds "
        "it in 95 of 100 cases. Sessions, not pictures, are the independent units: pictures of one session share their "
        "fate."
    )
    if found.tests:
        words += (
            " The chance is that of so large a difference if nothing had changed, from dealing whole sessions out anew"
        )
        words += f", corrected for the {found.tests} questions asked at once." if found.tests > 1 else "."
    columns = ("what", "other audit", "this audit", "difference", "95 %", "chance alone", "finding")
    return Chart("This audit and the other", None, words, Table(columns, tuple(rows), (1, 2, 3, 4)), wide=True)


def _apart(pairs: Sequence[tuple[str, float]]) -> tuple[list[str], list[float]]:
    return [s for s, _ in pairs], [v for _, v in pairs]


def _finding(d: Difference | None, chance: float | None, more_is_better: bool) -> str:
    if d is None or chance is None:
        return "not enough sessions"
    if chance >= _LEVEL or not (d.low > 0 or d.high < 0):
        return "no difference"
    return "better" if (d.value > 0) == more_is_better else "worse"


def _sentence(
    name: str, unit: str, d: Difference | None, chance: float | None, finding: str, sessions: tuple[int, int]
) -> str:
    if d is None:
        return (
            f"{_upper(name)}: not enough sessions that tell it ({sessions[0]} and {sessions[1]}; three on each side "
            "are needed)."
        )
    low, high = format_number(d.low, unit=unit), format_number(d.high, unit=unit)
    verdict = (
        "no difference that sessions of this number could show"
        if finding == "no difference"
        else f"a difference; this audit is the {finding} one"
    )
    return (
        f"{_upper(name)}: {format_number(d.first.value, d.first.sigma, unit=unit)} in the other, "
        f"{format_number(d.second.value, d.second.sigma, unit=unit)} in this; difference "
        f"{format_number(d.value, d.sigma, unit=unit)} (95 %: {low} to {high}; chance alone {_chance(chance)}; "
        f"{d.sessions[0]} and {d.sessions[1]} sessions): {verdict}."
    )


def _chance(p: float | None) -> str:
    """A probability as a share a person can picture."""
    if p is None:
        return "—"
    if p > 0.2:
        return "likely"
    return "under 1 in 1000" if p < 0.001 else f"1 in {1 / p:.0f}"


def _upper(text: str) -> str:
    return text[0].upper() + text[1:]
