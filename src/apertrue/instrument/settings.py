"""What an instrument file says: frozen dataclasses with the trade's starting values (common practice, no source)."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from ..fixed_map import FixedMap


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the verdicts. Offsets and gaps in % of the aperture radius, scores 0–100, ages in minutes."""

    offset_leave: float = 5.0
    offset_nudge: float = 25.0
    gap_leave: float = 3.0
    gap_beam_from: float = 85.0
    gap_beam_to: float = 95.0
    score_leave: float = 97.0
    score_nudge: float = 85.0
    half_cut: float = 0.5
    stale_min: float = 30.0
    nudges_before_auto: int = 2
    hangs_before_ban: int = 2


@dataclass(frozen=True, slots=True)
class Costs:
    """Expected minutes and probabilities that the decision weighs.

    Attributes:
        nudge_min: one nudge with its snapshot, min.
        auto_min: one run of the automatic routine in the alignment view, min.
        auto_interrupt_min: stopping work for it: finding an empty area and the way back, min.
        hang_probability: probability that the routine hangs.
        hang_min: what a hang costs, min.
        planned_min: planned work until the next natural check, min (T of the budget).
        dose: ``current`` counts lost current as T·f; ``counts`` as T·f/(1 − f) (fixed counts).
        in_alignment_view: whether the alignment view is open anyway (no interruption).
        drift_percent_per_h: the gun's usual drift while there is no forecast, % of the aperture radius per hour.
        drift_sigma_percent_per_h: its 1σ.
        auto_left_percent: offset that the routine usually leaves (root mean square), % of the aperture radius.
        trial_moves: moves that teach the direction when no shift calibration holds: one of each axis.
    """

    nudge_min: float = 1.0
    auto_min: float = 1.5
    auto_interrupt_min: float = 6.5
    hang_probability: float = 0.05
    hang_min: float = 15.0
    planned_min: float = 120.0
    dose: str = "counts"
    in_alignment_view: bool = True
    drift_percent_per_h: float = 2.0
    drift_sigma_percent_per_h: float = 1.0
    auto_left_percent: float = 2.0
    trial_moves: float = 2.0


@dataclass(frozen=True, slots=True)
class Working:
    """The working illumination.

    Attributes:
        beam_ratio_positive, beam_ratio_negative: beam radius ÷ aperture radius on that side of the crossover.
        beam_ratio: the same on either side; ``None`` = spread to just fill the aperture.
        focus_positive, focus_negative: gun-lens focus that the work uses on that side, console units.
    """

    beam_ratio_positive: float | None = None
    beam_ratio_negative: float | None = None
    beam_ratio: float | None = None
    focus_positive: float | None = None
    focus_negative: float | None = None


@dataclass(frozen=True, slots=True)
class Camera:
    """One camera or screen.

    Attributes:
        linear: whether its saved gray levels are proportional to light; ``None`` = not stated.
        saturation: level at which it saturates, gray levels.
        pixel_size_um: µm.
        max_current_pa: the most beam current it may see spread in the alignment view, pA; ``None`` = ask the maker.
        clock_correction_s: add to its time stamps, s.
        aperture_radius_px: {magnification as text: radius of the aperture's disc, px}; "any" for all.
        caution: a sentence shown before each remedy that raises its load.
    """

    linear: bool | None = None
    saturation: float | None = None
    pixel_size_um: float | None = None
    max_current_pa: float | None = None
    clock_correction_s: float = 0.0
    aperture_radius_px: Mapping[str, float] = field(default_factory=FixedMap)
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Console:
    """What the console's shift knobs can set: smallest step and range of gun shift readings, console units."""

    shift_step: float = 0.1
    shift_min: float = -100.0
    shift_max: float = 100.0
    name_x: str = "gun shift X"
    name_y: str = "gun shift Y"


@dataclass(frozen=True, slots=True)
class Instrument:
    """One microscope as its instrument file describes it."""

    name: str = "unnamed instrument"
    apertures_um: tuple[float, ...] = ()
    default_camera: str | None = None
    cameras: Mapping[str, Camera] = field(default_factory=FixedMap)
    limits: Limits = Limits()
    costs: Costs = Costs()
    working: Working = Working()
    console: Console = Console()
    timezone: str | None = None

    def camera(self, name: str | None) -> Camera:
        """The camera called ``name`` (or the default one); an empty :class:`Camera` when it is not described."""
        return self.cameras.get(name or self.default_camera or "", Camera())
