"""What past pictures and readings tell of currents and stored gun settings: from entries to the models of ``current``.

An entry is a mapping in the order of time with ``kind``, ``at``, ``changed`` and the registry's fields, as the session
log keeps them. An archive has no log: there a recall is inferred where a session begins, or goes on, with another
setting than the picture before.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from ..calibration import Calibration, Point, StateKey, choose
from ..calibration.moves import calibration_from_moves
from ..current.answers import FocusAnswer, OffCurve, focus_for, off_curve
from ..current.curve import CurrentModel, by_state, fit_current
from ..current.entries import side_of_entry
from ..current.pairs import Pair, PairSet, pairs_from_records, records_from_log
from ..current.recall import CalibrationFor, RecallSummary, summarize_recalls
from ..current.switching import Switching, switching
from ..instrument.settings import Costs, Limits
from .pictures import Picture, sessions_of

#: Currents for which the report tells the focus, pA: imaging, X-ray analysis, TEM (common practice, no source).
CURRENTS_PA = (10.0, 20.0, 50.0, 100.0, 200.0, 400.0, 1000.0, 2000.0, 5000.0)
#: States with a curve of their own in the report; the others are counted.
_MOST_STATES = 3
#: Entries that end a run of comparable pictures.
_ENDS = ("recall", "service")
Entry = Mapping[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """The current curve of one state.

    Attributes:
        model: for a session of which nothing is known yet.
        foci: which focus gives which of :data:`CURRENTS_PA`, where readings cover it.
        latest: how far the latest session lies off the curve of the others; ``None`` where that can't be told.
        latest_at: when that session's last reading was taken.
    """

    model: CurrentModel
    foci: tuple[FocusAnswer, ...]
    latest: OffCurve | None
    latest_at: datetime | None


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """What entries tell beside the pictures' own numbers.

    Attributes:
        recalls: stored settings, those most recalled first.
        inferred: whether recalls were inferred from the names of settings.
        switching: whether switching sides disturbed the shift; ``None`` without pictures on two sides.
        curves: current against focus, states with most readings first.
        readings: currents with a focus, and how many of them no curve rests on.
        learned: side → moves behind a calibration learned from the entries themselves.
    """

    recalls: tuple[RecallSummary, ...] = ()
    inferred: bool = False
    switching: Switching | None = None
    curves: tuple[Curve, ...] = ()
    readings: int = 0
    without_curve: int = 0
    learned: Mapping[str, int] | None = None


def history_of_pictures(
    pictures: Sequence[Picture],
    *,
    calibrations: Sequence[Calibration] = (),
    limits: Limits | None = None,
    costs: Costs | None = None,
    rng: np.random.Generator,
) -> History:
    """The history of an archive's pictures, with recalls inferred."""
    entries = entries_of_pictures(pictures)
    records = [{**p.row, "session": p.session} for p in pictures if p.kind != "error"]
    return _history(entries, records, True, calibrations, limits, costs, rng)


def history_of_log(
    entries: Sequence[Entry],
    *,
    calibrations: Sequence[Calibration] = (),
    limits: Limits | None = None,
    costs: Costs | None = None,
    rng: np.random.Generator,
) -> History:
    """The history of a session log's entries (as of :func:`apertrue.current.recall.entry_of`), in order of time."""
    return _history(list(entries), records_from_log(entries), False, calibrations, limits, costs, rng)


def entries_of_pictures(pictures: Sequence[Picture]) -> list[dict[str, Any]]:
    """Pictures with a time as entries, with a ``recall`` before each first picture of a setting in a session."""
    out: list[dict[str, Any]] = []
    for session in sessions_of(pictures):
        before: str | None = None
        for p in session.pictures:
            if p.when is None:
                continue
            at = datetime.fromisoformat(p.row["taken_at"])
            setting = p.row["setting"]
            if setting is not None and setting != before:
                out.append({"kind": "recall", "at": at, "changed": (), "setting": setting})
                before = setting
            out.append({**p.row, "kind": "picture", "at": at, "changed": (), "session": session.name})
    return out


