"""The move that centers the beam, with its doubt and the score to expect; first moves where nothing is known."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from math import floor, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..advice import Nudge
from ..errors import CalibrationError
from ..instrument import Console, axis_words, reading_words
from ..model.transmission import lens_area
from .learn import Learner
from .model import Calibration
from .points import Point

Array = NDArray[np.float64]

#: Displacement that a trial move aims at, % of the aperture radius.
TRIAL_PERCENT = 5.0
#: First trial move where nothing is known, in console steps.
TRIAL_STEPS = 15
#: Offset (% of the aperture radius, with 2σ) below which no further move is worth its minute: the working score of a
#: flat
#: beam is then above 99.6.
GOOD_ENOUGH = 0.5
#: Both axes known better than this (relative 1σ): nudge; else try.
KNOWN = 0.35


@dataclass(frozen=True, slots=True)
class Move:
    """What to do next with the two shift axes.

    Attributes:
        kind: ``centered`` (nothing), ``nudge`` (a known move) or ``trial`` (a small move that teaches).
        shift_x, shift_y: the readings to set, console units.
        nudge: the change with its doubt; for a trial the 1σ are 0 and no score is promised.
        limited: the console's range cut the move short.
        sentences: for people.
    """

    kind: str
    shift_x: float
    shift_y: float
    nudge: Nudge
    limited: bool
    sentences: tuple[str, ...]


def flat_score(offset: float, ratio: float = 1.0) -> float:
    """Working score of an evenly lit beam: 100 × share through the unit aperture ÷ the most that can pass.

    Args:
        offset: aperture radii.
        ratio: beam radius ÷ aperture radius.
    """
    return 100.0 * lens_area(abs(offset), ratio, 1.0) / (pi * min(ratio, 1.0) ** 2)


def expected_score(offset: Array, covariance: Array, ratio: float | None = None) -> tuple[float, float]:
    """Mean and standard deviation of the working score when the offset (%, shape (2,)) is normal with ``covariance``.

    Gauss–Hermite quadrature with 7 × 7 nodes.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(7)
    u, v = np.meshgrid(nodes, nodes)
    w = np.outer(weights, weights) / float(weights.sum()) ** 2
    places = offset + np.stack([u.ravel(), v.ravel()], axis=1) @ _root(covariance).T
    at, scores = _score_table(ratio or 1.0)
    value = np.interp(np.hypot(places[:, 0], places[:, 1]) / 100.0, at, scores)
    mean = float(w.ravel() @ value)
    return mean, sqrt(max(float(w.ravel() @ (value - mean) ** 2), 0.0))


@lru_cache(maxsize=32)
def _score_table(ratio: float) -> tuple[Array, Array]:
    """Offsets (aperture radii) and flat scores; linear between them within 0.001."""
    at = np.linspace(0.0, 1.0 + ratio, 2001)
    return at, np.array([flat_score(float(d), ratio) for d in at])


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def within_doubt(offset: Array, covariance: Array) -> bool:
    """Whether an offset is no longer than twice its own 1σ along itself."""
    size = float(np.hypot(*offset))
    return size <= 2.0 * _sigma_along(offset, covariance)


def _sigma_along(offset: Array, covariance: Array) -> float:
    size = float(np.hypot(*offset))
    u = offset / size if size > 0 else np.array([1.0, 0.0])
    return sqrt(float(u @ covariance @ u))


def good_enough(offset: Array, covariance: Array) -> bool:
    """Whether an offset is within its doubt, or with it below :data:`GOOD_ENOUGH`."""
    size = float(np.hypot(*offset))
    return within_doubt(offset, covariance) or size + 2.0 * _sigma_along(offset, covariance) <= GOOD_ENOUGH


def nudge_for(
    point: Point,
    calibration: Calibration,
    console: Console | None = None,
    *,
    working_ratio: float | None = None,
    target: tuple[float, float] = (0.0, 0.0),
) -> Nudge:
    """The nudge that a calibration gives for a measured offset.

    Args:
        point: the present picture, with its σ (see :func:`apertrue.calibration.points.point_from`); its ``approach``
            tells on which side of the backlash the axes stand.
        calibration: valid for the present state.
        console: step and range; a step of 0.1 in ±100 when ``None``.
        working_ratio: beam radius ÷ aperture radius of the work; ``None`` = just fills the aperture.
        target: offset to aim at, % of the aperture radius (a learned difference of centers; normally 0).

    Returns:
        rounded to the console's step and kept in its range; ``x_sigma``, ``y_sigma`` are the 1σ of the ideal move, from
        picture and calibration; ``centered`` when the offset is within twice its 1σ, below :data:`GOOD_ENOUGH` or
        below what a step can mend.

    Raises:
        CalibrationError: the point has no σ.
    """
    return plan_nudge(point, calibration, console, working_ratio=working_ratio, target=target).nudge


