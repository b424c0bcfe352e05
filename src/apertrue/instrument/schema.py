"""Every key of the instrument file, once: its kind, unit, allowed values and the comment that the file carries.

Reading, checking, writing and the documentation all go by this table; defaults stand in :mod:`.settings`.
"""

from dataclasses import dataclass
from typing import Literal

from ..registry import MOST_APERTURE_UM

Kind = Literal["text", "truth", "number", "whole", "numbers", "radii"]


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the instrument file.

    Attributes:
        name: the key, and the attribute of the settings' dataclass.
        kind: ``text``, ``truth`` (true or false), ``number``, ``whole``, ``numbers`` (a list of numbers) or
            ``radii`` (a table magnification → radius).
        comment: what it means, one sentence without the unit.
        unit: the unit, ``""`` for none.
        low, high: the smallest and largest value allowed; for ``numbers`` and ``radii`` of each entry.
        above: a bound that the value must exceed.
        words: the closed set of texts, if it is one.
        example: TOML shown, commented out, where nothing is set.
    """

    name: str
    kind: Kind
    comment: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    above: float | None = None
    words: tuple[str, ...] = ()
    example: str = ""

    @property
    def allowed(self) -> str:
        """What is allowed, in words, for error messages."""
        if self.words:
            return "one of " + ", ".join(f'"{w}"' for w in self.words)
        if self.kind == "text":
            return "a text in quotes"
        if self.kind == "truth":
            return "true or false"
        what = {
            "number": "a number",
            "whole": "a whole number",
            "numbers": "a list of numbers",
            "radii": "a table of magnification = radius, such as { any = 410.0 }, with a number",
        }[self.kind]
        return " ".join(part for part in (what, self._range(), f"({self.unit})" if self.unit else "") if part)

    @property
    def hint(self) -> str:
        """Unit and bounds in short, for the comment in the file; "" when there is nothing to say."""
        if self.words:
            return " or ".join(f'"{w}"' for w in self.words)
        unit = "" if self.unit in ("1", "0–1", "0–100") else self.unit
        return ", ".join(part for part in (unit, self._range()) if part)

    def _range(self) -> str:
        if self.low is not None and self.high is not None:
            return f"from {self.low:g} to {self.high:g}"
        if self.low is not None:
            return f"at least {self.low:g}"
        if self.above is not None and self.high is not None:
            return f"above {self.above:g} and up to {self.high:g}"
        if self.above is not None:
            return f"above {self.above:g}"
        return ""

    def admits(self, value: float) -> bool:
        """Whether the number lies within the bounds."""
        return (
            (self.low is None or value >= self.low)
            and (self.high is None or value <= self.high)
            and (self.above is None or value > self.above)
        )


_PCT = "% of the aperture radius"
_CONSOLE = "console units"

TOP: tuple[Key, ...] = (
    Key("name", "text", "how people call this instrument"),
    Key(
        "apertures_um",
        "numbers",
        "diameters of the condenser apertures",
        "µm",
        above=0,
        high=MOST_APERTURE_UM,
        example="[30.0, 50.0, 70.0]",
    ),
    Key("default_camera", "text", "the camera to assume where a picture does not name one", example='"screen"'),
    Key("timezone", "text", "time zone of pictures that state none (IANA name)", example='"Europe/Berlin"'),
)

LIMITS: tuple[Key, ...] = (
    Key("offset_leave", "number", "up to this offset the beam is left as it is", _PCT, low=0, high=100),
    Key("offset_nudge", "number", "up to this offset a nudge by hand is worth trying", _PCT, low=0, high=200),
    Key("gap_leave", "number", "a smaller gap is not left as it is", _PCT, low=0, high=100),
    Key("gap_beam_from", "number", "the gap counts for beams from this radius", _PCT, low=0, high=200),
    Key("gap_beam_to", "number", "the gap counts for beams up to this radius", _PCT, low=0, high=200),
    Key("score_leave", "number", "a lower working score is not left as it is", "0–100", low=0, high=100),
    Key(
        "score_nudge",
        "number",
        "a lower working score makes the automatic routine worth weighing",
        "0–100",
        low=0,
        high=100,
    ),
    Key("half_cut", "number", "clipped share from which the beam counts as half cut", "1", above=0, high=1),
    Key("stale_min", "number", "a picture older than this is stale", "min", above=0, high=100000),
    Key("nudges_before_auto", "whole", "after so many failed nudges the automatic routine", "", low=1, high=100),
    Key("hangs_before_ban", "whole", "after so many hangs on one day no automatic routine", "", low=1, high=100),
)

COSTS: tuple[Key, ...] = (
    Key("nudge_min", "number", "one nudge with its snapshot", "min", above=0, high=1000),
    Key("auto_min", "number", "one run of the automatic routine in the alignment view", "min", above=0, high=1000),
    Key(
        "auto_interrupt_min", "number", "stopping work for it: an empty area, and the way back", "min", low=0, high=1000
    ),
    Key("hang_probability", "number", "probability that the routine hangs", "0–1", low=0, high=1),
    Key("hang_min", "number", "what a hang costs", "min", low=0, high=10000),
    Key("planned_min", "number", "planned work until the next natural check", "min", above=0, high=10000),
    Key(
        "dose",
        "text",
        '"current": lost light counts by itself; "counts": the work needs a fixed number of counts, so it takes longer',
        words=("counts", "current"),
    ),
    Key("in_alignment_view", "truth", "whether the alignment view is open anyway (then nothing is interrupted)"),
    Key(
        "drift_percent_per_h",
        "number",
        "the gun's usual drift while there is no forecast",
        "% of the aperture radius per hour",
        low=0,
        high=1000,
    ),
    Key("drift_sigma_percent_per_h", "number", "its 1σ", "% of the aperture radius per hour", low=0, high=1000),
    Key(
        "auto_left_percent",
        "number",
        "offset that the routine usually leaves",
        "% of the aperture radius",
        low=0,
        high=100,
    ),
    Key(
        "trial_moves",
        "number",
        "moves that teach the direction without a shift calibration: one of each axis",
        "",
        low=0,
        high=20,
    ),
)

WORKING: tuple[Key, ...] = (
    Key("beam_ratio", "number", "beam radius ÷ aperture radius while working", "1", above=0, high=20, example="1.0"),
    Key(
        "beam_ratio_positive",
        "number",
        "the same on the positive side of the crossover",
        "1",
        above=0,
        high=20,
        example="1.2",
    ),
    Key(
        "beam_ratio_negative",
        "number",
        "the same on the negative side of the crossover",
        "1",
        above=0,
        high=20,
        example="1.4",
    ),
    Key("focus_positive", "number", "gun-lens focus of the work on the positive side", _CONSOLE, example="40.0"),
    Key("focus_negative", "number", "gun-lens focus of the work on the negative side", _CONSOLE, example="-40.0"),
)

CONSOLE: tuple[Key, ...] = (
    Key("shift_step", "number", "smallest step of the gun shift knobs", _CONSOLE, above=0),
    Key("shift_min", "number", "smallest gun shift reading", _CONSOLE),
    Key("shift_max", "number", "largest gun shift reading", _CONSOLE),
    Key("name_x", "text", "what the console calls the first axis"),
    Key("name_y", "text", "what the console calls the second axis"),
)

CAMERA: tuple[Key, ...] = (
    Key(
        "linear",
        "truth",
        "whether saved gray levels are proportional to the light (no gamma, no auto-contrast)",
        example="true",
    ),
    Key("saturation", "number", "gray level at which it saturates", "gray levels", above=0, example="65535.0"),
    Key("pixel_size_um", "number", "pixel size at the camera", "µm", above=0, high=10000, example="14.0"),
    Key(
        "max_current_pa",
        "number",
        "the most beam current it may see, spread as in the alignment view; ask its maker",
        "pA",
        above=0,
        example="100.0",
    ),
    Key("clock_correction_s", "number", "to add to its time stamps", "s"),
    Key(
        "aperture_radius_px",
        "radii",
        "radius of the aperture's disc, per magnification or for any",
        "px",
        above=0,
        example="{ any = 410.0 }",
    ),
    Key(
        "caution",
        "text",
        "shown before each remedy that raises its load",
        example='"Retract it before spreading less."',
    ),
)

#: Section → (heading comment, its keys), in the order of the file; the top of the file and the cameras come apart.
SECTIONS: dict[str, tuple[str, tuple[Key, ...]]] = {
    "limits": ("Limits of the verdicts.", LIMITS),
    "costs": (
        "What each way to go on costs, in expected minutes. Your own session log replaces these as it grows.",
        COSTS,
    ),
    "working": (
        "The working illumination. Without any of these, the beam is taken to just fill the aperture.",
        WORKING,
    ),
    "console": ("The two gun shift knobs.", CONSOLE),
}