def _history(
    entries: Sequence[Entry],
    records: Iterable[Entry],
    inferred: bool,
    calibrations: Sequence[Calibration],
    limits: Limits | None,
    costs: Costs | None,
    rng: np.random.Generator,
) -> History:
    calibration_for, learned = calibrations_of(entries, calibrations)
    recalls = summarize_recalls(entries, calibration_for=calibration_for, limits=limits, costs=costs)
    sides = {side_of_entry(e) for e in entries if e["kind"] == "picture"} - {None}
    found = pairs_from_records(records)
    curves = _curves(found, rng)
    used = sum(len(c.model.pairs) for c in curves)
    return History(
        recalls,
        inferred and bool(recalls),
        switching(entries, rng=rng, calibration_for=calibration_for) if len(sides) > 1 else None,
        curves,
        len(found.pairs) + len(found.aside),
        len(found.pairs) + len(found.aside) - used,
        learned,
    )


def calibrations_of(entries: Sequence[Entry], kept: Sequence[Calibration]) -> tuple[CalibrationFor, dict[str, int]]:
    """Side → kept calibration, else one learned from the entries' own moves; and the moves behind the learned ones."""
    from_moves: dict[str, Calibration] = {}
    for side in ("positive", "negative"):
        if choose(kept, StateKey(focus_side=side)) is None:
            made = calibration_from_moves(_runs(entries, side), StateKey(focus_side=side))
            if made is not None:
                from_moves[side] = made

    def calibration_for(side: str | None) -> Any:
        if side is None:
            return None
        found = choose(kept, StateKey(focus_side=side)) or from_moves.get(side)
        return None if found is None else (found.a, found.cov)

    return calibration_for, {side: c.n_points for side, c in from_moves.items()}


def _runs(entries: Sequence[Entry], side: str) -> list[list[Point]]:
    """Pictures of one side and one view in a row, with readings; a recall, a service or another view ends a run."""
    runs: list[list[Point]] = []
    view: object = None
    for e in entries:
        if e["kind"] in _ENDS:
            view = None
        if e["kind"] != "picture" or side_of_entry(e) != side:
            continue
        shift_x, shift_y = e.get("gun_shift_x"), e.get("gun_shift_y")
        offset_x, offset_y = e.get("offset_x_percent"), e.get("offset_y_percent")
        if shift_x is None or shift_y is None or offset_x is None or offset_y is None:
            continue
        here = tuple(e.get(n) for n in ("session", "kv", "aperture_um", "spot", "camera", "magnification"))
        if here != view:
            runs.append([])
            view = here
        runs[-1].append(
            Point(
                shift_x,
                shift_y,
                offset_x,
                offset_y,
                e.get("offset_x_percent_sigma"),
                e.get("offset_y_percent_sigma"),
                e.get("offset_xy_correlation") or 0.0,
                minutes=e["at"].timestamp() / 60.0,
            )
        )
    return runs


def _curves(found: PairSet, rng: np.random.Generator) -> tuple[Curve, ...]:
    out: list[Curve] = []
    for pairs in by_state(found.pairs).values():
        if len(out) == _MOST_STATES:
            break
        try:
            model = fit_current(pairs, found.radii, rng=rng)
        except ValueError:
            continue
        foci = [focus_for(model, wanted, side) for side in model.curves for wanted in CURRENTS_PA]
        latest, at = _latest(pairs, found, rng)
        told = tuple(f for f in foci if f.focus is not None and not f.extrapolated)
        out.append(Curve(model, told, latest, at))
    return tuple(out)


def _latest(pairs: Sequence[Pair], found: PairSet, rng: np.random.Generator) -> tuple[OffCurve | None, datetime | None]:
    """The latest session against the curve of all others."""
    timed = [p for p in pairs if p.at is not None]
    if not timed:
        return None, None
    last = max(timed, key=lambda p: p.at.timestamp() if p.at else 0.0)
    now, before = [p for p in pairs if p.session == last.session], [p for p in pairs if p.session != last.session]
    try:
        return off_curve(fit_current(before, found.radii, rng=rng), now), last.at
    except ValueError:
        return None, None
