"""The limits and the ``never`` rules: what bars an option, as reason ids. Pure."""

from dataclasses import dataclass

import numpy as np

from ..advice import Context
from ..assessment import Assessment
from ..instrument import Limits
from ..registry import SceneKind, Verdict
from ..scene import Scene
from .budget import disc_lost

#: Scenes from which no offset can be acted on, with the reason that says so.
ALWAYS_RETAKE: dict[SceneKind, str] = {
    SceneKind.ONE_EDGE: "one-edge-only",
    SceneKind.OVERFILLED: "spread-less",
    SceneKind.DARK: "no-beam",
    SceneKind.OTHER_VIEW: "not-this-view",
    SceneKind.CROSSOVER: "spread-more",
}

#: Reasons that say the picture itself must not be trusted for acting; a new one comes before any move.
PICTURE_FIRST = ("picture-frozen", "picture-stale", "afterglow-seen")


@dataclass(frozen=True, slots=True)
class Bars:
    """Reason ids that bar each option, most important first."""

    leave: tuple[str, ...] = ()
    nudge: tuple[str, ...] = ()
    auto: tuple[str, ...] = ()

    def of(self, verdict: Verdict) -> tuple[str, ...]:
        """The bars of one verdict."""
        return {Verdict.LEAVE: self.leave, Verdict.NUDGE: self.nudge, Verdict.AUTO: self.auto}.get(verdict, ())


def flags_of(assessment: Assessment, scene: Scene) -> frozenset[str]:
    """The flags that scene and assessment carry together."""
    return frozenset(scene.flags) | frozenset(assessment.flags or ())


def retake_reasons(assessment: Assessment, scene: Scene) -> tuple[str, ...]:
    """Why no verdict but ``retake`` can be given; empty when the picture can tell.

    Always for the kinds in :data:`ALWAYS_RETAKE`; for the others exactly when the offset is not measured.
    """
    always = ALWAYS_RETAKE.get(scene.kind)
    if always is not None:
        return _unique((always, *scene.why))
    if assessment.offset_percent is not None:
        return ()
    if scene.kind is SceneKind.BEAM_ONLY:
        return _unique(("no-reference", *scene.why))
    return _unique(scene.why) or ("not-measured",)


def within_doubt(assessment: Assessment) -> bool:
    """Whether the offset is under twice its 1σ."""
    offset, sigma = assessment.offset_percent, assessment.offset_percent_sigma
    return offset is not None and sigma is not None and offset < 2.0 * sigma


def beam_ratio(assessment: Assessment) -> float | None:
    """Beam radius ÷ aperture radius in this picture."""
    beam, aperture = assessment.beam_radius_px, assessment.aperture_radius_px
    return beam / aperture if beam and aperture else None


def clipped_share(assessment: Assessment) -> tuple[float, float] | None:
    """(share cut off, 1σ): as measured, else that of two even discs (without a σ of its own)."""
    if assessment.clipped_fraction is not None:
        return assessment.clipped_fraction, assessment.clipped_fraction_sigma or 0.0
    ratio, offset = beam_ratio(assessment), assessment.offset_percent
    if ratio is None or offset is None:
        return None
    best = min(1.0, 1.0 / (ratio * ratio))
    return 1.0 - best * (1.0 - float(disc_lost(np.asarray(offset / 100.0), ratio))), 0.0


