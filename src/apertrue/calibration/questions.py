"""Typing errors, caught before they enter a calibration: sign, decimal comma, swapped axes, a digit too many.

Each suspicion is put as a question with the reading that would fit; nothing is corrected silently.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot

import numpy as np
from numpy.typing import NDArray

from ..errors import CalibrationError
from .estimate import Estimate, estimate
from .leastsquares import chi2_tail
from .points import Point

Array = NDArray[np.float64]

#: Residuals with a smaller probability than this ask for a reason.
SUSPICIOUS = 1e-4
#: A corrected reading must bring the probability above this to be suggested.
FITS = 0.01
#: Gauss–Newton steps of each trial fit: honest points need about six, and senseless ones need not converge.
_STEPS = 8
#: A reading that lies farther from the others than so many times their own range asks for a reason.
LEVERAGE = 6.0


@dataclass(frozen=True, slots=True)
class Question:
    """A suspicion about one point.

    Attributes:
        index: of the point, from 0.
        kind: ``sign``, ``swapped``, ``factor`` (decimal comma or a digit too many or too few), ``outlier`` or ``gain``.
        sentence: the question for people.
        suggestion: readings that would fit, (X, Y); ``None`` when none does.
    """

    index: int
    kind: str
    sentence: str
    suggestion: tuple[float, float] | None


def _variants(x: float, y: float) -> list[tuple[str, str, float, float]]:
    out = [
        ("sign", "Is the sign of X right", -x, y),
        ("sign", "Is the sign of Y right", x, -y),
        ("sign", "Are the signs of X and Y right", -x, -y),
        ("swapped", "Are X and Y swapped", y, x),
    ]
    for factor, words in ((0.1, "a digit too many or a lost decimal comma"), (10.0, "a misplaced decimal comma")):
        out += [
            ("factor", f"Is X right ({words})", x * factor, y),
            ("factor", f"Is Y right ({words})", x, y * factor),
        ]
    out += [
        ("factor", "Is X right (a lost decimal comma)", x / 100, y),
        ("factor", "Is Y right (a lost decimal comma)", x, y / 100),
    ]
    seen, unique = {(x, y)}, []
    for v in out:
        if (v[2], v[3]) not in seen:  # −0 equals 0: a zero has no sign to ask about
            seen.add((v[2], v[3]))
            unique.append(v)
    return unique


def questions(points: Sequence[Point], *, step: float = 0.0) -> tuple[Question, ...]:
    """Suspicions about the readings, the most likely first; empty when all is consistent.

    Args:
        points: as for :func:`apertrue.calibration.estimate.estimate`, with their σ (without σ only leverage is looked
            at).
        step: the console's step, console units.
    """
    out = list(_leverage(points))
    if len(points) >= 4 and all(p.x_sigma is not None and p.y_sigma is not None for p in points):
        asked = {q.index for q in out}
        out += [q for q in _inconsistent(points, step) if q.index not in asked]
    if not out:
        out += _odd_gain(points, step)
    return tuple(out)


def unlike_suggested(
    typed: tuple[float, float], suggested: tuple[float, float], before: tuple[float, float], index: int
) -> Question | None:
    """A suspicion about readings that lie far from the suggested ones, while a usual typing error explains it.

    Args:
        typed: readings (X, Y) as given, console units.
        suggested: what was to be set.
        before: the readings of the point before; the suggested move's length is the measure of "far".
        index: of the point, from 0.
    """
    far = hypot(typed[0] - suggested[0], typed[1] - suggested[1])
    reach = hypot(suggested[0] - before[0], suggested[1] - before[1])
    if far <= 3.0 * reach:
        return None
    near = [(hypot(x - suggested[0], y - suggested[1]), kind, words, x, y) for kind, words, x, y in _variants(*typed)]
    distance, kind, words, x, y = min(near, key=lambda v: v[0])
    start = f"Point {index + 1}: X {typed[0]:g}, Y {typed[1]:g}, where X {suggested[0]:g}, Y {suggested[1]:g} was to be set."
    if distance < 0.2 * far:
        return Question(index, kind, f"{start} {words}? X {x:g}, Y {y:g} would be near it.", (x, y))
    return Question(index, "outlier", f"{start} Is that what the console shows?", None)


def _name(points: Sequence[Point], i: int) -> str:
    p = points[i]
    where = f" ({p.label})" if p.label else ""
    return f"Point {i + 1}{where}: X {p.shift_x:g}, Y {p.shift_y:g}"


def _leverage(points: Sequence[Point]) -> list[Question]:
    """A reading far outside the others while the beam did not go far: a digit too many or a lost decimal comma."""
    if len(points) < 3:
        return []
    s = np.array([p.readings for p in points])
    o = np.array([p.offset for p in points])
    out = []
    for i in range(len(points)):
        rest = np.delete(np.arange(len(points)), i)
        for axis, name in ((0, "X"), (1, "Y")):
            span = float(np.ptp(s[rest, axis]))
            away = float(np.abs(s[i, axis] - s[rest, axis]).min())
            moved = float(np.linalg.norm(o[i] - o[rest], axis=1).min())
            usual = max(float(np.linalg.norm(o[a] - o[b])) for a in rest for b in rest)
            if span > 0 and away > LEVERAGE * span and moved < 2.0 * max(usual, 1.0):
                value = float(s[i, axis])
                low, high = float(s[rest, axis].min()) - span, float(s[rest, axis].max()) + span
                fits = next((value / f for f in (10.0, 100.0) if low <= value / f <= high), None)
                text = f"{_name(points, i)}. {name} lies far outside the other readings, but the beam did not go far."
                text += " A digit too many, or a lost decimal comma?"
                suggestion = None
                if fits is not None:
                    text += f" {name} = {fits:g} would fit."
                    other = float(s[i, 1 - axis])
                    suggestion = (fits, other) if axis == 0 else (other, fits)
                out.append(Question(i, "factor", text, suggestion))
                break
    return out


def _fit(points: Sequence[Point], step: float) -> Estimate | None:
    try:
        return estimate(points, step=step, iterations=_STEPS)
    except CalibrationError:
        return None


def _probability(e: Estimate | None) -> float:
    return chi2_tail(e.chi2, e.dof) if e is not None and e.dof > 0 else 0.0


def _inconsistent(points: Sequence[Point], step: float) -> list[Question]:
    fit = _fit(points, step)
    if fit is None:  # the estimate's own refusal says why
        return []
    whole = _probability(fit)
    if whole > SUSPICIOUS:
        return []
    found: list[tuple[float, Question]] = []
    for i, point in enumerate(points):
        for kind, words, x, y in _variants(point.shift_x, point.shift_y):
            trial = [replace(p, shift_x=x, shift_y=y) if k == i else p for k, p in enumerate(points)]
            p = _probability(_fit(trial, step))
            if p > FITS:
                text = f"{_name(points, i)}. {words}? X {x:g}, Y {y:g} would agree with the other points."
                found.append((p, Question(i, kind, text, (x, y))))
    if not found and len(points) >= 5:
        for i in range(len(points)):
            p = _probability(_fit([q for k, q in enumerate(points) if k != i], step))
            if p > FITS:
                text = f"{_name(points, i)}. It does not agree with the others. "
                text += "Was it read or typed wrongly, or did the view change?"
                found.append((p, Question(i, "outlier", text, None)))
    found.sort(key=lambda f: -f[0])
    if not found:
        text = (
            f"The {len(points)} points do not agree with each other (p = {whole:.1g}), and no single typing error "
            f"explains "
            "it. Did the view, the focus or the aperture change in between?"
        )
        return [Question(0, "outlier", text, None)]
    return [q for _, q in found]


def _odd_gain(points: Sequence[Point], step: float) -> list[Question]:
    """Two axes whose effects differ tenfold: with three points the only sign of a factor."""
    e = _fit(points, step)
    if e is None:
        return []
    lengths = np.linalg.norm(e.matrix, axis=0)
    if lengths.min() > 0 and lengths.max() / lengths.min() > 7.0:
        strong, weak = ("X", "Y") if lengths[0] > lengths[1] else ("Y", "X")
        text = (
            f"Axis {strong} moves the beam {lengths.max() / lengths.min():.0f} times as far as axis {weak} per "
            f"console unit. "
            f"Is a reading of {weak} ten times too large, or one of {strong} ten times too small?"
        )
        return [Question(0, "gain", text, None)]
    return []
