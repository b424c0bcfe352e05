"""Every quantity that apertrue reports: its name, unit and meaning, in the order of the output.

One list serves JSON, CSV, SQLite, Python, the window, the report and the documentation.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from typing import Literal

#: Version of the set of fields; raised when a field is added, removed or changes its meaning.
SCHEMA_VERSION = 2
#: No condenser aperture is wider, µm.
MOST_APERTURE_UM = 1000.0

Kind = Literal["text", "texts", "whole", "real"]


@dataclass(frozen=True, slots=True)
class Field:
    """One reported quantity.

    Attributes:
        name: the key in JSON, CSV, SQLite and Python.
        kind: ``text``, ``texts`` (a list of ids), ``whole`` (an integer) or ``real``.
        unit: the unit as printed; ``""`` for texts, ``"1"`` for a pure number.
        meaning: one sentence.
        group: the heading under which people find it.
        measured: whether a ``<name>_sigma`` (1σ standard uncertainty, same unit) goes with it.
        decimals: digits after the point when people read it (JSON keeps full precision).
        label: a short heading for people; the name with spaces when left empty.
        low, above, high: what a value read or typed must be at least, more than, and at most; ``None`` = no such bound.
    """

    name: str
    kind: Kind
    unit: str
    meaning: str
    group: str
    measured: bool = False
    decimals: int = 2
    label: str = ""
    low: float | None = None
    above: float | None = None
    high: float | None = None

    def allows(self, value: float) -> bool:
        """Whether a value read or typed can be this quantity at all."""
        return (
            isfinite(value)
            and (self.low is None or value >= self.low)
            and (self.above is None or value > self.above)
            and (self.high is None or value <= self.high)
        )

    @property
    def allowed(self) -> str:
        """What :meth:`allows` asks for, in words: ``a number above 0 and up to 1000 µm``."""
        bounds = [
            f"{word} {bound:g}"
            for word, bound in (("from", self.low), ("above", self.above), ("up to", self.high))
            if bound is not None
        ]
        text = f"a {'number' if bounds else 'finite number'} {' and '.join(bounds)}".strip()
        return text if self.unit in ("", "1") else f"{text} {self.unit}" if bounds else f"{text} ({self.unit})"

    @property
    def heading(self) -> str:
        """The short heading for tables and panels."""
        return self.label or self.name.replace("_", " ")


def _text(name: str, group: str, meaning: str) -> Field:
    return Field(name, "text", "", meaning, group)


def _measured(name: str, unit: str, group: str, meaning: str, decimals: int = 2, label: str = "") -> Field:
    return Field(name, "real", unit, meaning, group, True, decimals, label)


def _read(
    name: str,
    unit: str,
    meaning: str,
    decimals: int = 2,
    *,
    low: float | None = None,
    above: float | None = None,
    high: float | None = None,
) -> Field:
    return Field(name, "real", unit, meaning, "state", False, decimals, low=low, above=above, high=high)


_P, _V, _E, _O, _L, _N, _S = "picture", "verdict", "edges", "centering", "light", "move", "state"
_PCT = "% of the aperture radius"

FIELDS: tuple[Field, ...] = (
    Field("schema_version", "whole", "", "version of this set of fields", _P),
    _text("file", _P, "the picture's file, as given"),
    Field("page", "whole", "", "page of a stack, from 0", _P),
    Field(
        "frames_given", "whole", "", "frames of one scene that were given to be combined; null for a single picture", _P
    ),
    Field("frames_used", "whole", "", "of these, the distinct ones that carry the numbers", _P),
    _text("taken_at", _P, "when the picture was taken: ISO 8601 with zone"),
    _text("taken_at_source", _P, "where that time came from"),
    _text("scene", _V, "what the picture shows"),
    Field("scene_confidence", "real", "1", "how sure that is, 0 to 1", _V),
    Field("flags", "texts", "", "what is special about the picture", _V),
    _text("verdict", _V, "what to do: leave, nudge, auto or retake"),
    Field("reasons", "texts", "", "why", _V),
    _text("error", _P, "the reader's message when the file could not be read; then all else is null"),
    _measured("aperture_x_px", "px", _E, "aperture center, to the right", label="aperture x"),
    _measured("aperture_y_px", "px", _E, "aperture center, downward", label="aperture y"),
    _measured(
        "aperture_radius_px",
        "px",
        _E,
        "aperture radius (geometric mean of the semi-axes)",
        label="aperture radius",
    ),
    _measured("beam_x_px", "px", _E, "beam center, to the right", label="beam x"),
    _measured("beam_y_px", "px", _E, "beam center, downward", label="beam y"),
    _measured("beam_radius_px", "px", _E, "beam radius (geometric mean of the semi-axes)", label="beam radius"),
    _measured(
        "aperture_edge_px",
        "px",
        _E,
        "width of the aperture's edge (1σ of a blurred step)",
        label="aperture edge width",
    ),
    _measured("beam_edge_px", "px", _E, "width of the beam's edge (1σ of a blurred step)", label="beam edge width"),
    _text("aperture_source", _E, "where the aperture's edge came from: picture or remembered"),
    _measured("aperture_ellipticity", "1", _E, "(major − minor)/(major + minor) of the aperture", 4),
    _measured(
        "aperture_axis_deg",
        "deg",
        _E,
        "direction of the aperture's major axis, 0 to 180, counter-clockwise from +x",
        1,
        "aperture axis",
    ),
    _measured("beam_ellipticity", "1", _E, "(major − minor)/(major + minor) of the beam", 4),
    _measured(
        "beam_axis_deg",
        "deg",
        _E,
        "direction of the beam's major axis, 0 to 180, counter-clockwise from +x",
        1,
        "beam axis",
    ),
    _measured(
        "offset_x_px",
        "px",
        _O,
        "beam center − aperture center as seen in the picture, to the right",
        label="offset x",
    ),
    _measured(
        "offset_y_px",
        "px",
        _O,
        "beam center − aperture center as seen in the picture, downward",
        label="offset y",
    ),
    Field("offset_xy_correlation", "real", "1", "correlation of the errors of the two offset components", _O),
    _measured(
        "offset_x_percent",
        _PCT,
        _O,
        "offset in the aperture plane, to the right",
        label="offset x (aperture plane)",
    ),
    _measured(
        "offset_y_percent",
        _PCT,
        _O,
        "offset in the aperture plane, downward",
        label="offset y (aperture plane)",
    ),
    _measured("offset_percent", _PCT, _O, "length of the offset in the aperture plane", label="offset"),
    _measured(
        "offset_direction_deg",
        "deg",
        _O,
        "where the beam lies, seen from the aperture's center (90 is up)",
        1,
        "offset direction",
    ),
    _measured(
        "move_direction_deg",
        "deg",
        _O,
        "the direction in which to move the beam (90 is up)",
        1,
        "move direction",
    ),
    _measured(
        "offset_um",
        "µm",
        _O,
        "offset in the plane of the aperture, from its known diameter",
        2,
        "offset at the aperture",
    ),
    _measured(
        "gap_percent",
        _PCT,
        _O,
        "gap between beam edge and aperture edge where it is tightest; negative = overlap",
        label="gap",
    ),
    _measured(
        "clipped_fraction",
        "1",
        _O,
        "share of the beam's current that the aperture stops now",
        4,
        "clipped share",
    ),
    _measured(
        "score",
        "0–100",
        _O,
        "beam current through the aperture now, in % of the most it can be over all shifts",
        1,
    ),
    _measured(
        "working_score",
        "0–100",
        _O,
        "the same with the beam spread to the radius that the work uses",
        1,
        "working score",
    ),
    _measured(
        "aperture_jitter_px",
        "px",
        _O,
        "root-mean-square movement of the aperture's center between combined frames, noise taken off",
        label="aperture jitter",
    ),
    _measured("beam_jitter_px", "px", _O, "the same of the beam's center", label="beam jitter"),
    _measured(
        "offset_jitter_percent",
        _PCT,
        _O,
        "the same of the offset in the aperture plane",
        label="offset jitter",
    ),
    _measured("halo_fraction", "1", _L, "share of the light inside the aperture that is halo", 4, "halo share"),
    _measured("unevenness_percent", "%", _L, "spread of the smoothed light over the lit area", 1, "unevenness"),
    _measured("nudge_x", "console units", _N, "suggested change of gun shift X", 3, "nudge X"),
    _measured("nudge_y", "console units", _N, "suggested change of gun shift Y", 3, "nudge Y"),
    _read("gun_shift_x", "console units", "reading of gun shift X when the picture was taken", 3),
    _read("gun_shift_y", "console units", "reading of gun shift Y when the picture was taken", 3),
    _read("gun_focus", "console units", "reading of the gun-lens focus", 3),
    _text("focus_side", _S, "side of the crossover: positive or negative"),
    _read("current_pa", "pA", "beam current as read", low=0.0),
    _read("kv", "kV", "high tension", 1, above=0.0, high=5000.0),
    _text("spot", _S, "spot setting as the console names it"),
    _read("aperture_um", "µm", "diameter of the condenser aperture that is in", 1, above=0.0, high=MOST_APERTURE_UM),
    _read("magnification", "1", "magnification as the file or console states it", 0, above=0.0),
    _text("camera", _S, "camera or screen that took the picture"),
    _text("setting", _S, "name of the recalled gun setting"),
    _text("note", _S, "the operator's note"),
    _text("state_source", _S, "where the state came from: field=source, comma-separated"),
)

_BY_NAME = {f.name: f for f in FIELDS}


def field(name: str) -> Field:
    """The field called ``name``; ``KeyError`` when there is none."""
    return _BY_NAME[name]


def field_names(*, sigma: bool = True) -> Iterator[str]:
    """All output keys in order; each measured field is followed by its ``_sigma`` unless ``sigma`` is false."""
    for f in FIELDS:
        yield f.name
        if sigma and f.measured:
            yield f.name + "_sigma"
