"""When current and edges disagree: which other misalignment fits. Pure.

A routine that maximized the current but left the beam visibly off means that something else is wrong; each rule below
names what it looks for, likeliest first.
"""

from dataclasses import dataclass
from math import hypot

from ..advise.plain import measured, toward
from ..assessment import Assessment
from ..instrument import Limits
from ..scene import Scene
from .agreement import agreement
from .changes import Change, offset_of
from .difference import CenterDifference
from .light import uneven_light
from .misalignment import ellipticity_of

#: Current as good as at its most, by score: the routine has nothing left to gain.
AT_ITS_MOST = 99.0


@dataclass(frozen=True, slots=True)
class Misfit:
    """Something that fits what the pictures show: an id, and the sentence for people.

    ``fault`` is false for what needs no remedy (the learned difference, a flat top).
    """

    id: str
    sentence: str
    fault: bool = True


def visibly_off(after: Assessment, limits: Limits) -> bool:
    """Whether the beam lies beyond the limit for leaving it, by more than 2σ."""
    offset, sigma = after.offset_percent, after.offset_percent_sigma
    return offset is not None and offset - 2.0 * (sigma or 0.0) > limits.offset_leave


def misfits(
    made: Change,
    after: Assessment,
    *,
    scene: Scene | None,
    limits: Limits,
    learned: CenterDifference | None,
    by_routine: bool,
) -> tuple[Misfit, ...]:
    """What fits, likeliest first; empty when nothing is odd.

    Args:
        made: the change between the pictures.
        after: the second picture's numbers.
        scene: what was located in it.
        limits: when the beam counts as visibly off.
        learned: the known difference between intensity center and edge center.
        by_routine: whether the automatic routine made the move.
    """
    out: list[Misfit] = []
    flags = after.flags or ()
    if "afterglow" in flags:
        out.append(Misfit("afterglow", "Two discs show: the previous position still glows. Wait, then take another."))
    if made.together:
        out.append(
            Misfit(
                "wrong-knob",
                "Both edges moved together while the offset stayed: that was no gun shift but a deflector after the "
                "aperture. Turn it back.",
            )
        )
    off = visibly_off(after, limits)
    if by_routine and off:
        out += _left_off(after, scene, flags, learned, made)
    if made.current_agrees is False and made.current_percent is not None and made.expected_percent is not None:
        out += _current(made.current_percent, made.expected_percent, out)
    return tuple(out)


def _left_off(
    after: Assessment,
    scene: Scene | None,
    flags: tuple[str, ...],
    learned: CenterDifference | None,
    made: Change,
) -> list[Misfit]:
    """The routine left the beam visibly off: why."""
    offset = offset_of(after)
    if learned is not None and learned.named and offset is not None:
        test = agreement(offset, learned.expected())
        if test is not None and test.agrees:
            size = f"{learned.size_percent:.1f} %"
            return [
                Misfit(
                    "learned-difference",
                    f"The routine leaves the beam where it usually does: intensity center and edge center differ by a "
                    f"constant, {size} over {learned.runs} runs. No fault.",
                    False,
                )
            ]
    out: list[Misfit] = []
    if "in-the-way" in flags:
        out.append(
            Misfit(
                "in-the-way",
                "Something stands in the beam (grid bar, specimen, dirt): the routine steered around it. "
                "Move to an empty area, then center again.",
            )
        )
    ratio = (
        after.beam_radius_px / after.aperture_radius_px if after.beam_radius_px and after.aperture_radius_px else None
    )
    edge_width = (after.beam_edge_px or 0.0) / (after.aperture_radius_px or 1.0)
    inside = ratio is not None and ratio + 2.0 * edge_width + (after.offset_percent or 0.0) / 100.0 < 1.0
    if inside or (after.score is not None and after.score - 2.0 * (after.score_sigma or 0.0) > AT_ITS_MOST):
        out.append(
            Misfit(
                "flat-top",
                "The beam is small enough to pass wholly where it is: the current is the same anywhere in there, and "
                "the routine could not tell. Spread the beam to its working size and center again.",
                False,
            )
        )
    light = None if scene is None else uneven_light(after, scene)
    if light is not None and light.tilt_fits:
        out.append(Misfit("tilt", light.sentence))
    ellipse = ellipticity_of(after)
    if ellipse.kind in ("beam", "both"):
        out.append(Misfit("astigmatism", ellipse.sentence))
    if made.aperture_moved_real and made.aperture_moved is not None:
        moved = hypot(made.aperture_moved.x or 0.0, made.aperture_moved.y or 0.0)
        out.append(
            Misfit(
                "aperture-moved",
                f"The aperture itself moved by {moved:.1f} px in the picture: check that it sits firmly and whether "
                "the view moved.",
            )
        )
    if not out:
        out.append(
            Misfit(
                "aperture-misplaced",
                "Nothing else shows: a misplaced aperture fits. Check it with pictures at different condenser "
                "strengths: its disc must stay concentric.",
            )
        )
    return out


def _current(read: tuple[float, float], expected: tuple[float, float], found: list[Misfit]) -> list[Misfit]:
    """The current changed otherwise than the edges say."""
    less = read[0] < expected[0]
    said = f"The current changed by {measured(*read, '%')}, the edges explain {measured(*expected, '%')}"
    if less:
        return [Misfit("current-down", said + ": gun tilt, emission or tension fit. Ask trained staff to check them.")]
    if any(m.id in ("flat-top", "tilt", "astigmatism") for m in found):
        return []
    return [Misfit("current-up", said + ": focus, spot or emission changed too, or the meter counts more halo.")]


def direction_words(made: Change) -> str:
    """The move in words: length, doubt and direction."""
    if made.moved_percent is None:
        return ""
    size = measured(*made.moved_percent, "%") + " of the aperture radius"
    if made.moved_direction_deg is None:
        return f"The beam did not move beyond the doubt ({size})."
    return f"The beam moved by {size} toward {toward(made.moved_direction_deg)}."
