"""Advice in sentences: headline, why, what to do, cautions. For a tired operator: short, with unit and doubt."""

from collections.abc import Collection

from ..advice import Context, Nudge
from ..assessment import Assessment
from ..instrument import Instrument, axis_words
from ..registry import FLAGS, REASONS, SCENE_WORDS, Verdict
from ..scene import Scene
from .age import unknown_age
from .cautions import Occasion, cautions_for
from .decide import Decision
from .limits import ALWAYS_RETAKE, PICTURE_FIRST, flags_of, within_doubt
from .plain import measured, minutes, toward

#: Flags without a sentence beside the verdict: a reason or the headline says it, or nothing needs to be done.
_UNTOLD_FLAGS = ("tilted-view", "afterglow", "frozen", "stale", "state-changed", "creeping", "followed")
#: Reasons that :func:`crossed` puts into one sentence.
_LIMITS = (
    "offset-over-nudge",
    "offset-over-leave",
    "score-under-nudge",
    "score-under-leave",
    "gap-under-limit",
    "half-cut",
)
_RADIUS = "of the aperture radius"
#: Reasons that inform, without a sentence of their own beside the budget.
_QUIET = (
    "cheapest", "within-limits", "within-doubt", "time-unknown", "drift-assumed", "light-assumed-even", "direction-unknown",
)  # fmt: skip


def sentences(
    verdict: Verdict,
    reasons: tuple[str, ...],
    assessment: Assessment,
    scene: Scene,
    instrument: Instrument,
    context: Context,
    decision: Decision | None,
    nudge: Nudge | None,
) -> tuple[str, ...]:
    """All sentences, headline first, then why, the move, the budget, remedies, cautions; each once."""
    if verdict is Verdict.RETAKE:
        out = _retake(reasons, assessment, scene, instrument)
    else:
        out = _judged(verdict, reasons, assessment, scene, instrument, context, decision, nudge)
    return tuple(dict.fromkeys(s for s in out if s))


def how_far(assessment: Assessment) -> str:
    """The offset in % of the aperture radius, and in µm where the aperture's diameter is known."""
    a = assessment
    size = f"{measured(a.offset_percent or 0.0, a.offset_percent_sigma, '%')} {_RADIUS}"
    return size if a.offset_um is None else f"{size} ({measured(a.offset_um, a.offset_um_sigma, 'µm')})"


def where(assessment: Assessment) -> str:
    """Where the beam lies and which way to move it, as one sentence."""
    a = assessment
    if a.offset_percent is None:
        return ""
    size = how_far(a)
    if within_doubt(a):
        return f"No offset stands out of the measurement's doubt ({size})."
    if a.offset_direction_deg is None or a.move_direction_deg is None:
        return f"The beam is off center by {size}; which way is not known."
    there, back = toward(a.offset_direction_deg), toward(a.move_direction_deg)
    return f"The beam lies toward {there}; move it {size} toward {back}."


def headline(verdict: Verdict, reasons: tuple[str, ...], assessment: Assessment, nudge: Nudge | None) -> str:
    """The first sentence of a verdict that rests on a measured offset."""
    place = where(assessment)
    if verdict is Verdict.LEAVE:
        return f"Leave it: the beam is {how_far(assessment)} off center, within the limits."
    first = next((r for r in reasons if r in PICTURE_FIRST), None)
    if first is not None:
        return f"{REASONS[first].sentence} {REASONS[first].remedy} In this one: {place[0].lower()}{place[1:]}"
    if verdict is Verdict.AUTO:
        return f"The automatic routine is worth its time. {place}"
    if within_doubt(assessment) or (nudge is not None and nudge.centered):
        return f"{place} It can't be left unchecked: see why."
    return place


