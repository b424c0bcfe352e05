"""From the numbers to a verdict: limits, budget, decision, words."""

from ..advice import Advice, Context, Nudge
from ..assessment import Assessment
from ..instrument import Instrument
from ..registry import Verdict
from ..scene import Scene
from .age import age_reasons
from .decide import Decision, Plan, decide
from .limits import Bars, bars, retake_reasons, within_doubt
from .plans import at_routine_center, plans
from .words import sentences

__all__ = ["Decision", "Plan", "advise", "decide"]


def advise(assessment: Assessment, scene: Scene, instrument: Instrument, context: Context) -> Advice:
    """The verdict, its reasons, its budget, the move and the sentences.

    Args:
        assessment: the numbers of one picture.
        scene: what the picture shows.
        instrument: limits, costs, cameras, console.
        context: what is known beside the picture.

    ``retake`` comes always for scenes that tell nothing and else exactly when the offset is not measured. ``leave`` is
    never given when one of the ``never`` rules forbids it; otherwise the cheapest allowed way in expected minutes wins.
    """
    why_not = retake_reasons(assessment, scene)
    if why_not:
        reasons = why_not + age_reasons(assessment, context)
        said = sentences(Verdict.RETAKE, reasons, assessment, scene, instrument, context, None, None)
        return Advice(Verdict.RETAKE, reasons, sentences=said)
    nudge = usable_nudge(context)
    barred = bars(assessment, scene, instrument.limits, context, instrument.costs.planned_min)
    decision = decide(plans(assessment, scene, instrument, context, nudge, barred), instrument.costs)
    verdict = decision.chosen.verdict
    reasons = _reasons(decision, barred, assessment, nudge, context) + age_reasons(assessment, context)
    said = sentences(verdict, reasons, assessment, scene, instrument, context, decision, nudge)
    return Advice(verdict, reasons, decision.options, nudge, said)


def usable_nudge(context: Context) -> Nudge | None:
    """The calibrated move, unless the state changed: then no calibration holds."""
    return None if context.state_changed else context.nudge


def _reasons(
    decision: Decision, barred: Bars, assessment: Assessment, nudge: Nudge | None, context: Context
) -> tuple[str, ...]:
    """Why this verdict: what forbids the milder ways, then the minutes, then what the sum had to assume."""
    verdict = decision.chosen.verdict
    out: list[str] = []
    if verdict is Verdict.LEAVE:
        out.append("within-limits")
    else:
        out += barred.leave
        out += [r for r in barred.nudge if r not in out]
        out += barred.auto
    if decision.last_resort:
        out.append("hand-anyway")
    if decision.contest:
        out.append("cheapest")
    if within_doubt(assessment):
        out.append("within-doubt")
    if at_routine_center(assessment, context):
        out.append("learned-difference")
    if verdict is not Verdict.LEAVE and nudge is None:
        out.append("direction-unknown")
    if assessment.working_score is None:
        out.append("light-assumed-even")
    if context.drift_percent_per_h is None:
        out.append("drift-assumed")
    return tuple(dict.fromkeys(out))
