"""What an archive tells about past work: losses, drift, recalls, trends. Pure computation; the report words it."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import hypot, sqrt
from typing import Literal

import numpy as np

from ..frame import FILE_TIME
from .pictures import Picture, Session, sessions_of
from .statistics import (
    ChangePoint,
    Estimate,
    Trend,
    change_point,
    clustered_mean,
    clustered_quantile,
    shape_of,
    trend,
)

KINDS = ("leave", "nudge", "auto", "retake", "aside", "error")
#: Two pictures tell a drift when this far apart, min: long enough to move, short enough to be the same drift.
_PAIR_MIN, _PAIR_MAX = 5.0, 240.0
#: Hours since the session's start by which drift is grouped.
HOURS = (0.0, 1.0, 2.0, 4.0, 8.0, 24.0)
#: Fewer pairs, recalls or centered pictures than this say nothing.
_FEW = 5


@dataclass(frozen=True, slots=True)
class DriftPair:
    """Two pictures of one session with unchanged gun shift: hours since start (middle), speed in % of R_a per hour."""

    session: str
    hours: float
    speed: float


@dataclass(frozen=True, slots=True)
class Recall:
    """The first picture after a setting was recalled (or a session began): its offset vector, %."""

    setting: str
    session: str
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class StartValue:
    """Where the beam was centered: mean gun shift readings with 1σ of the mean, for one setting."""

    setting: str
    x: float
    x_sigma: float
    y: float
    y_sigma: float
    n: int
    sessions: int


@dataclass(frozen=True, slots=True)
class Series:
    """A value per session with its trend and step; ``times`` in s since 1970.

    ``shape`` tells which of the two describes it: ``flat`` (neither is beyond chance at 1 %), ``line`` or ``step``.
    """

    name: str
    times: tuple[float, ...]
    values: tuple[float, ...]
    trend: Trend | None
    step: ChangePoint | None
    shape: Literal["flat", "line", "step"] = "flat"

    @property
    def between(self) -> tuple[float, float] | None:
        """The step lies between these two times (90 %): the last session surely before, the first surely after."""
        if self.step is None:
            return None
        return self.times[max(self.step.early - 1, 0)], self.times[self.step.late]


@dataclass(frozen=True, slots=True)
class Summary:
    """All that the report says in words. ``None`` = the archive does not tell.

    Attributes:
        counts: pictures in each of :data:`KINDS`.
        one_edge: those of ``retake`` in which only one round edge shows: whether of aperture, beam or another view is
            not known.
        sessions: with measured pictures, in order of time.
        lost: mean share of the beam's current lost by being off center, % (100 − working score).
        longer: mean share by which counting takes longer for it, % (f/(1 − f)).
        session_hours: first to last picture, summed over sessions, h.
        hours_lost: ``longer`` applied to each session's hours, h.
        drift: median speed, % of the aperture radius per hour; ``drift_high`` its 90 % quantile.
        drift_since: where the drift stepped, both and ``recheck_h`` are taken from the sessions since this time (s since
            1970), ``drift_before`` from those before; else ``None``.
        pairs: all pairs of pictures that tell a drift.
        recheck_h: hours after which a well-centered beam reaches the limit in one case of ten; ``None`` = unknown.
        recalls: offsets after recalls.
        recall_offset: median length of those.
        starts: better start values per setting.
        series: working score, offset at start and drift per session with trends.
        file_times: pictures whose time is only the file's.
        auto_for_want_of_calibration: pictures for the routine, within the limit for a nudge, whose direction to turn the
            shift axes was not known.
    """

    counts: Mapping[str, int]
    sessions: tuple[Session, ...]
    first: float | None
    last: float | None
    lost: Estimate | None
    longer: Estimate | None
    session_hours: float
    hours_lost: float | None
    worst: tuple[tuple[Session, float], ...]
    drift: Estimate | None
    drift_high: Estimate | None
    pairs: tuple[DriftPair, ...]
    drift_by_hour: tuple[tuple[float, float, Estimate], ...]
    recheck_h: float | None
    recalls: tuple[Recall, ...]
    recall_offset: Estimate | None
    recall_mean: Mapping[str, tuple[Estimate, Estimate]]
    starts: tuple[StartValue, ...]
    series: tuple[Series, ...] = ()
    file_times: int = 0
    flags: Mapping[str, int] = field(default_factory=dict)
    drift_since: float | None = None
    drift_before: Estimate | None = None
    auto_for_want_of_calibration: int = 0
    one_edge: int = 0


def summarize(
    pictures: Sequence[Picture], *, offset_limit: float = 5.0, nudge_limit: float = 25.0, rng: np.random.Generator
) -> Summary:
    """The summary of ``pictures``.

    Args:
        pictures: of the archive.
        offset_limit: the largest offset that is left as it is, %.
        nudge_limit: the largest offset that a move by hand is meant for, %.
        rng: source of bootstrap and permutations.
    """
    sessions = tuple(sessions_of(pictures))
    scored = [p for p in pictures if p.working_score is not None]
    groups = [p.session for p in scored]
    shares = [_lost(p) for p in scored]
    pairs = tuple(pair for s in sessions for pair in drift_pairs(s))
    series = _series(sessions, rng)
    since, before, now = _since_step(series, sessions, pairs)
    speeds, of = [p.speed for p in now], [p.session for p in now]
    enough = len(now) >= _FEW
    high = clustered_quantile(speeds, of, 0.9, rng) if enough else None
    recalls = tuple(r for s in sessions for r in recalls_of(s))
    times = [p.when for p in pictures if p.when is not None]
    flags = Counter(f for p in pictures if p.kind not in ("aside", "error") for f in p.row["flags"] or ())
    return Summary(
        counts={k: sum(p.kind == k for p in pictures) for k in KINDS},
        one_edge=sum(p.one_edge for p in pictures),
        sessions=sessions,
        first=min(times, default=None),
        last=max(times, default=None),
        lost=clustered_mean([100 * s for s in shares], groups),
        longer=clustered_mean([100 * s / (1 - s) for s in shares], groups),
        session_hours=sum(s.hours for s in sessions),
        hours_lost=_hours_lost(sessions),
        worst=_worst(sessions),
        drift=clustered_quantile(speeds, of, 0.5, rng) if enough else None,
        drift_high=high,
        pairs=pairs,
        drift_by_hour=_by_hour(now, rng),
        recheck_h=offset_limit / high.value if high is not None and high.value > 0 else None,
        recalls=recalls,
        recall_offset=clustered_quantile([hypot(r.x, r.y) for r in recalls], [r.session for r in recalls], 0.5, rng)
        if len(recalls) >= _FEW
        else None,
        recall_mean=_recall_mean(recalls),
        starts=_starts(pictures, offset_limit),
        series=series,
        file_times=sum(str(p.row["taken_at_source"] or "").startswith(FILE_TIME) for p in pictures),
        flags=dict(sorted(flags.items(), key=lambda item: (-item[1], item[0]))),
        drift_since=since,
        auto_for_want_of_calibration=sum(
            p.kind == "auto"
            and "direction-unknown" in (p.row["reasons"] or ())
            and p.offset is not None
            and p.offset <= nudge_limit
            for p in pictures
        ),
        drift_before=clustered_quantile([p.speed for p in before], [p.session for p in before], 0.5, rng),
    )


def _since_step(
    series: Sequence[Series], sessions: Sequence[Session], pairs: tuple[DriftPair, ...]
) -> tuple[float | None, tuple[DriftPair, ...], tuple[DriftPair, ...]]:
    """Where the drift stepped clearly, and the pairs before and since; how the gun drifts now is told by the latter."""
    one = next((s for s in series if s.name == "drift" and s.shape == "step"), None)
    if one is None or one.step is None:
        return None, (), pairs
    since = one.times[one.step.index]
    late = {s.name for s in sessions if s.start is not None and s.start >= since}
    now = tuple(p for p in pairs if p.session in late)
    if len(now) < _FEW or len({p.session for p in now}) < 3:
        return None, (), pairs
    return since, tuple(p for p in pairs if p.session not in late), now


def _lost(p: Picture) -> float:
    """Share of the current that is lost; capped, since a beam that is all cut off would take for ever."""
    assert p.working_score is not None
    return min(max(1 - p.working_score / 100, 0.0), 0.95)


def _hours_lost(sessions: Sequence[Session]) -> float | None:
    known = [(s.hours, [_lost(p) for p in s.pictures if p.working_score is not None]) for s in sessions]
    known = [(h, shares) for h, shares in known if shares and h > 0]
    return sum(h * float(np.mean([f / (1 - f) for f in shares])) for h, shares in known) if known else None


def _worst(sessions: Sequence[Session], most: int = 5) -> tuple[tuple[Session, float], ...]:
    means = [
        (s, float(np.mean([p.working_score for p in s.pictures if p.working_score is not None])))
        for s in sessions
        if any(p.working_score is not None for p in s.pictures)
    ]
    return tuple(sorted((m for m in means if m[1] < 97.0), key=lambda m: (m[1], m[0].name))[:most])


def drift_pairs(session: Session) -> list[DriftPair]:
    """Consecutive measured pictures between which the gun shift stayed: readings known and equal, or a log of moves.

    Without either a move by hand can't be told from drift, so such pairs are not used. The measurement's own doubt is
    taken out of the length: E|Δ|² = |δ|² + σ².
    """
    out = []
    measured = [(p, p.when, p.vector) for p in session.measured if p.when is not None and p.vector is not None]
    for (a, start, at), (b, end, to) in pairwise(measured):
        minutes = (end - start) / 60
        if not _untouched(a, b) or a.row["setting"] != b.row["setting"] or not _PAIR_MIN <= minutes <= _PAIR_MAX:
            continue
        doubt = sum((p.row[f"offset_{c}_percent_sigma"] or 0.0) ** 2 for p in (a, b) for c in "xy")
        length = (to[0] - at[0]) ** 2 + (to[1] - at[1]) ** 2
        middle = ((start + end) / 2 - (session.start or start)) / 3600
        out.append(DriftPair(session.name, middle, sqrt(max(length - doubt, 0.0)) / (minutes / 60)))
    return out


def _untouched(a: Picture, b: Picture) -> bool:
    """Whether the gun shift stayed between two pictures; ``moves`` counts those that a log has noted."""
    if a.shift is not None and b.shift is not None:
        return a.shift == b.shift
    moves = a.row.get("moves"), b.row.get("moves")
    return None not in moves and moves[0] == moves[1]


def _by_hour(pairs: Sequence[DriftPair], rng: np.random.Generator) -> tuple[tuple[float, float, Estimate], ...]:
    out = []
    for low, high in pairwise(HOURS):
        some = [p for p in pairs if low <= p.hours < high]
        if len(some) >= 3:
            estimate = clustered_quantile([p.speed for p in some], [p.session for p in some], 0.5, rng)
            if estimate is not None:
                out.append((low, high, estimate))
    return tuple(out)


def recalls_of(session: Session) -> list[Recall]:
    """The first measured picture of the session, and each first one after the name of the setting changed."""
    out = []
    before: str | None = None
    for i, p in enumerate(session.measured):
        setting = p.row["setting"]
        if p.vector is not None and (i == 0 or (setting is not None and setting != before)):
            out.append(Recall(setting or "", session.name, *p.vector))
        before = setting if setting is not None else before
    return out


def _recall_mean(recalls: Sequence[Recall]) -> dict[str, tuple[Estimate, Estimate]]:
    out = {}
    for setting in sorted({r.setting for r in recalls}):
        some = [r for r in recalls if r.setting == setting]
        x = clustered_mean([r.x for r in some], [r.session for r in some])
        y = clustered_mean([r.y for r in some], [r.session for r in some])
        if len(some) >= _FEW and x is not None and y is not None:
            out[setting] = (x, y)
    return out


def _starts(pictures: Sequence[Picture], limit: float) -> tuple[StartValue, ...]:
    """Mean gun shift readings of well-centered pictures, each session counting once."""
    by_setting: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for p in pictures:
        if p.shift is not None and p.offset is not None and p.offset <= limit:
            by_setting.setdefault(p.row["setting"] or "", {}).setdefault(p.session, []).append(p.shift)
    out = []
    for setting, sessions in sorted(by_setting.items()):
        means = np.array([np.mean(shifts, axis=0) for shifts in sessions.values()])
        if len(means) >= 3:
            center, doubt = means.mean(axis=0), means.std(axis=0, ddof=1) / sqrt(len(means))
            n = sum(len(s) for s in sessions.values())
            out.append(
                StartValue(setting, float(center[0]), float(doubt[0]), float(center[1]), float(doubt[1]), n, len(means))
            )
    return tuple(out)


def _series(sessions: Sequence[Session], rng: np.random.Generator) -> tuple[Series, ...]:
    timed = [s for s in sessions if s.start is not None]
    per_session: dict[str, list[tuple[float, float]]] = {"working score": [], "offset at start": [], "drift": []}
    for s in timed:
        assert s.start is not None
        scores = [p.working_score for p in s.pictures if p.working_score is not None]
        if scores:
            per_session["working score"].append((s.start, float(np.mean(scores))))
        first = s.measured[0].offset
        if first is not None:
            per_session["offset at start"].append((s.start, first))
        speeds = [pair.speed for pair in drift_pairs(s)]
        if speeds:
            per_session["drift"].append((s.start, float(np.median(speeds))))
    per_session |= _creep(timed)
    out = []
    for name, points in per_session.items():
        times, values = [t for t, _ in points], [v for _, v in points]
        found = trend(times, values)
        if found is not None:
            step = change_point(values, rng)
            out.append(
                Series(name, tuple(times), tuple(values), found, step, shape_of(times, values, found, step, level=0.01))
            )
    return tuple(out)


def _creep(sessions: Sequence[Session]) -> dict[str, list[tuple[float, float]]]:
    """How far the aperture's center lies from where it was at first, % of its radius, in the view most pictures share.

    Only pictures of one camera, magnification and size of the aperture's disc (within 3 %) are comparable.
    """
    seen: dict[tuple[object, object, int], list[tuple[Session, Picture]]] = {}
    for s in sessions:
        for p in s.measured:
            radius = p.row["aperture_radius_px"]
            if radius and p.row["aperture_x_px"] is not None and p.row["aperture_source"] != "remembered":
                view = (p.row["camera"], p.row["magnification"], round(float(np.log(radius)) / 0.03))
                seen.setdefault(view, []).append((s, p))
    if not seen:
        return {}
    most = max(seen.values(), key=len)
    out: dict[str, list[tuple[float, float]]] = {"aperture to the right": [], "aperture downward": []}
    for s in dict.fromkeys(s for s, _ in most):
        own = [p for t, p in most if t is s]
        assert s.start is not None
        for name, key in (("aperture to the right", "aperture_x_px"), ("aperture downward", "aperture_y_px")):
            place = float(np.mean([100 * p.row[key] / p.row["aperture_radius_px"] for p in own]))
            out[name].append((s.start, place))
    return {name: [(t, v - points[0][1]) for t, v in points] for name, points in out.items()}
