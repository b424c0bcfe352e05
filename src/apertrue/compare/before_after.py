"""Before and after in one piece: the change, what else fits, and the sentences for people. Pure."""

from dataclasses import dataclass

from ..advise.plain import measured
from ..assessment import Assessment, other_view, radius_seen
from ..instrument import Limits
from ..scene import Scene
from .changes import METER, Change, change
from .difference import CenterDifference
from .light import WORTH_A_WORD, LightFinding, uneven_light
from .misalignment import CrossoverFinding, EllipticityFinding, ellipticity_of, through_crossover
from .misfits import Misfit, direction_words, misfits, visibly_off

SAME_FRAME = (
    "Both pictures are the same frame, pixel for pixel: they tell nothing about a move. One file was named twice, or the "
    "camera is frozen: restart the live view, check the blanker, then take another picture."
)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Before against after.

    Attributes:
        change: the numbers.
        view_differs: the aperture is seen at another size: the views differ, and nothing is said in px.
        misfits: what else fits, likeliest first; empty when nothing is odd.
        ellipticity: what the second picture's ellipticities come from.
        crossover: how the beam's ellipse behaves between the sides, when the pictures show both; else ``None``.
        light: what the second picture's uneven light comes from; ``None`` when it was not measured.
        sentences: for people, headline first.
    """

    change: Change
    view_differs: bool
    misfits: tuple[Misfit, ...]
    ellipticity: EllipticityFinding
    crossover: CrossoverFinding | None
    light: LightFinding | None
    sentences: tuple[str, ...]


def compare(
    before: Assessment,
    after: Assessment,
    *,
    after_scene: Scene | None = None,
    same_view: bool = False,
    limits: Limits | None = None,
    learned: CenterDifference | None = None,
    meter: float = METER,
    by_routine: bool = True,
    same_frame: bool = False,
) -> Comparison:
    """Compare two pictures taken before and after a move.

    Args:
        before: the first picture's numbers, with its current where known.
        after: the second's.
        after_scene: what was located in the second, for the light's tilt.
        same_view: whether magnification, camera and size are the same, so that pixel positions compare.
        limits: when the beam counts as visibly off; the starting limits when ``None``.
        learned: the known difference between intensity center and edge center.
        meter: relative 1σ of a current reading.
        by_routine: whether the automatic routine made the move (it maximizes current), else the hand.
        same_frame: whether both are the same pixels: then nothing is said about a move.
    """
    limits = limits or Limits()
    radii = radius_seen(before), radius_seen(after)
    differs = other_view(*radii, before.aperture_um, after.aperture_um)
    made = change(before, after, same_view=same_view and not differs, meter=meter)
    found = misfits(made, after, scene=after_scene, limits=limits, learned=learned, by_routine=by_routine)
    ellipse = ellipticity_of(after)
    light = None if after_scene is None else uneven_light(after, after_scene)
    if same_frame:
        return Comparison(made, differs, (), ellipse, None, light, (SAME_FRAME,))
    sides = _sides(before, after)
    out = _sentences(made, found, before, after, limits, ellipse, differs)
    if sides is not None:
        # Both sides are here: the sentence that asks for one picture on each is answered.
        out = (*(s for s in out if s != ellipse.sentence or sides.kind == "unknown"), sides.sentence)
    if light is not None and light.unevenness_percent >= WORTH_A_WORD and not any(m.id == "tilt" for m in found):
        out = (*out, light.sentence)
    return Comparison(made, differs, found, ellipse, sides, light, out)


def _sides(before: Assessment, after: Assessment) -> CrossoverFinding | None:
    """The comparison through crossover when one picture is from each side."""
    by_side = {before.focus_side: before, after.focus_side: after}
    if {"positive", "negative"} != set(by_side):
        return None
    return through_crossover(by_side["positive"], by_side["negative"])


def _sentences(
    made: Change,
    found: tuple[Misfit, ...],
    before: Assessment,
    after: Assessment,
    limits: Limits,
    ellipse: EllipticityFinding,
    differs: bool,
) -> tuple[str, ...]:
    out = [_headline(made, before, after)]
    out.append(direction_words(made))
    if differs:
        out.append(_view_words(before, after))
    if made.current_percent is not None:
        size = measured(*made.current_percent, "%", signed=True)
        said = f"Current {before.current_pa:g} → {after.current_pa:g} pA ({size})"
        if made.expected_percent is None:
            out.append(f"{said}; without linear pictures the edges can't say what to expect.")
        else:
            verb = "agrees with" if made.current_agrees else "does not agree with"
            out.append(f"{said}, which {verb} the edges ({measured(*made.expected_percent, '%', signed=True)}).")
    if visibly_off(after, limits):
        out.append("The beam is still visibly off the center.")
    out += [m.sentence for m in found]
    if ellipse.kind in ("view", "beam", "both") and not any(m.id == "astigmatism" for m in found):
        out.append(ellipse.sentence)
    return tuple(s for s in out if s)


def _view_words(before: Assessment, after: Assessment) -> str:
    sizes = [measured(a.aperture_radius_px or 0.0, a.aperture_radius_px_sigma, "px") for a in (before, after)]
    return (
        f"The views differ: the aperture's radius is {sizes[0]} before and {sizes[1]} after (another magnification, camera, "
        "lens setting or aperture). Each offset is relative to its own aperture; if the view was turned or mirrored as well, "
        "the movement and its direction are wrong."
    )


def _headline(made: Change, before: Assessment, after: Assessment) -> str:
    if before.offset_percent is None or after.offset_percent is None:
        which = [n for n, a in (("before", before), ("after", after)) if a.offset_percent is None]
        return f"These pictures can't be compared: no offset was measured {' and '.join(which)}."
    a = measured(before.offset_percent, before.offset_percent_sigma, "%")
    b = measured(after.offset_percent, after.offset_percent_sigma, "%")
    words = {
        "better": "Nearer to the center",
        "worse": "Farther from the center",
        "same": "As far from the center as before, within the doubt",
        "unknown": "",
    }
    return f"{words[made.outcome]}: {a} of the aperture radius before, {b} after."