def knobs(nudge: Nudge, instrument: Instrument, assessment: Assessment) -> str:
    """The move in console units, where it ends if the readings are known, and the score to expect."""
    console = instrument.console
    if nudge.centered:
        return "No move suggested: the beam is centered within the calibration's doubt."
    readings = (assessment.gun_shift_x, assessment.gun_shift_y)
    changes = ((nudge.x, nudge.x_sigma), (nudge.y, nudge.y_sigma))
    x, y = (
        axis_words(console, k, change, sigma, None if reading is None else reading + change)
        for k, ((change, sigma), reading) in enumerate(zip(changes, readings, strict=True))
    )
    text = f"{x[0].upper()}{x[1:]} and {y}, console units."
    if nudge.score_after is not None:
        text += f" Working score to expect: {measured(nudge.score_after, nudge.score_after_sigma)}."
    return text


#: Reasons whose remedy is said with them.
_WITH_REMEDY = (
    "aperture-unconfirmed",
    "straddles-limit",
    "no-reference",
    "nudges-failed",
    "hand-anyway",
    "learned-difference",
)
_WITH_ONE = "With one, a nudge by hand takes a single move and is the quicker way: apertrue calibrate --guide."
_WAYS = {Verdict.LEAVE: "leave", Verdict.NUDGE: "by hand", Verdict.AUTO: "automatic routine"}


def budget(decision: Decision) -> str:
    """The expected minutes of all ways, the chosen one first."""
    chosen = decision.chosen
    others = [o for o in decision.options if o is not chosen]
    parts = [f"{_WAYS[o.verdict]} {minutes(o.minutes)}{'' if o.allowed else ' (ruled out)'}" for o in (chosen, *others)]
    return "Expected minutes lost: " + ", ".join(parts) + "."


def sums(decision: Decision) -> str:
    """The sum behind each of the minutes, in the same order, so that anybody can redo it."""
    chosen = decision.chosen
    ways = (chosen, *(o for o in decision.options if o is not chosen))
    return "The sums: " + "; ".join(f"{_WAYS[o.verdict]} = {' + '.join(o.how.values())}" for o in ways) + "."


def _judged(
    verdict: Verdict,
    reasons: tuple[str, ...],
    assessment: Assessment,
    scene: Scene,
    instrument: Instrument,
    context: Context,
    decision: Decision | None,
    nudge: Nudge | None,
) -> list[str]:
    first = headline(verdict, reasons, assessment, nudge)
    out = [first]
    if context.judged_now:
        out.append(unknown_age(reasons))
    a = assessment
    if verdict is Verdict.LEAVE and "learned-difference" in reasons:
        out.append(REASONS["learned-difference"].sentence)
    if verdict is not Verdict.LEAVE:
        out.append(crossed(reasons, a, instrument))
        told = [r for r in reasons if r not in _QUIET and r not in PICTURE_FIRST and r not in _LIMITS]
        out += [_why(r, a, context) for r in told]
    if verdict is Verdict.NUDGE:
        if nudge is not None:
            out += [knobs(nudge, instrument, a), *context.nudge_notes]
        elif not within_doubt(a):
            why = " ".join(context.nudge_notes) or REASONS["direction-unknown"].sentence
            out.append(f"{why} {REASONS['direction-unknown'].remedy}")
    elif verdict is Verdict.AUTO and nudge is None and decision is not None and decision.contest:
        out.append(f"{' '.join(context.nudge_notes) or 'No shift calibration holds.'} {_WITH_ONE}")
    if a.working_score is not None and not any(r.startswith("score-under") for r in reasons):
        out.append(f"Working score now: {measured(a.working_score, a.working_score_sigma)} of 100.")
    if decision is not None:
        out += [budget(decision), sums(decision)]
        if "light-assumed-even" in reasons:
            # A score is withheld, and yet the sums hold a share of lost current: say where it comes from.
            out.append(REASONS["light-assumed-even"].sentence)
    if verdict is Verdict.LEAVE and context.minutes_to_limit is not None:
        early, median, _ = context.minutes_to_limit
        out.append(f"Check again in {max(early, 0):.0f} min; a limit is likely crossed after about {median:.0f} min.")
    out += _remedies(assessment, scene)
    if verdict is not Verdict.LEAVE:
        occasion: Occasion = "auto" if verdict is Verdict.AUTO else ("nudge" if nudge is not None else "trial")
        name = a.camera or instrument.default_camera
        out += cautions_for(occasion, instrument.camera(a.camera), name, a.current_pa)
    return out


