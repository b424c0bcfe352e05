"""What a combined result has to say about its frames, in sentences."""

from math import atan2, degrees, hypot

from ..assessment import Assessment
from ..registry import FLAGS
from ..registry.format import format_value


def told(
    assessment: Assessment,
    *,
    moves: bool,
    repeated: int,
    left_out: int,
    group: int,
    creep: tuple[float, float] | None,
) -> tuple[str, ...]:
    """Sentences about frames, jitter, repeats and creep.

    Args:
        assessment: the combined one.
        moves: whether beam or aperture is proven to move between frames.
        repeated, left_out, group: as in :class:`apertrue.burst.Burst`.
        creep: (x, y) in % of the aperture radius, y down, from the first frame to the last.
    """
    out = [_counts(assessment), _jitter(assessment, moves)]
    if group > 1:
        out.append(f"Single frames are too dim to be read; means of {group} were.")
    if repeated:
        out.append(
            f"{_frames(repeated)} {'repeats' if repeated == 1 else 'repeat'} an earlier one bit by bit: no new evidence."
        )
    if left_out:
        out.append(f"{_frames(left_out)} gave no numbers and {'is' if left_out == 1 else 'are'} left out.")
    if creep is not None:
        x, y = creep
        flag = FLAGS["creeping"]
        out.append(
            f"{flag.sentence} From first to last it went {hypot(x, y):.2g} % of the aperture radius toward "
            f"{degrees(atan2(-y, x)) % 360:.0f}°. {flag.remedy}"
        )
    return tuple(s for s in out if s)


def _frames(n: int) -> str:
    return "1 frame" if n == 1 else f"{n} frames"


def _counts(a: Assessment) -> str:
    if not a.frames_used:
        return f"Of {_frames(a.frames_given or 0)} none gave numbers."
    if a.frames_used == a.frames_given:
        return f"{_frames(a.frames_used)} combined."
    return f"{a.frames_used} of {_frames(a.frames_given or 0)} combined."


def _jitter(a: Assessment, moves: bool) -> str:
    """The jitter, or how much of it could hide in the noise."""
    if a.beam_jitter_px is None or a.aperture_jitter_px is None:
        return "" if (a.frames_used or 0) < 2 else "How much beam and aperture move between frames could not be told."

    def said(name: str) -> str:
        return format_value(name, getattr(a, name), getattr(a, f"{name}_sigma"))

    if not moves:
        most = max(
            a.beam_jitter_px + 2 * (a.beam_jitter_px_sigma or 0.0),
            a.aperture_jitter_px + 2 * (a.aperture_jitter_px_sigma or 0.0),
        )
        return f"No jitter is seen beyond the noise: neither disc moves by more than {most:.2g} px between frames (2σ)."
    sentence = (
        f"Between frames the beam moves by {said('beam_jitter_px')} and the aperture by {said('aperture_jitter_px')}"
    )
    if a.offset_jitter_percent is not None:
        sentence += f", the offset by {said('offset_jitter_percent')}"
    return sentence + " (root mean square, noise taken off)."
