"""Stored gun settings: what a recall leaves off center, how that grows with age, which start values would do better.

Entries: :mod:`apertrue.current.entries`. One of kind ``recall`` names its ``setting``; one of kind ``state`` whose
``changed`` holds ``setting`` says that this setting was stored anew.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil, hypot, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..fitting.lines import fit_linear
from ..instrument.settings import Costs, Limits
from .entries import offset_of, readings_of, side_of_entry

Array = NDArray[np.float64]

#: The first picture counts as the recall's own up to this long after it, min.
FIRST_WITHIN_MIN = 60.0
#: What noting and storing a setting anew takes, min (common practice, no source).
STORE_MIN = 5.0

#: side → (matrix: % of the aperture radius per console unit (2, 2); its 4 × 4 covariance, row by row) or ``None``.
CalibrationFor = Callable[[str | None], tuple[Array, Array] | None]


@dataclass(frozen=True, slots=True, eq=False)
class Recall:
    """One recall and the first picture after it.

    Attributes:
        setting: its name.
        side: side of the gun-lens focus in the picture.
        at: time of the recall.
        wait_min: minutes from recall to picture.
        age_days: days since the setting was stored; ``None`` where the log does not tell.
        offset: (x, y), % of the aperture radius, y down.
        covariance: of it, shape (2, 2).
        readings: gun shift (X, Y) in the picture, console units; ``None`` where not noted.
    """

    setting: str
    side: str | None
    at: datetime
    wait_min: float
    age_days: float | None
    offset: Array
    covariance: Array
    readings: Array | None

    @property
    def length(self) -> float:
        """Length of the offset, % of the aperture radius."""
        return hypot(float(self.offset[0]), float(self.offset[1]))


@dataclass(frozen=True, slots=True, eq=False)
class StartValues:
    """Gun shift readings that would have been better, from the history.

    Attributes:
        readings: (X, Y), console units.
        covariance: of a next recall's right readings around them (scatter included), shape (2, 2).
        expected_offset_percent: root mean square offset to expect after a recall with them.
        trend: whether they follow a significant drift of the right readings to today.
    """

    readings: Array
    covariance: Array
    expected_offset_percent: float
    trend: bool


@dataclass(frozen=True, slots=True, eq=False)
class RecallSummary:
    """What the log says of one setting on one side.

    Attributes:
        setting, side: which.
        recalls: those behind it, in the order of time (since the setting was last stored).
        unseen: recalls that no measurable picture followed in time.
        rms_percent: root mean square of the offset after a recall, % of the aperture radius.
        mean: mean offset (x, y), %; mean_sigma: 1σ of each.
        growth_percent_per_week: length of the offset's drift with age, and its 1σ; ``None`` under three recalls.
        growth_significant: whether the drift is beyond chance (95 %).
        start: better start values; ``None`` without calibration or readings.
        minutes_per_recall: expected minutes of centering after a recall as it is.
        minutes_with_start: the same after storing the better start values; ``None`` without them.
        pays_after: number of recalls after which storing anew has paid; ``None`` when it does not.
        sentences: the same for people.
    """

    setting: str
    side: str | None
    recalls: tuple[Recall, ...]
    unseen: int
    rms_percent: float
    mean: Array
    mean_sigma: Array
    growth_percent_per_week: tuple[float, float] | None
    growth_significant: bool
    start: StartValues | None
    minutes_per_recall: float
    minutes_with_start: float | None
    pays_after: int | None
    sentences: tuple[str, ...]


def first_after_recall(
    entries: Iterable[Mapping[str, Any]], stored_at: Mapping[str, datetime] | None = None
) -> tuple[list[Recall], list[tuple[str, datetime]]]:
    """Recalls with the first picture after each, and those that no measurable picture followed.

    A picture counts until the first nudge, routine, further recall or an hour, whichever is first.

    Args:
        entries: of the log, in the order of time.
        stored_at: setting → when it was stored, where the log itself does not say.
    """
    stored = dict(stored_at or {})
    found: list[Recall] = []
    unseen: list[tuple[str, datetime]] = []
    pending: tuple[str, datetime] | None = None
    for entry in entries:
        kind, at = str(entry["kind"]), entry["at"]
        if pending is not None and at - pending[1] > timedelta(minutes=FIRST_WITHIN_MIN):
            unseen.append(pending)
            pending = None
        if kind == "recall":
            if pending is not None:
                unseen.append(pending)
            name = entry.get("setting")
            pending = (str(name), at) if name else None
        elif kind == "state" and "setting" in (entry.get("changed") or ()) and entry.get("setting"):
            stored[str(entry["setting"])] = at
        elif kind in ("nudge", "routine-start", "routine-end", "service"):
            if pending is not None:
                unseen.append(pending)
            pending = None
        elif kind == "picture" and pending is not None:
            measured = offset_of(entry)
            if measured is None:
                continue
            name, when = pending
            since = stored.get(name)
            age = None if since is None or since > when else (when - since).total_seconds() / 86400
            wait = (at - when).total_seconds() / 60
            side = side_of_entry(entry)
            found.append(Recall(name, side, when, wait, age, *measured, readings_of(entry)))
            pending = None
    if pending is not None:
        unseen.append(pending)
    return found, unseen


def summarize_recalls(
    entries: Iterable[Mapping[str, Any]],
    *,
    calibration_for: CalibrationFor | None = None,
    now: datetime | None = None,
    stored_at: Mapping[str, datetime] | None = None,
    limits: Limits | None = None,
    costs: Costs | None = None,
    store_min: float = STORE_MIN,
) -> tuple[RecallSummary, ...]:
    """What the log says of each stored setting and side, those most recalled first.

    Args:
        entries: of the log, in the order of time.
        calibration_for: side → shift calibration, for better start values.
        now: the moment for which start values are given; the last recall's when ``None``.
        stored_at: setting → when it was stored, where the log itself does not say.
        limits: of the verdicts.
        costs: minutes of nudge and routine.
        store_min: what storing a setting anew takes, min.
    """
    recalls, unseen = first_after_recall(entries, stored_at)
    groups: dict[tuple[str, str | None], list[Recall]] = {}
    for r in recalls:
        groups.setdefault((r.setting, r.side), []).append(r)
    out = []
    for (setting, side), all_of in groups.items():
        group = _since_stored(all_of)
        calibration = None if calibration_for is None else calibration_for(side)
        missed = sum(name == setting for name, _ in unseen)
        out.append(
            _summary(setting, side, group, missed, calibration, now, limits or Limits(), costs or Costs(), store_min)
        )
    return tuple(sorted(out, key=lambda s: (-len(s.recalls), s.setting, s.side or "")))


def _since_stored(recalls: Sequence[Recall]) -> list[Recall]:
    """The recalls since the setting was last stored anew: an age that falls from one recall to the next tells."""
    start = 0
    for i in range(1, len(recalls)):
        a, b = recalls[i - 1].age_days, recalls[i].age_days
        if b is not None and (a is None or b < a):
            start = i
    return list(recalls[start:])


def _summary(
    setting: str,
    side: str | None,
    group: list[Recall],
    unseen: int,
    calibration: tuple[Array, Array] | None,
    now: datetime | None,
    limits: Limits,
    costs: Costs,
    store_min: float,
) -> RecallSummary:
    offsets = np.array([r.offset for r in group])
    n = len(group)
    days = _days(group)
    rms = sqrt(float((offsets**2).sum(axis=1).mean()))
    mean = offsets.mean(axis=0)
    # Of one recall only the measurement's own doubt is known.
    scatter = np.cov(offsets.T) if n > 1 else group[0].covariance
    mean_sigma = np.sqrt(np.diag(scatter) / n)
    growth, significant = _growth(days, offsets)
    start = None
    if calibration is not None:
        start = _start_values([r for r in group if r.readings is not None], *calibration, now)
    spread = _regular(scatter if n > 2 else np.eye(2) * max(rms, 1.0) ** 2)
    per_recall = centering_minutes(mean, spread, limits, costs)
    with_start, pays = None, None
    if start is not None and calibration is not None:
        matrix = calibration[0]
        around = _regular(matrix @ start.covariance @ matrix.T)
        with_start = centering_minutes(np.zeros(2), around, limits, costs)
        if per_recall - with_start > 1e-6:
            pays = ceil(store_min / (per_recall - with_start))
    sentences = _sentences(
        setting, side, group, rms, growth, significant, start,
        per_recall, with_start, pays, store_min, limits.offset_leave,
    )  # fmt: skip
    return RecallSummary(
        setting, side, tuple(group), unseen, rms, mean, mean_sigma, growth, significant, start,
        per_recall, with_start, pays, sentences,
    )  # fmt: skip


def _days(group: Sequence[Recall]) -> Array:
    """Age in days; where the log does not tell, days since the first of these recalls (growth is the same)."""
    if all(r.age_days is not None for r in group):
        return np.array([r.age_days for r in group], dtype=np.float64)
    first = group[0].at
    return np.array([(r.at - first).total_seconds() / 86400 for r in group], dtype=np.float64)


def _growth(days: Array, offsets: Array) -> tuple[tuple[float, float] | None, bool]:
    """Length of the offset's drift, % per week, with 1σ, and whether it is beyond chance.

    A straight line a component; the two slopes are judged together (Hotelling's T² by its F distribution for known
    direction counts, with the residuals' scatter).
    """
    n = len(days)
    if n < 3 or np.ptp(days) < 1e-6:
        return None, False
    design = np.stack([np.ones(n), days - days.mean()], axis=1)
    fits = [fit_linear(design, offsets[:, k]) for k in (0, 1)]
    slope = np.array([f.coefficients[1] for f in fits]) * 7
    if any(f.covariance is None for f in fits):
        return None, False
    rest = np.stack([f.residuals for f in fits], axis=1)
    noise = rest.T @ rest / (n - 2)
    spread = 49.0 * noise / float(((days - days.mean()) ** 2).sum())
    length = float(np.hypot(*slope))
    unit = slope / length if length > 0 else np.array([1.0, 0.0])
    sigma = sqrt(max(float(unit @ spread @ unit), 1e-18))
    if n < 5:
        return (length, sigma), False
    t2 = float(slope @ np.linalg.solve(_regular(spread), slope))
    from scipy.stats import f as f_distribution

    p = float(f_distribution.sf(t2 * (n - 3) / (2 * (n - 2)), 2, n - 3))
    return (length, sigma), p < 0.05


def _start_values(
    group: Sequence[Recall], matrix: Array, matrix_covariance: Array, now: datetime | None
) -> StartValues | None:
    """Right readings s = r − A⁻¹ o: their mean or, where they drift beyond chance, their line to ``now``."""
    if not group:
        return None
    inverse = np.linalg.inv(matrix)
    moves = np.array([inverse @ r.offset for r in group])
    right = np.array([r.readings for r in group], dtype=np.float64) - moves
    own = np.array([inverse @ r.covariance @ inverse.T for r in group])
    n = len(group)
    first = group[0].at
    days = np.array([(r.at - first).total_seconds() / 86400 for r in group])
    target = days[-1] if now is None else (now - first).total_seconds() / 86400
    trend = _growth(days, right)[1]
    if trend:
        design = np.stack([np.ones(n), days - days.mean()], axis=1)
        fits = [fit_linear(design, right[:, k]) for k in (0, 1)]
        row = np.array([1.0, target - days.mean()])
        best = np.array([float(row @ f.coefficients) for f in fits])
        rest = np.stack([f.residuals for f in fits], axis=1)
        scatter = rest.T @ rest / (n - 2)
        covariance = scatter * (1.0 + 1.0 / n + (target - days.mean()) ** 2 / float(((days - days.mean()) ** 2).sum()))
    else:
        best = right.mean(axis=0)
        # Of one or two recalls the scatter is not known: as large as the moves they asked for.
        scatter = np.cov(right.T) if n > 2 else np.eye(2) * float((moves**2).sum(axis=1).mean()) + own.mean(axis=0)
        covariance = scatter * (1.0 + 1.0 / n)
    # The calibration's doubt moves all of them together: d(A⁻¹ o) = −A⁻¹ dA (A⁻¹ o).
    mean_move = moves.mean(axis=0)
    j = inverse @ np.kron(np.eye(2), mean_move)
    covariance = _regular(covariance + j @ matrix_covariance @ j.T)
    expected = sqrt(float(np.trace(matrix @ covariance @ matrix.T)))
    return StartValues(best, covariance, expected, trend)


def centering_minutes(mean: Array, covariance: Array, limits: Limits, costs: Costs) -> float:
    """Expected minutes of centering for an offset ~ N(mean, covariance), in % of the aperture radius.

    Nothing within the limit for leaving it; one nudge per factor of five beyond (a calibrated move leaves about a
    fifth); the automatic routine with its hangs beyond the limit for nudging, where it is the cheaper.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(24)
    weights = weights / weights.sum()
    root = np.linalg.cholesky(covariance)
    points = mean[:, None, None] + np.einsum("ij,jkl->ikl", root, np.stack(np.meshgrid(nodes, nodes, indexing="ij")))
    length = np.hypot(points[0], points[1])
    moves = np.ceil(np.log(np.maximum(length, 1e-9) / limits.offset_leave) / np.log(5.0))
    by_hand = costs.nudge_min * np.maximum(moves, 0.0)
    auto = costs.auto_min + costs.hang_probability * costs.hang_min
    minutes = np.where(length > limits.offset_nudge, np.minimum(by_hand + costs.nudge_min, auto), by_hand)
    return float(weights @ minutes @ weights)


def _regular(covariance: Array) -> Array:
    """A symmetric covariance with a small floor, so that it can be inverted."""
    c = 0.5 * (covariance + covariance.T)
    return np.asarray(c + np.eye(2) * (1e-9 * max(float(np.trace(c)), 1e-9) + 1e-12), dtype=np.float64)


def _sentences(
    setting: str,
    side: str | None,
    group: Sequence[Recall],
    rms: float,
    growth: tuple[float, float] | None,
    significant: bool,
    start: StartValues | None,
    per_recall: float,
    with_start: float | None,
    pays: int | None,
    store_min: float,
    leave_percent: float,
) -> tuple[str, ...]:
    n = len(group)
    where = f" on the {side} side" if side else ""
    times = "once" if n == 1 else f"{n} times"
    out = [f"Setting {setting}{where}, recalled {times}: the beam was off by {rms:.1f} % (root mean square)."]
    if growth is not None:
        if significant:
            weeks = leave_percent / growth[0]
            out.append(
                f"It drifts away by {growth[0]:.1f} ± {growth[1]:.1f} % a week: stored centered, it reaches the limit "
                f"of {leave_percent:g} % after about {weeks:.1f} weeks."
            )
        else:
            out.append(f"No drift beyond chance: {growth[0]:.1f} ± {growth[1]:.1f} % a week.")
    if start is None:
        out.append("Better start values need a shift calibration on this side and the shift readings of the pictures.")
    else:
        sx, sy = np.sqrt(np.diag(start.covariance))
        follows = " (following the drift)" if start.trend else ""
        out.append(
            f"Better start values: gun shift X {start.readings[0]:.2f} ± {sx:.2f}, Y {start.readings[1]:.2f} ± {sy:.2f}"
            f"{follows}; expected offset then {start.expected_offset_percent:.1f} %."
        )
        if pays is None:
            out.append("Storing the setting anew would not save time.")
        else:
            out.append(
                f"Storing it anew ({store_min:g} min) pays after {pays} recall{'s' if pays != 1 else ''}: "
                f"{per_recall:.1f} min of centering a recall now, {with_start:.1f} min then. "
                "Ask whoever keeps the settings before overwriting one."
            )
    if n < 3:
        out.append("Few recalls so far: take it as a first impression.")
    return tuple(out)
