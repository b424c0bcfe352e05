"""What an entry of a log tells: its offset, its side of the crossover, its readings.

Entries are mappings in the order of time, as for :func:`apertrue.current.pairs.records_from_log`: ``kind``, ``at``
(datetime), ``changed`` and the registry's fields.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def entry_of(event: Any) -> dict[str, Any]:
    """An entry from an event of the session log (anything with ``kind``, ``at``, ``changed`` and ``values``)."""
    return {**event.values, "kind": str(event.kind), "at": event.at, "changed": tuple(event.changed or ())}


def offset_of(entry: Mapping[str, Any]) -> tuple[Array, Array] | None:
    """Offset (x, y) in % of the aperture radius with its covariance; ``None`` where not measured."""
    x, y = entry.get("offset_x_percent"), entry.get("offset_y_percent")
    sx, sy = entry.get("offset_x_percent_sigma"), entry.get("offset_y_percent_sigma")
    if x is None or y is None or sx is None or sy is None:
        return None
    r = entry.get("offset_xy_correlation") or 0.0
    covariance = np.array([[sx * sx, r * sx * sy], [r * sx * sy, sy * sy]], dtype=np.float64)
    return np.array([x, y], dtype=np.float64), covariance


def side_of_entry(entry: Mapping[str, Any]) -> str | None:
    """Side of the gun-lens focus as stated, else by the sign of its reading; ``None`` where neither tells."""
    side, focus = entry.get("focus_side"), entry.get("gun_focus")
    if side in ("positive", "negative"):
        return str(side)
    if focus is None or not focus:
        return None
    return "positive" if focus > 0 else "negative"


def readings_of(state: Mapping[str, Any]) -> Array | None:
    """Gun shift (X, Y), console units; ``None`` where not noted."""
    x, y = state.get("gun_shift_x"), state.get("gun_shift_y")
    return None if x is None or y is None else np.array([x, y], dtype=np.float64)