def bars(assessment: Assessment, scene: Scene, limits: Limits, context: Context, planned_min: float) -> Bars:
    """What bars leave, nudge and auto for a picture with a measured offset.

    Args:
        assessment: the numbers; ``offset_percent`` must be there.
        scene: what the picture shows.
        limits: the instrument file's limits.
        context: what is known beside the picture.
        planned_min: planned minutes until the next natural check.
    """
    trust, straddles = _trust(assessment, scene, limits, context), False
    leave: list[str] = []
    nudge: list[str] = []

    def limit(value: float | None, sigma: float | None, edge: float, over: bool, reason: str, bag: list[str]) -> None:
        """Put ``reason`` into ``bag`` when ``value`` is beyond ``edge``; note an interval of ±2σ that holds it."""
        nonlocal straddles
        if value is None:
            return
        if value > edge if over else value < edge:
            bag.append(reason)
        if abs(value - edge) <= 2.0 * (sigma or 0.0):
            straddles = True

    a = assessment
    limit(a.offset_percent, a.offset_percent_sigma, limits.offset_nudge, True, "offset-over-nudge", nudge)
    limit(a.working_score, a.working_score_sigma, limits.score_nudge, False, "score-under-nudge", nudge)
    cut = clipped_share(a)
    if cut is not None:
        if cut[0] >= limits.half_cut:
            nudge.append("half-cut")
        straddles = straddles or abs(cut[0] - limits.half_cut) <= 2.0 * cut[1]
    limit(a.offset_percent, a.offset_percent_sigma, limits.offset_leave, True, "offset-over-leave", leave)
    limit(a.working_score, a.working_score_sigma, limits.score_leave, False, "score-under-leave", leave)
    ratio = beam_ratio(a)
    if ratio is not None and limits.gap_beam_from <= 100.0 * ratio <= limits.gap_beam_to:
        limit(a.gap_percent, a.gap_percent_sigma, limits.gap_leave, False, "gap-under-limit", leave)
    if straddles:
        leave.append("straddles-limit")
    if context.minutes_to_limit is not None and context.minutes_to_limit[1] < planned_min:
        leave.append("crosses-within-work")
    if context.nudges_failed >= limits.nudges_before_auto:
        nudge.append("nudges-failed")
    if not direction_known(a, scene):
        nudge.append("no-direction")
    return Bars(_unique((*trust, *nudge_limits(nudge), *leave)), _unique(nudge), _auto(a, scene, limits, context))


def nudge_limits(nudge: list[str]) -> tuple[str, ...]:
    """Of the nudge's bars, those that are crossed limits: they bar leaving as well."""
    return tuple(r for r in nudge if r in ("offset-over-nudge", "score-under-nudge", "half-cut"))


def direction_known(assessment: Assessment, scene: Scene) -> bool:
    """Whether it is known where the beam lies, or there is nothing to tell because it is centered within doubt."""
    offset, sigma = assessment.offset_percent, assessment.offset_percent_sigma
    if not scene.sign_known:
        return within_doubt(assessment)
    # A direction is withheld under about 2σ; up to 3σ there is still next to nothing to turn toward.
    near = offset is not None and sigma is not None and offset < 3.0 * sigma
    return assessment.offset_direction_deg is not None or near


def _trust(assessment: Assessment, scene: Scene, limits: Limits, context: Context) -> tuple[str, ...]:
    """What forbids to leave it whatever the numbers say."""
    flags = flags_of(assessment, scene)
    out = []
    if context.frozen or "frozen" in flags:
        out.append("picture-frozen")
    if "stale" in flags or (context.age_min is not None and context.age_min > limits.stale_min):
        out.append("picture-stale")
    if "afterglow" in flags:
        out.append("afterglow-seen")
    if context.state_changed or "state-changed" in flags:
        out.append("state-changed")
    if not context.aperture_confirmed or "aperture-unconfirmed" in scene.why:
        out.append("aperture-unconfirmed")
    if scene.kind is SceneKind.BEAM_ONLY and not (scene.aperture_remembered and scene.aperture is not None):
        out.append("no-reference")
    if current_down(assessment, limits, context):
        out.append("current-down")
    return tuple(out)


def current_down(assessment: Assessment, limits: Limits, context: Context) -> bool:
    """Whether the current is more than 3σ below what is expected at this focus, beyond what clipping explains.

    Without a score only a beam within the leave limit is judged: there clipping explains next to nothing.
    """
    if context.current_expected_pa is None or assessment.current_pa is None:
        return False
    expected, sigma = context.current_expected_pa
    if assessment.score is not None:
        expected *= assessment.score / 100.0
    elif assessment.offset_percent is None or assessment.offset_percent > limits.offset_leave:
        return False
    return assessment.current_pa < expected - 3.0 * sigma


def _auto(assessment: Assessment, scene: Scene, limits: Limits, context: Context) -> tuple[str, ...]:
    out = []
    if "in-the-way" in flags_of(assessment, scene):
        out.append("no-auto-in-the-way")
    if context.hangs_today >= limits.hangs_before_ban:
        out.append("no-auto-hung-twice")
    return tuple(out)


def _unique(reasons: tuple[str, ...] | list[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(reasons))