def plan_nudge(
    point: Point,
    calibration: Calibration,
    console: Console | None = None,
    *,
    working_ratio: float | None = None,
    target: tuple[float, float] = (0.0, 0.0),
) -> Move:
    """As :func:`nudge_for`, with the readings to set and words."""
    console = console or Console()
    if point.covariance is None:
        raise CalibrationError(f"{point.label or 'the picture'}: the 1σ of its offset is not known")
    return _plan(
        point.offset - np.array(target),
        point.covariance,
        point.readings,
        calibration.a,
        calibration.cov,
        console,
        working_ratio,
        calibration.backlash,
        point.approach,
    )


def _plan(
    offset: Array,
    covariance: Array,
    readings: Array,
    a: Array,
    a_cov: Array,
    console: Console,
    working_ratio: float | None,
    backlash: tuple[float, float] | None = None,
    approach: tuple[int, int] | None = None,
) -> Move:
    inverse = np.linalg.inv(a)
    ideal = -inverse @ offset
    jac = np.kron(np.eye(2), ideal)
    cov = inverse @ (covariance + jac @ a_cov @ jac.T) @ inverse.T
    sx, sy = sqrt(float(cov[0, 0])), sqrt(float(cov[1, 1]))
    correlation = float(cov[0, 1]) / (sx * sy) if sx > 0 and sy > 0 else 0.0

    def outcome(change: Array) -> tuple[Array, Array]:
        effective = change + _slack(change, backlash, approach)
        j = np.kron(np.eye(2), effective)
        reading = console.shift_step**2 / 12.0 * a @ a.T
        return offset + a @ effective, covariance + j @ a_cov @ j.T + reading

    wish = ideal - _slack(ideal, backlash, approach)
    change, limited = _settable(wish, readings, console, lambda c: float(np.hypot(*outcome(c)[0])))
    stay = good_enough(offset, covariance) or not change.any()
    if not stay and float(np.hypot(*outcome(change)[0])) >= float(np.hypot(*offset)):
        stay = True
    if stay:
        change, limited = np.zeros(2), False
    after, after_cov = outcome(change) if not stay else (offset, covariance)
    mean, spread = expected_score(after, after_cov, working_ratio)
    nudge = Nudge(
        float(change[0]),
        float(change[1]),
        sx,
        sy,
        correlation,
        mean,
        spread,
        sqrt(float(after @ after + np.trace(after_cov))),
        stay,
    )
    target = readings + change
    return Move(
        "centered" if stay else "nudge",
        float(target[0]),
        float(target[1]),
        nudge,
        limited,
        _nudge_words(nudge, target, console, limited),
    )


def _slack(change: Array, backlash: tuple[float, float] | None, approach: tuple[int, int] | None) -> Array:
    """Extra effective shift when a move reverses an axis: ½ b (h' − h), see :mod:`.estimate`."""
    if backlash is None or approach is None:
        return np.zeros(2)
    out = np.zeros(2)
    for k in (0, 1):
        turned = float(np.sign(change[k]))
        if turned and approach[k] and turned != approach[k]:
            out[k] = 0.5 * backlash[k] * (turned - approach[k])
    return out


def _settable(change: Array, readings: Array, console: Console, rate: "object") -> tuple[Array, bool]:
    """The change that the console can set and that leaves the smallest offset, and whether the range cut it short."""
    step = console.shift_step
    low, high = console.shift_min - readings, console.shift_max - readings
    cut = np.clip(change, low, high)
    limited = bool(np.abs(cut - change).max() > max(step, 1e-12) * 0.5)
    if step <= 0:
        return cut, limited
    options = []
    for k in (0, 1):
        # Readings may stand between the console's steps; the target is rounded, not the change.
        base = floor((readings[k] + cut[k]) / step + 1e-9)
        values = {round(n * step, 10) - readings[k] for n in (base, base + 1)}
        values = {round(v, 10) for v in values if low[k] - 1e-9 <= v <= high[k] + 1e-9}
        options.append(values or {0.0})
    assert callable(rate)
    best = min((np.array(c) for c in product(*options)), key=lambda c: (rate(c), float(np.abs(c).sum())))
    return best, limited


def _nudge_words(nudge: Nudge, target: Array, console: Console, limited: bool) -> tuple[str, ...]:
    if nudge.centered:
        return ("Centered within the measurement's doubt, or so well that a further move is not worth its minute.",)
    x = axis_words(console, 0, nudge.x, nudge.x_sigma, float(target[0]))
    y = axis_words(console, 1, nudge.y, nudge.y_sigma, float(target[1]))
    says = [f"{x[0].upper()}{x[1:]} and {y}."]
    if nudge.score_after is not None:
        says.append(
            f"Expect a working score of {nudge.score_after:.1f} ± {nudge.score_after_sigma:.1f} and an offset of about "
            f"{nudge.offset_after_percent:.1f} % afterwards."
        )
    if limited:
        says.append(
            "The console's range cuts this move short: the rest must come from the gun's alignment, by trained staff."
        )
    return tuple(says)


