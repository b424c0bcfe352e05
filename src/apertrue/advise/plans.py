"""The three ways to go on for one picture, with what each leaves behind. Pure."""

from math import hypot, pi, sin, sqrt

from ..advice import Context, Nudge
from ..assessment import Assessment
from ..instrument import Instrument
from ..registry import Verdict
from ..scene import Scene
from .budget import ASSUMED, Assumed, anchor, by_hand, mean_lost
from .decide import Plan
from .limits import Bars, within_doubt

#: 95 % quantile of χ² with two degrees of freedom.
_CHI2_2 = 5.9915


def plans(
    assessment: Assessment,
    scene: Scene,
    instrument: Instrument,
    context: Context,
    nudge: Nudge | None,
    barred: Bars,
) -> tuple[Plan, Plan, Plan]:
    """Leave, nudge and auto, each with its expected lost share, moves and bars; the offset must be measured."""
    a = assessment
    assumed = Assumed.of(instrument.costs)
    offset = a.offset_percent or 0.0
    sigma = a.offset_percent_sigma or 0.0
    ratio = working_ratio(assessment, instrument, context)
    softness, radial = light_of(scene)
    scale = anchor(offset, a.working_score, ratio, softness, radial)
    drift = context.drift_percent_per_h or assumed.drift_percent_per_h
    minutes = instrument.costs.planned_min

    def lost(start: float, doubt: float) -> float:
        return mean_lost(start, doubt, drift, minutes, ratio, scale, softness)

    moves, left = hand(assessment, nudge, assumed)
    return (
        Plan(Verdict.LEAVE, lost(offset, sqrt(2.0) * sigma), barred_by=barred.leave),
        Plan(Verdict.NUDGE, lost(0.0, left), moves, barred.nudge),
        Plan(Verdict.AUTO, lost(*routine_leaves(context, assumed)), barred_by=barred.auto),
    )


def routine_leaves(context: Context, assumed: Assumed = ASSUMED) -> tuple[float, float]:
    """(constant offset, root-mean-square scatter about it) that the routine leaves, % of the aperture radius.

    The constant is the learned difference between intensity center and edge center; without one all is scatter.
    """
    learned = context.auto_residual_percent
    rms = assumed.auto_residual_percent if learned is None else learned
    if context.learned_offset_percent is None:
        return 0.0, rms
    constant = hypot(*context.learned_offset_percent)
    return constant, sqrt(max(rms * rms - constant * constant, assumed.nudge_residual_percent**2))


def at_routine_center(assessment: Assessment, context: Context, assumed: Assumed = ASSUMED) -> bool:
    """Whether the beam lies off the center, but where the routine usually leaves it (χ² test, 95 %)."""
    a, usual = assessment, context.learned_offset_percent
    if usual is None or a.offset_x_percent is None or a.offset_y_percent is None or within_doubt(a):
        return False
    scatter = routine_leaves(context, assumed)[1] / sqrt(2.0)
    chi2 = sum(
        (value - mean) ** 2 / ((sigma or 0.0) ** 2 + scatter**2)
        for value, mean, sigma in (
            (a.offset_x_percent, usual[0], a.offset_x_percent_sigma),
            (a.offset_y_percent, usual[1], a.offset_y_percent_sigma),
        )
    )
    return chi2 <= _CHI2_2


def working_ratio(assessment: Assessment, instrument: Instrument, context: Context) -> float:
    """Beam radius ÷ aperture radius in the working illumination: context, instrument file, else just filling (1)."""
    working = instrument.working
    by_side = {"positive": working.beam_ratio_positive, "negative": working.beam_ratio_negative}
    for ratio in (context.working_ratio, by_side.get(assessment.focus_side or ""), working.beam_ratio):
        if ratio is not None and ratio > 0:
            return ratio
    return 1.0


def light_of(scene: Scene) -> tuple[float, tuple[float, ...]]:
    """(edge width ÷ beam radius, radial coefficients of its light); an even, sharp disc where they are not known."""
    if scene.beam is None:
        return 0.0, ()
    softness = min(max(scene.beam.width / scene.beam.radius, 0.0), 0.3)
    return softness, scene.profile.radial if scene.profile is not None and scene.levels_linear else ()


def direction_doubt(assessment: Assessment) -> float:
    """Share of the offset that a move of the right length leaves because its direction is in doubt: 2 sin(δ/2).

    δ is the 1σ of the direction; without a direction every way is as likely, and the mean over a circle is 4/π.
    """
    sigma = assessment.offset_direction_deg_sigma
    if assessment.offset_direction_deg is None:
        return 4.0 / pi
    return 2.0 * sin(min(sigma or 0.0, 180.0) * pi / 360.0)


def hand(assessment: Assessment, nudge: Nudge | None, assumed: Assumed = ASSUMED) -> tuple[float, float]:
    """Expected moves by hand and the root-mean-square offset that they leave, % of the aperture radius.

    With a calibrated move: its own doubt. Without: trial moves first, unless the beam is where a hand stops anyway,
    then moves that rest on them; a doubtful direction adds to both.
    """
    offset = assessment.offset_percent or 0.0
    sigma = assessment.offset_percent_sigma or 0.0
    floor = hypot(assumed.nudge_residual_percent, sqrt(2.0) * sigma)
    if nudge is not None:
        length = hypot(nudge.x, nudge.y)
        doubt = hypot(nudge.x_sigma, nudge.y_sigma) / length if length > 0 else assumed.calibrated_doubt
        return by_hand(offset, doubt, assumed.target_percent, floor)
    doubt = hypot(assumed.trial_doubt, direction_doubt(assessment))
    moves, left = by_hand(offset, doubt, assumed.target_percent, floor)
    return (assumed.trial_moves if offset > assumed.target_percent else 0.0) + moves, left