def crossed(reasons: tuple[str, ...], a: Assessment, instrument: Instrument) -> str:
    """The crossed limits in one sentence, with value and limit; the farther limit where both are crossed."""
    limits = instrument.limits
    parts = []
    for kind, edge in (("nudge", limits.offset_nudge), ("leave", limits.offset_leave)):
        if f"offset-over-{kind}" in reasons and a.offset_percent is not None:
            parts.append(f"offset {measured(a.offset_percent, a.offset_percent_sigma, '%')} (limit {edge:g} %)")
            break
    for kind, edge in (("nudge", limits.score_nudge), ("leave", limits.score_leave)):
        if f"score-under-{kind}" in reasons and a.working_score is not None:
            parts.append(f"working score {measured(a.working_score, a.working_score_sigma)} (limit {edge:g})")
            break
    if "gap-under-limit" in reasons and a.gap_percent is not None:
        parts.append(f"tightest gap {measured(a.gap_percent, a.gap_percent_sigma, '%')} (limit {limits.gap_leave:g} %)")
    if "half-cut" in reasons:
        cut = "about half" if a.clipped_fraction is None else f"{100 * a.clipped_fraction:.0f} %"
        parts.append(f"{cut} of the beam cut off")
    beyond = any(r in reasons for r in ("offset-over-nudge", "score-under-nudge", "half-cut"))
    what = "one nudge by hand" if beyond else "leaving it"
    return f"Too much for {what}: {', '.join(parts)}." if parts else ""


def _why(reason: str, a: Assessment, context: Context) -> str:
    """A reason's sentence with the numbers that it rests on."""
    said, remedy = REASONS[reason].sentence, REASONS[reason].remedy
    if reason == "crosses-within-work" and context.minutes_to_limit is not None:
        return f"A limit is likely crossed in about {context.minutes_to_limit[1]:.0f} min, within the planned work."
    if reason == "current-down" and context.current_expected_pa is not None and a.current_pa is not None:
        expected, sigma = context.current_expected_pa
        return f"Current {a.current_pa:g} pA instead of {measured(expected, sigma, 'pA')}: {said} {remedy}"
    if reason == "state-changed" and context.state_changed:
        return f"Changed since: {', '.join(context.state_changed)}. {remedy}"
    if reason in _WITH_REMEDY:
        return f"{said} {remedy}"
    return said


def _retake(reasons: tuple[str, ...], a: Assessment, scene: Scene, instrument: Instrument) -> list[str]:
    known = [REASONS[r] for r in reasons if r in REASONS]
    out = [f"This picture can't tell: {SCENE_WORDS[scene.kind]}."]
    # A full camera comes first: what the other remedies advise may put more light on it.
    out += _remedies(a, scene, only=("saturated",))
    for reason in known:
        # The headline names the scene already; its own reason would say it twice.
        if reason.id != ALWAYS_RETAKE.get(scene.kind) and reason.id not in _QUIET:
            out.append(reason.sentence)
        if reason.id not in _QUIET:
            out.append(reason.remedy)
    out += _remedies(a, scene)
    name = a.camera or instrument.default_camera
    out += cautions_for("remedy", instrument.camera(a.camera), name, a.current_pa)
    return out


def _remedies(a: Assessment, scene: Scene, only: Collection[str] = FLAGS) -> list[str]:
    raised = flags_of(a, scene)
    return [f"{FLAGS[f].sentence} {FLAGS[f].remedy}" for f in only if f in raised and f not in _UNTOLD_FLAGS]
