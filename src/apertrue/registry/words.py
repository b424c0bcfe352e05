"""The closed sets of words: what a picture shows and what to do about it."""

from enum import StrEnum


class SceneKind(StrEnum):
    """What a picture shows."""

    BOTH_EDGES = "both-edges"
    CLIPPED = "clipped"
    OVERFILLED = "overfilled"
    BEAM_ONLY = "beam-only"
    ONE_EDGE = "one-edge"
    CROSSOVER = "crossover"
    DARK = "dark"
    OTHER_VIEW = "other-view"


class Verdict(StrEnum):
    """What to do about it."""

    LEAVE = "leave"
    NUDGE = "nudge"
    AUTO = "auto"
    RETAKE = "retake"


class FocusSide(StrEnum):
    """The side of the crossover on which the gun-lens focus stands (sign of focus minus crossover)."""

    POSITIVE = "positive"
    NEGATIVE = "negative"


SCENE_WORDS: dict[SceneKind, str] = {
    SceneKind.BOTH_EDGES: "a bright beam disc inside the fainter aperture disc, with a gap all round",
    SceneKind.CLIPPED: "the beam is partly cut off by the aperture",
    SceneKind.OVERFILLED: "the beam is wider than the aperture; only the aperture's edge shows",
    SceneKind.BEAM_ONLY: "only the beam's edge shows",
    SceneKind.ONE_EDGE: "one round edge, and nothing that tells whether it is the beam's or the aperture's",
    SceneKind.CROSSOVER: "the beam is a small spot, close to crossover",
    SceneKind.DARK: "no beam stands out",
    SceneKind.OTHER_VIEW: "no condenser aperture with a beam in it",
}

VERDICT_WORDS: dict[Verdict, str] = {
    Verdict.LEAVE: "centered well enough: leave it",
    Verdict.NUDGE: "a small move by hand",
    Verdict.AUTO: "the automatic routine is worth its time",
    Verdict.RETAKE: "this picture can't tell: take another",
}

#: A pause longer than this parts two sessions, h: someone else's or another day's work usually came next. One for the log,
#: the handover, audits and current readings, so that all of them tell of the same sessions.
SESSION_GAP_H = 3.0
