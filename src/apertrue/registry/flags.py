"""Flags: what is special about a picture. Each has an id, a sentence, a threshold and a remedy.

A remedy never raises the load on a detector without naming the check that comes first.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Flag:
    """One flag.

    Attributes:
        id: the word in JSON and CSV.
        sentence: what it means, for people.
        threshold: when it is raised, in words.
        limit: the number of that threshold that code uses, or ``None`` where it is no single number.
        remedy: what to do; checked for detector safety.
        raises_load: whether the remedy may raise the light on the detector (then it asks first which one is in).
    """

    id: str
    sentence: str
    threshold: str
    limit: float | None
    remedy: str
    raises_load: bool = False


_DETECTOR_FIRST = "First check which detector is in and what it may take. "

_ALL = (
    Flag(
        "saturated",
        "Part of the picture is saturated: the camera could not show how bright it is.",
        "more than 0.1 % of the lit pixels stand at the camera's top level",
        0.001,
        "Expose for a shorter time. Do not spread less or focus the beam on the detector.",
    ),
    Flag(
        "in-the-way",
        "Something lies in the beam's way (specimen, grid bar, dirt).",
        "more than 3 % of an edge or of the lit area deviates from a smooth disc",
        0.03,
        "Move the specimen to an empty area or retract it, then take another picture.",
    ),
    Flag(
        "cut-by-frame",
        "The picture's frame cuts off part of an edge.",
        "more than 2 % of an edge lies outside the frame",
        0.02,
        "Move the view until both edges are in the picture. Where they do not fit: f"
        + _DETECTOR_FIRST[1:]
        + "Then lower the magnification, which puts the same light on fewer pixels.",
        True,
    ),
    Flag(
        "noisy",
        "The picture is noisy for what it has to show.",
        "the 1σ of the offset exceeds 1 % of the aperture radius, or the core stands less than 3σ of a pixel's noise above dark",
        3.0,
        _DETECTOR_FIRST + "Then expose longer or average several pictures.",
        True,
    ),
    Flag(
        "uneven",
        "The light is uneven over the disc.",
        "unevenness > 20 %",
        20.0,
        "Check gun tilt and condenser astigmatism; they couple with the shift.",
    ),
    Flag(
        "elliptical",
        "The beam's disc is not round, and the aperture's edge does not share it.",
        "beam ellipticity > max(3σ, 0.02), and not the aperture's own",
        0.02,
        "Correct the condenser astigmatism before centering; a monochromator's dispersion also stretches the beam.",
    ),
    Flag(
        "overlay",
        "Text, a scale bar or a window's border is drawn into the picture.",
        "straight borders or flat saturated marks outside the discs",
        None,
        "Save the picture without overlays, or crop to the view.",
    ),
    Flag(
        "low-contrast",
        "The faint surround barely rises above the background.",
        "the aperture's step is under 5σ of a pixel's noise and under 2 % of the core",
        0.02,
        _DETECTOR_FIRST + "Then expose longer, or spread the beam so that the aperture's edge shows.",
        True,
    ),
    Flag(
        "tilted-view",
        "The aperture looks elliptical: the screen is seen at an angle, or the view is distorted.",
        "aperture ellipticity > max(3σ, 0.01)",
        0.01,
        "The ellipse is made round first, and the doubt allows for a camera that is near. Look at the screen straight on, "
        "or from farther away, for the best result.",
    ),
    Flag(
        "nonlinear",
        "The gray levels are not proportional to the light (gamma, auto-contrast): edges still count, "
        "but score, clipped share and evenness are withheld.",
        "an 8-bit, colored or lossy picture without a statement that it is linear",
        None,
        "Save the camera's linear data, without gamma or auto-contrast; "
        "or declare the camera linear in the instrument file if it is.",
    ),
    Flag(
        "afterglow",
        "A second, fainter disc of the same size shows: the previous position still glows.",
        "a second disc with 1 to 60 % of the beam's step",
        0.01,
        "Wait until it has faded, then take another picture.",
    ),
    Flag(
        "frozen",
        "The same frame as before: the camera may be frozen or the beam blanked.",
        "identical pixels in a picture with a later time",
        None,
        "Restart the live view, check the blanker, then take another picture.",
    ),
    Flag(
        "stale",
        "The picture is old.",
        "older than the limit in the instrument file (30 min)",
        30.0,
        "Take a new picture before acting on it.",
    ),
    Flag(
        "creeping",
        "The beam creeps in one direction over the combined frames.",
        "a straight movement of the offset over four frames or more, p < 0.01",
        0.01,
        "Combine fewer frames, taken faster; the last ones tell where the beam is now.",
    ),
    Flag(
        "followed",
        "Pictures came faster than they can be judged one by one: the edges were looked for where the last picture had them.",
        "a watched folder in which more than 8 pictures wait, taken within 5 s of one another; not the last one",
        8.0,
        "Its numbers hold within their doubt; assess the picture by itself where tenths of a σ matter.",
    ),
    Flag(
        "state-changed",
        "The instrument's state changed since: calibration, forecast and remembered aperture no longer hold.",
        "high tension, aperture, spot, focus side, magnification or camera differ",
        None,
        "Confirm with one small move per axis, or calibrate anew.",
    ),
)

#: All flags by id, in the order in which people see them.
FLAGS: dict[str, Flag] = {f.id: f for f in _ALL}