def next_move(known: Learner, console: Console | None = None, *, working_ratio: float | None = None) -> Move:
    """The next move of a centering in progress: a nudge where both axes are known well enough, else a trial.

    A trial is small and does two things at once: it turns the axis of which least is known, and takes out with the
    known axis what can be taken out.

    Raises:
        CalibrationError: no point yet.
    """
    console = console or Console()
    last, measured = _latest(known)
    if all(known.column(k)[1] < KNOWN for k in (0, 1)) and _apart(known.matrix):
        return _plan(
            last.offset, measured, last.readings, known.matrix, known.matrix_covariance, console, working_ratio
        )
    if good_enough(last.offset, measured) and float(np.hypot(*last.offset)) < TRIAL_PERCENT:
        nudge = Nudge(0.0, 0.0, 0.0, 0.0, centered=True)
        return Move(
            "centered", last.shift_x, last.shift_y, nudge, False, _nudge_words(nudge, last.readings, console, False)
        )
    return trial_move(known, console)


def trial_move(known: Learner, console: Console | None = None) -> Move:
    """A small move of the axis of which least is known, whether or not the beam is centered already.

    Raises:
        CalibrationError: no point yet.
    """
    console = console or Console()
    last, measured = _latest(known)
    columns = [known.column(k) for k in (0, 1)]
    change = _trial(known, columns, last.offset, float(np.sqrt(np.trace(measured) / 2)), console)
    change, limited = _within(change, last.readings, console)
    target = last.readings + change
    axis = " and ".join(
        f"{name} by {reading_words(float(c), console.shift_step, signed=True)}"
        for name, c in zip((console.name_x, console.name_y), change, strict=True)
        if c
    )
    says: tuple[str, ...] = (
        f"Trial move: change {axis}, then take a picture. It teaches which way the axes turn the beam.",
        "It may go the wrong way: that teaches as much. If the light fades, go back to the noted readings.",
    )
    sure = [k for k in (0, 1) if columns[k][1] < KNOWN]
    if sure:
        gain = float(np.hypot(*columns[sure[0]][0]))
        percent = gain * float(np.abs(change).max())
        says += (f"Its size follows from the first trial: about {percent:.0f} % of the aperture radius on an axis.",)
    return Move(
        "trial", float(target[0]), float(target[1]), Nudge(float(change[0]), float(change[1]), 0.0, 0.0), limited, says
    )


def _latest(known: Learner) -> tuple[Point, Array]:
    """The last point and its covariance."""
    if not known.points:
        raise CalibrationError("take a picture first")
    last = known.points[-1]
    measured = last.covariance
    assert measured is not None  # a learner takes no point without σ
    return last, measured


def _apart(matrix: Array) -> bool:
    s = np.linalg.svd(matrix, compute_uv=False)
    return bool(s[1] > 0.05 * s[0])


def _trial(
    known: Learner, columns: Sequence[tuple[Array, float]], offset: Array, sigma: float, console: Console
) -> Array:
    step = console.shift_step if console.shift_step > 0 else (console.shift_max - console.shift_min) / 2000.0
    aim = min(max(TRIAL_PERCENT, 8.0 * sigma), 15.0)
    change = np.zeros(2)
    sure = [k for k in (0, 1) if columns[k][1] < KNOWN]
    tried = np.abs(np.array([p.readings - known.points[0].readings for p in known.points])).max(axis=0)
    if not sure:
        # Nothing is known, or the last trial was too small to see: that axis again, larger.
        axis = int(np.argmax(tried)) if tried.any() else 0
        size = TRIAL_STEPS * step
        if tried[axis] > 0:
            seen = float(np.hypot(*(known.points[-1].offset - known.points[0].offset)))
            size = float(tried[axis]) * min(4.0, aim / max(seen, aim / 4.0))
            size = max(size, 2 * step)
        change[axis] = size
        return change
    axis = sure[0]
    column = columns[axis][0]
    gain = float(np.hypot(*column))
    # The second trial is as large as the first one taught is safe: it grows with what is left to move.
    size = float(np.hypot(*offset))
    other = min(max(aim, 2.0 * TRIAL_PERCENT, 0.35 * size), 4.0 * TRIAL_PERCENT) / gain
    change[1 - axis] = max(other, step)
    wish = -float(column @ offset) / gain**2
    # With a much longer move of the known axis its doubt would hide what the new one does.
    change[axis] = min(max(wish, -other), other)
    if tried[1 - axis] > 0:
        # A second try of that axis alone: turned together again, the two would stay confounded.
        change[axis] = 0.0
    return change


def _within(change: Array, readings: Array, console: Console) -> tuple[Array, bool]:
    """Rounded to the step and turned round where it would leave the range."""
    step = console.shift_step
    out = np.zeros(2)
    limited = False
    for k in (0, 1):
        c = float(change[k])
        if not console.shift_min <= readings[k] + c <= console.shift_max:
            if console.shift_min <= readings[k] - c <= console.shift_max and abs(c) < 0.2 * (
                console.shift_max - console.shift_min
            ):
                c = -c
            limited = True
        target = min(max(readings[k] + c, console.shift_min), console.shift_max)
        if step > 0:
            target = round(round(target / step) * step, 10)
            target = min(max(target, console.shift_min), console.shift_max)
        out[k] = round(target - readings[k], 10)
    return out, limited
