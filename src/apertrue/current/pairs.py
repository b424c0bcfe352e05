"""From logged records to clean pairs of gun-lens focus and current, each with its doubt, state and session.

A record is a mapping with the registry's field names (a row of a sheet, an entry of the session log, an assessment).
Its current is corrected to a centered beam by the picture's score; what cannot be used is set aside with the reason.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import hypot, isfinite, log
from typing import Any

from ..registry import SESSION_GAP_H

#: Meter's relative 1σ where the record states none (common practice, no source).
METER_SIGMA = 0.02
#: Relative 1σ for a current that no score corrects: a beam left as it is loses up to 3 %.
UNCORRECTED_SIGMA = 0.03
#: Under this score more than half is missing: the correction would outweigh the reading.
LEAST_SCORE = 50.0
#: A score belongs to a current reading at the same focus no older than this, min.
SCORE_AGE_MIN = 15.0


@dataclass(frozen=True, slots=True, order=True)
class GunState:
    """What a current curve belongs to beside the side; ``None`` = not stated."""

    kv: float | None = None
    spot: str | None = None
    aperture_um: float | None = None

    @property
    def label(self) -> str:
        """For people: ``200 kV, spot 3, 70 µm aperture``."""
        parts = [
            f"{self.kv:g} kV" if self.kv is not None else "",
            f"spot {self.spot}" if self.spot is not None else "",
            f"{self.aperture_um:g} µm aperture" if self.aperture_um is not None else "",
        ]
        return ", ".join(p for p in parts if p) or "state not stated"


@dataclass(frozen=True, slots=True)
class Pair:
    """One pair.

    Attributes:
        focus: gun-lens focus reading, console units.
        current_pa: as read, pA.
        centered_pa: corrected to a centered beam, pA (equal to ``current_pa`` where no score was known).
        log_sigma: 1σ of ln(centered_pa): meter and score.
        side: ``positive`` or ``negative``; ``None`` = by the sign of focus minus crossover.
        state: high tension, spot, aperture.
        session: name of the session it belongs to.
        at: when, with zone; ``None`` if unknown.
        corrected: whether a score corrected it.
        ratio: beam radius ÷ aperture radius in the same picture, and its 1σ; ``None`` where not measured.
        source: where it stood (file, line, entry), for messages.
    """

    focus: float
    current_pa: float
    centered_pa: float
    log_sigma: float
    side: str | None
    state: GunState
    session: str = ""
    at: datetime | None = None
    corrected: bool = False
    ratio: tuple[float, float] | None = None
    source: str = ""

    @property
    def log_current(self) -> float:
        """ln(centered_pa / pA)."""
        return log(self.centered_pa)


@dataclass(frozen=True, slots=True)
class Aside:
    """A record that is not used, and why."""

    source: str
    why: str


@dataclass(frozen=True, slots=True)
class RadiusReading:
    """A beam radius ÷ aperture radius at a focus: tells where the crossover lies, with or without a current."""

    focus: float
    ratio: float
    sigma: float
    side: str | None
    session: str
    at_crossover: bool = False


@dataclass(frozen=True, slots=True)
class PairSet:
    """What the records hold: pairs, radius readings, and what was set aside."""

    pairs: tuple[Pair, ...]
    radii: tuple[RadiusReading, ...]
    aside: tuple[Aside, ...]


def centered_current(
    current_pa: float, score: float, score_sigma: float = 0.0, halo_fraction: float = 0.0
) -> tuple[float, float]:
    """Current that a centered beam would give, pA, and its relative 1σ from the score.

    A meter counts the halo and the score does not: only the beam's part grows, I·[(1 − h)·100/score + h].

    Args:
        current_pa: as read, pA.
        score: 0–100, over 0.
        score_sigma: its 1σ.
        halo_fraction: h, share of the light inside the aperture that is halo, 0 to 1.
    """
    if not score > 0:
        raise ValueError(f"the score must be positive, got {score}")
    beam = (1.0 - halo_fraction) * 100.0 / score
    total = beam + halo_fraction
    return current_pa * total, (beam / total) * score_sigma / score


def pairs_from_records(records: Iterable[Mapping[str, Any]]) -> PairSet:
    """Pairs from records in any order.

    Used fields: ``gun_focus``, ``current_pa``, ``focus_side``, ``kv``, ``spot``, ``aperture_um``, ``score``,
    ``halo_fraction``, ``beam_radius_px``, ``aperture_radius_px`` and their ``_sigma``, ``scene``, ``taken_at`` (ISO
    8601 text or datetime), and where given ``session``, ``current_pa_sigma``, ``source``. Missing keys are as ``None``.
    """
    rows = [dict(r) for r in records]
    sessions = _sessions(rows)
    pairs: list[Pair] = []
    radii: list[RadiusReading] = []
    aside: list[Aside] = []
    for number, (row, session) in enumerate(zip(rows, sessions, strict=True), start=1):
        source = str(row.get("source") or row.get("file") or f"record {number}")
        focus, current = _real(row, "gun_focus"), _real(row, "current_pa")
        side = _side(row)
        radius = _radius(row, focus, side, session)
        if radius is not None:
            radii.append(radius)
        if current is None:
            continue
        if focus is None:
            aside.append(Aside(source, "a current without the reading of the gun-lens focus"))
        elif not current > 0:
            aside.append(Aside(source, f"a current of {current:g} pA says nothing on a logarithmic scale"))
        elif row.get("focus_side") not in (None, "", "positive", "negative"):
            aside.append(Aside(source, f"focus_side is {row['focus_side']!r}; allowed: positive, negative"))
        else:
            made = _pair(row, focus, current, side, session, source, radius)
            (pairs if isinstance(made, Pair) else aside).append(made)  # type: ignore[arg-type]
    return PairSet(tuple(pairs), tuple(radii), tuple(aside))


def _pair(
    row: Mapping[str, Any],
    focus: float,
    current: float,
    side: str | None,
    session: str,
    source: str,
    radius: RadiusReading | None,
) -> Pair | Aside:
    meter = _real(row, "current_pa_sigma")
    sigma = METER_SIGMA if meter is None else max(meter / current, 1e-4)
    score = _real(row, "score")
    centered, corrected = current, False
    if score is None:
        sigma = hypot(sigma, UNCORRECTED_SIGMA)
    elif score < LEAST_SCORE:
        return Aside(
            source, f"score {score:.0f}: more than half of the beam is cut off, correcting it would be a guess"
        )
    else:
        halo = min(max(_real(row, "halo_fraction") or 0.0, 0.0), 1.0)
        centered, extra = centered_current(current, score, _real(row, "score_sigma") or 0.0, halo)
        sigma, corrected = hypot(sigma, extra), True
    spot = row.get("spot")
    state = GunState(_real(row, "kv"), None if spot in (None, "") else str(spot), _real(row, "aperture_um"))
    ratio = None if radius is None or radius.at_crossover else (radius.ratio, radius.sigma)
    return Pair(focus, current, centered, sigma, side, state, session, _time(row), corrected, ratio, source)


def _radius(row: Mapping[str, Any], focus: float | None, side: str | None, session: str) -> RadiusReading | None:
    if focus is None:
        return None
    if row.get("scene") == "crossover":
        return RadiusReading(focus, 0.0, 0.1, None, session, True)
    beam, aperture = _real(row, "beam_radius_px"), _real(row, "aperture_radius_px")
    if beam is None or aperture is None or not aperture > 0 or not beam > 0:
        return None
    ratio = beam / aperture
    relative = hypot(
        (_real(row, "beam_radius_px_sigma") or 0.0) / beam, (_real(row, "aperture_radius_px_sigma") or 0.0) / aperture
    )
    return RadiusReading(focus, ratio, max(ratio * relative, 0.002), side, session)


def _side(row: Mapping[str, Any]) -> str | None:
    side = row.get("focus_side")
    return str(side) if side in ("positive", "negative") else None


def _real(row: Mapping[str, Any], name: str) -> float | None:
    value = row.get(name)
    if value is None or value == "":
        return None
    number = float(value)
    return number if isfinite(number) else None


def _time(row: Mapping[str, Any]) -> datetime | None:
    value = row.get("at") or row.get("taken_at")
    if value is None or isinstance(value, datetime):
        return value
    return datetime.fromisoformat(str(value))


def _sessions(rows: list[dict[str, Any]]) -> list[str]:
    """Names of the sessions: as stated, else parted by long pauses, else one for all without a time."""
    out = [str(r.get("session") or "") for r in rows]
    timed = sorted((t.timestamp(), i) for i, r in enumerate(rows) if (t := _time(r)) is not None and not out[i])
    last, name = None, ""
    for stamp, i in timed:
        if last is None or stamp - last > SESSION_GAP_H * 3600:
            moment = _time(rows[i])
            name = moment.isoformat(timespec="minutes") if moment else ""
        out[i], last = name, stamp
    return out


def records_from_log(entries: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Records from the entries of a session log, in the order of time.

    An entry is a mapping with ``kind`` (``picture``, ``current``, ``state``, ``nudge``, ``recall``, ``routine-end``,
    …), ``at`` (datetime) and the registry's fields that it states. Each current takes what earlier entries of the same
    session said of the state, and the score of a picture at the same focus that is at most 15 min old with no move in
    between.
    """
    out: list[dict[str, Any]] = []
    state: dict[str, Any] = {}
    picture: dict[str, Any] | None = None
    last: datetime | None = None
    for entry in entries:
        at, kind = entry["at"], str(entry["kind"])
        if last is not None and at - last > timedelta(hours=SESSION_GAP_H):
            state, picture = {}, None
        last = at
        said = {k: entry[k] for k in _CARRIED if entry.get(k) is not None}
        if any(k in said and said[k] != state.get(k) for k in ("gun_focus", "focus_side", "kv", "spot", "aperture_um")):
            picture = None
        if "gun_focus" in said and "focus_side" not in said:
            state.pop("focus_side", None)
        state |= said
        if kind == "picture":
            picture = {k: v for k, v in entry.items() if k in _MEASURED and v is not None} | {"at": at}
            out.append({**state, **entry})
        elif kind == "current":
            record = {**state, **{k: v for k, v in entry.items() if v is not None}}
            if picture is not None and at - picture["at"] <= timedelta(minutes=SCORE_AGE_MIN):
                for name in _MEASURED[:4]:
                    if picture.get(name) is not None:
                        record.setdefault(name, picture[name])
            out.append(record)
        elif kind in ("nudge", "recall", "routine-start", "routine-end", "service"):
            picture = None
    return out


_CARRIED = ("gun_focus", "focus_side", "kv", "spot", "aperture_um")
_MEASURED = ("score", "score_sigma", "halo_fraction", "halo_fraction_sigma")
