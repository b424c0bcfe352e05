"""Does switching between the two sides (TEM and STEM) disturb the gun shift? The log tells.

Every two pictures of the same side give a change of the right readings. Changes with a stay on the other side in
between are compared with changes without one, per hour, by a permutation test: no distribution is assumed.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .entries import offset_of, readings_of, side_of_entry
from .recall import CalibrationFor

Array = NDArray[np.float64]

#: Two pictures further apart than this are not compared, h.
MOST_H = 6.0
_ENDS = ("recall", "routine-start", "routine-end", "service")


@dataclass(frozen=True, slots=True)
class Switching:
    """Whether a stay on the other side moved the beam's center.

    Attributes:
        n_switched, n_control: changes with and without a stay on the other side.
        rms_switched_percent, rms_control_percent: their root mean squares per √h, % of the aperture radius; ``None``
            where there are none.
        p_value: chance of so large a difference without any effect; ``None`` with fewer than four of either.
        disturbs: whether it is beyond chance (5 %) and more than 1 %; ``None`` when the log can't tell.
        extra_percent: root mean square disturbance of a switch beyond drift, %; 0 where none shows.
        sentences: the same for people.
    """

    n_switched: int
    n_control: int
    rms_switched_percent: float | None
    rms_control_percent: float | None
    p_value: float | None
    disturbs: bool | None
    extra_percent: float | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Change:
    switched: bool
    hours: float
    square: float  # squared length of the change, %²
    noise: float  # of which measurement alone makes this much, %²


def _changes(entries: Iterable[Mapping[str, Any]], calibration_for: CalibrationFor | None) -> list[_Change]:
    last: dict[str, tuple[datetime, Array, Array, Array | None]] = {}
    left: set[str] = set()  # sides that another side's picture or focus followed
    out = []
    for entry in entries:
        kind, side = str(entry["kind"]), side_of_entry(entry)
        if kind in _ENDS or (kind == "state" and any(c in (entry.get("changed") or ()) for c in ("kv", "emission"))):
            last, left = {}, set()
            continue
        if kind == "nudge":
            # Without readings a nudge ends what can be compared; with them the calibration takes it out.
            last = {s: v for s, v in last.items() if v[3] is not None}
            continue
        if side is not None:
            left |= {s for s in last if s != side}
        if kind != "picture" or side is None:
            continue
        measured = offset_of(entry)
        if measured is None:
            continue
        offset, covariance, readings = *measured, readings_of(entry)
        before = last.get(side)
        if before is not None:
            hours = (entry["at"] - before[0]).total_seconds() / 3600
            change = offset - before[1]
            known = True
            if readings is not None and before[3] is not None and not np.allclose(readings, before[3], atol=1e-9):
                calibration = None if calibration_for is None else calibration_for(side)
                known = calibration is not None
                if calibration is not None:
                    change = change - calibration[0] @ (readings - before[3])
            if known and 0 < hours <= MOST_H:
                noise = float(np.trace(covariance) + np.trace(before[2]))
                out.append(_Change(side in left, hours, float(change @ change), noise))
        last[side] = (entry["at"], offset, covariance, readings)
        left.discard(side)
    return out


def switching(
    entries: Iterable[Mapping[str, Any]],
    *,
    rng: np.random.Generator,
    calibration_for: CalibrationFor | None = None,
    permutations: int = 2000,
) -> Switching:
    """Whether switching sides disturbed the shift, from the log's entries in the order of time.

    Args:
        entries: as for :func:`apertrue.current.recall.first_after_recall`.
        rng: source of the permutations.
        calibration_for: takes changes of the shift readings out; without it only pictures at equal readings compare.
        permutations: how many.
    """
    changes = _changes(entries, calibration_for)
    switched = np.array([c.switched for c in changes], dtype=bool)
    n1, n0 = int(switched.sum()), int((~switched).sum())
    hours = np.array([c.hours for c in changes])
    # Drift grows with time: what is left after the measurement's noise, per hour (a random walk).
    rest = np.array([max(c.square - c.noise, 0.0) for c in changes])
    per_hour = rest / np.maximum(hours, 0.1)
    rms1 = sqrt(float(per_hour[switched].mean())) if n1 else None
    rms0 = sqrt(float(per_hour[~switched].mean())) if n0 else None
    if n1 < 4 or n0 < 4:
        text = (
            f"The log can't tell yet whether switching sides disturbs the shift: {n1} comparisons with a "
            f"switch in between, {n0} without; four of each are needed."
        )
        return Switching(n1, n0, rms1, rms0, None, None, None, (text,))
    # One huge change must not decide alone: ranks of the size, as in Wilcoxon's test.
    rank = per_hour.argsort(kind="stable").argsort(kind="stable").astype(np.float64)
    seen = float(rank[switched].mean())
    draws = np.array([float(rank[rng.permutation(switched)].mean()) for _ in range(permutations)])
    p = (1 + int((draws >= seen).sum())) / (permutations + 1)
    drift = float(np.median(per_hour[~switched]))
    extra = sqrt(max(float(np.median(rest[switched] - drift * hours[switched])), 0.0))
    disturbs = bool(p < 0.05 and extra > 1.0)
    if disturbs:
        text = (
            f"Switching sides moved the beam by about {extra:.1f} % of the aperture radius beyond the usual drift "
            f"({n1} switches, {n0} comparisons without, chance {p:.3f}). Center again after each switch."
        )
    elif p < 0.05:
        text = f"Switching sides moved the beam by under 1 % of the aperture radius ({n1} switches): no matter."
    else:
        text = (
            f"Switching sides did not disturb the shift beyond the usual drift ({n1} switches, {n0} without, "
            f"chance {p:.2f}), as it should be."
        )
    return Switching(n1, n0, rms1, rms0, p, disturbs, extra, (text,))
