"""What the house advises for one picture: verdict, reasons, budget and move, and the context it used."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from .registry import Verdict


@dataclass(frozen=True, slots=True)
class Option:
    """One way to go on and what it costs.

    Attributes:
        verdict: ``leave``, ``nudge`` or ``auto``.
        minutes: expected minutes, the sum of ``terms``.
        terms: name → minutes, so that the user can redo the sum.
        allowed: whether limits and the ``never`` rules admit it.
        barred_by: reason ids that forbid it.
        how: term → its sum in words and numbers (``3.00 moves × 1 min``).
    """

    verdict: Verdict
    minutes: float
    terms: Mapping[str, float]
    allowed: bool = True
    barred_by: tuple[str, ...] = ()
    how: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Nudge:
    """A suggested change of the two gun shift readings, console units, with 1σ; rounded to what the console can set.

    ``correlation`` is that of the two components' errors; ``score_after`` the working score to expect, with its σ.
    ``centered`` is true when the beam is centered within the measurement's doubt and no move is suggested.
    """

    x: float
    y: float
    x_sigma: float
    y_sigma: float
    correlation: float = 0.0
    score_after: float | None = None
    score_after_sigma: float | None = None
    offset_after_percent: float | None = None
    centered: bool = False


@dataclass(frozen=True, slots=True)
class Context:
    """What is known beside the picture when advice is given; all optional.

    Attributes:
        age_min: age of the picture, min; ``None`` = unknown.
        judged_now: the picture is judged as of now: an age that is not known is then said with the verdict.
        frozen: the same frame as an earlier one.
        state_changed: names of state fields that changed since calibration or last picture.
        nudge: the move from a valid calibration; ``None`` without one.
        nudge_notes: sentences about the calibration: confirm it first, or why none holds.
        nudges_failed: nudges since the last centered picture that did not bring it to the center.
        hangs_today: hangs of the automatic routine today.
        drift_percent_per_h: expected drift, (mean, σ) in % of the aperture radius per hour.
        minutes_to_limit: forecast minutes until a limit is crossed: (early, median, late); ``None`` = no forecast.
        current_expected_pa: expected current at this focus, (value, σ).
        aperture_confirmed: whether someone or something confirmed that the outer edge is the condenser aperture's.
        working_ratio: beam radius ÷ aperture radius in the working illumination.
        learned_offset_percent: constant difference between intensity center and edge center, (x, y) in % of the
            aperture radius, y down: where the routine leaves the beam; ``None`` until it is sure.
        auto_residual_percent: root-mean-square offset that the automatic routine leaves, % of the aperture radius,
            learned from the session; ``None`` = the usual one.
    """

    age_min: float | None = None
    judged_now: bool = False
    frozen: bool = False
    state_changed: tuple[str, ...] = ()
    nudge: Nudge | None = None
    nudge_notes: tuple[str, ...] = ()
    nudges_failed: int = 0
    hangs_today: int = 0
    drift_percent_per_h: tuple[float, float] | None = None
    minutes_to_limit: tuple[float, float, float] | None = None
    current_expected_pa: tuple[float, float] | None = None
    aperture_confirmed: bool = True
    working_ratio: float | None = None
    learned_offset_percent: tuple[float, float] | None = None
    auto_residual_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Advice:
    """The verdict with its reasons.

    Attributes:
        verdict: what to do.
        reasons: ids of the registry's reasons, most important first.
        options: the budget; empty for ``retake``.
        nudge: the move, where a calibration is valid.
        sentences: the same in words for people: headline first, then direction, remedies, cautions.
    """

    verdict: Verdict
    reasons: tuple[str, ...]
    options: tuple[Option, ...] = ()
    nudge: Nudge | None = None
    sentences: tuple[str, ...] = ()
