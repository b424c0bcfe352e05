"""Reasons: why a verdict was given. Each has an id, a sentence, a threshold and a remedy.

Reasons carry no numbers; the numbers stand in the fields and the budget, so that the user can redo the sum.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason; attributes as in :class:`apertrue.registry.flags.Flag`."""

    id: str
    sentence: str
    threshold: str
    remedy: str
    raises_load: bool = False


_D = "First check which detector is in and what it may take. "

_ALL = (
    # What the picture can tell
    Reason(
        "no-beam",
        "No beam is seen: nothing stands out of the picture.",
        "no light above the noise",
        "If the picture is dark, check in this order: column valves, blanker, screen or camera in place, beam lost by a "
        "large shift; do not raise the current to look for it. If it is evenly bright, the camera may be full: blank the "
        "beam. " + _D + "Then expose for a shorter time or spread the beam; only where the camera is far from its top "
        "level does the beam just fill the view, and a lower magnification shows its edge.",
        True,
    ),
    Reason(
        "not-this-view",
        "This is no picture of a condenser aperture with a beam in it.",
        "no fitting round edges",
        "Open the alignment view: specimen out of the way, condenser aperture in, then take another picture.",
    ),
    Reason(
        "one-edge-only",
        "Only one round edge shows, and nothing tells whose it is.",
        "one edge found",
        _D + "Then spread the beam until its edge lies just inside the aperture's, so that both show; or, if the beam "
        "overfills the aperture, spread less.",
        True,
    ),
    Reason(
        "spread-less",
        "The beam overfills the aperture: its own edge is hidden.",
        "only the aperture's edge shows",
        _D + "Then spread the beam less until its edge lies just inside the aperture's.",
        True,
    ),
    Reason(
        "spread-more",
        "The beam is a small spot; its center against the aperture tells little.",
        "beam radius under 0.15 of the aperture's",
        "Spread the beam away from crossover until its edge lies just inside the aperture's. "
        "Do not leave a focused beam on a detector.",
    ),
    Reason(
        "no-reference",
        "The aperture's edge does not show and no position of it is known to hold.",
        "beam edge alone",
        _D + "Then expose longer, so that the surround shows; or confirm the aperture's position.",
        True,
    ),
    Reason(
        "sides-ambiguous",
        "Without a faint surround the lens shape is the same with both discs swapped: "
        "which of them is the beam, and so the way to move it, is not known.",
        "clipped, no halo, equal edge widths",
        _D + "Then expose longer, so that the surround shows; or make one small move and take another picture.",
        True,
    ),
    Reason(
        "not-measured",
        "The edges could not be measured well enough for a number.",
        "offset not found or 1σ > 5 %",
        "Take another picture: whole discs in the frame, at least 40 px across, linear, neither saturated nor noisy.",
    ),
    # Limits
    Reason(
        "within-limits",
        "Offset, gap and working score are within their limits.",
        "instrument file",
        "None needed.",
    ),
    Reason(
        "offset-over-leave",
        "The offset is beyond the limit for leaving it.",
        "offset_percent > 5",
        "Center the beam.",
    ),
    Reason(
        "offset-over-nudge",
        "The offset is beyond the limit for a nudge by hand.",
        "offset_percent > 25",
        "The automatic routine, or a hand centering in several steps.",
    ),
    Reason(
        "gap-under-limit",
        "The gap is under its limit.",
        "gap_percent < 3 with the beam at 85–95 % of the aperture",
        "Center the beam.",
    ),
    Reason(
        "half-cut",
        "About half of the beam is cut off.",
        "clipped_fraction ≥ 0.5",
        "Center the beam in small steps.",
    ),
    Reason(
        "score-under-leave",
        "The working score is under the limit for leaving it.",
        "working_score < 97",
        "Center the beam.",
    ),
    Reason(
        "score-under-nudge",
        "The working score is under the limit for a nudge by hand.",
        "working_score < 85",
        "The automatic routine, or a hand centering in several steps.",
    ),
    Reason(
        "straddles-limit",
        "The measurement's interval straddles a limit: it can't be told on which side it lies.",
        "limit within ±2σ",
        "More pictures lower the doubt (four halve it); until then it is not left as it is.",
    ),
    Reason(
        "crosses-within-work",
        "A limit will probably be crossed within the planned work.",
        "forecast",
        "Center now, or check again in time.",
    ),
    # The budget
    Reason(
        "cheapest",
        "Of the allowed ways, this one costs the fewest expected minutes.",
        "budget",
        "See the budget.",
    ),
    Reason(
        "direction-unknown",
        "No shift calibration holds: which way the axes turn the beam must be found by trial.",
        "no valid calibration",
        "Make one small move and take another picture: it teaches the direction.",
    ),
    Reason(
        "nudges-failed",
        "Two nudges did not bring the beam to the center.",
        "two nudges failed",
        "The automatic routine; then calibrate anew.",
    ),
    Reason(
        "no-auto-in-the-way",
        "The automatic routine needs a clear area; something is in the way.",
        "in-the-way",
        "Move to an empty area first.",
    ),
    Reason(
        "no-auto-hung-twice",
        "The automatic routine hung twice today.",
        "two hangs on one day",
        "Center by hand; ask the person in charge of the instrument.",
    ),
    Reason(
        "hand-anyway",
        "Every other way is ruled out, so the beam is centered by hand in several small steps.",
        "leave and auto barred, nudge beyond its limit",
        "Small steps, a picture after each; stop and ask trained staff when the light fades.",
    ),
    Reason(
        "no-direction",
        "The direction of the offset is not known, only its size.",
        "offset_percent over 2σ without a direction",
        "The automatic routine; or one small move and another picture, which tells the direction.",
    ),
    Reason(
        "within-doubt",
        "No offset stands out of the measurement's doubt.",
        "offset_percent under 2σ",
        "Moving it now would chase noise; more pictures lower the doubt.",
    ),
    Reason(
        "learned-difference",
        "The beam lies where the automatic routine usually leaves it: intensity center and edge center differ by a "
        "constant.",
        "session history",
        "No fault of the routine: running it again would leave the beam here; by hand it comes to the edge center.",
    ),
    Reason(
        "light-assumed-even",
        "The beam's own light is not known (gray levels bent or saturated, a part hidden that the visible one does not "
        "tell, or too uneven), so the budget takes an evenly lit disc.",
        "working_score not measured",
        "Save linear pictures that are not saturated, or declare the camera linear in the instrument file if it is.",
    ),
    Reason(
        "drift-assumed",
        "No forecast of the drift yet: the budget takes the usual one.",
        "no session history",
        "Log a few pictures; the session's own drift then takes its place.",
    ),
    # What forbids to leave it
    Reason("picture-stale", "The picture is too old to act on.", "instrument file", "Take a new picture."),
    Reason(
        "picture-frozen",
        "The picture is the same frame as before.",
        "identical pixels",
        "Restart the live view, then take a new picture.",
    ),
    Reason(
        "aperture-unconfirmed",
        "Nothing confirms that the outer edge is the condenser aperture's.",
        "no reference, weak evidence",
        "Confirm it once: move the aperture or change its size by hand and see which edge follows.",
    ),
    Reason(
        "state-changed",
        "The instrument's state changed since the calibration or the last picture.",
        "state differs",
        "Confirm with one small move per axis.",
    ),
    Reason(
        "current-down",
        "The current is down although the edges are good.",
        "current below the expected by more than 3σ",
        "Check gun tilt, emission and tension with trained staff.",
    ),
    Reason(
        "afterglow-seen",
        "A disc of the previous position still glows.",
        "two discs",
        "Wait, then take another picture.",
    ),
    Reason(
        "time-unknown",
        "The picture's age is not known: it states no time of its own, or one that lies ahead.",
        "no time in the picture or the sheet; the file's own counts only in a watched folder",
        "Make sure that it is a fresh one, or give the time in a sheet.",
    ),
)

#: All reasons by id.
REASONS: dict[str, Reason] = {r.id: r for r in _ALL}
