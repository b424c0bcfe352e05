"""The reviewed caution sentences, each once: with every move, routine and remedy, here, in practice and in the window.

Review rule: no sentence raises the load on a detector without first asking which one is in; none tells to hunt for a
lost beam with more current; all defer to the maker's procedures, local rules and trained staff. Not yet verified on an
instrument.
"""

from typing import Literal

from ..instrument import Camera

Occasion = Literal["nudge", "trial", "auto", "remedy", "after"]

DETECTOR_ASK = "Before anything else: which detector is in, and what may it take? When in doubt, ask trained staff."
SPECIMEN = "Specimen out of the way: retracted or on an empty area."
SMALL_STEPS = "Note both readings first. Small steps: about a quarter of the move, look, then the rest."
TRIAL = "A trial move is small: no more than about 5 % of the aperture radius on one axis; then take a picture."
ONE_KNOB = "Gun shift, no other deflector: if both edges move together, it is the wrong knob. Go back."
BEAM_LOST = (
    "If the light fades or the beam is lost: set both gun shift readings back to the values you noted. "
    "Do not raise the current and do not focus the beam to look for it."
)
AUTO_CLEAR = "The routine needs an empty area: no specimen, grid bar or other obstacle in the beam."
AUTO_HANG = (
    "If the routine takes much longer than usual, stop it the way the maker describes, check the beam, note the hang."
)
NO_CROSSOVER = "Stay away from crossover while a detector is in: a focused beam can burn it."
WAY_BACK = "Afterwards the way back to work: condenser lens on, lenses normalized, then the specimen back in."
DEFER = "The maker's procedures, your local rules and trained staff come first; apertrue only advises."
UNVERIFIED = "apertrue has not been verified on an instrument yet."

#: All caution sentences by name, for tests, docs and review.
CAUTIONS: dict[str, str] = {
    "detector-ask": DETECTOR_ASK,
    "specimen": SPECIMEN,
    "small-steps": SMALL_STEPS,
    "trial": TRIAL,
    "one-knob": ONE_KNOB,
    "beam-lost": BEAM_LOST,
    "auto-clear": AUTO_CLEAR,
    "auto-hang": AUTO_HANG,
    "no-crossover": NO_CROSSOVER,
    "way-back": WAY_BACK,
    "defer": DEFER,
    "unverified": UNVERIFIED,
}

_OCCASIONS: dict[str, tuple[str, ...]] = {
    "nudge": (SPECIMEN, SMALL_STEPS, ONE_KNOB, BEAM_LOST, WAY_BACK, DEFER),
    "trial": (SPECIMEN, TRIAL, ONE_KNOB, BEAM_LOST, WAY_BACK, DEFER),
    "auto": (AUTO_CLEAR, AUTO_HANG, NO_CROSSOVER, WAY_BACK, DEFER),
    "remedy": (DEFER,),
    "after": (WAY_BACK, DEFER),
}


def detector_caution(camera: Camera, name: str | None, current_pa: float | None) -> str:
    """Which detector is in and what it may take, from the instrument file; asks where that is not known.

    Args:
        camera: the camera's entry of the instrument file.
        name: what people call it; ``None`` if unknown.
        current_pa: beam current as read, pA; ``None`` if unknown.
    """
    if name is None:
        return DETECTOR_ASK
    most = camera.max_current_pa
    if most is None:
        said = f"Detector: {name}. The instrument file does not say what it may take: ask trained staff first."
    elif current_pa is None:
        said = f"Detector: {name} may take {most:g} pA spread out; the current is not known: read it first."
    elif current_pa > most:
        said = (
            f"STOP: {name} may take {most:g} pA spread out, and the current is {current_pa:g} pA. "
            "Protect or retract it before anything else."
        )
    else:
        said = f"Detector: {name} may take {most:g} pA spread out; the current is {current_pa:g} pA."
    said += " Check that no other detector is in."
    return f"{said} {camera.caution}".rstrip()


def cautions_for(
    occasion: Occasion, camera: Camera | None = None, name: str | None = None, current_pa: float | None = None
) -> tuple[str, ...]:
    """The caution sentences that go with an occasion, the detector first.

    Args:
        occasion: ``nudge`` (a known move), ``trial`` (a first small move), ``auto`` (the routine), ``remedy`` (a change
            of exposure or spread), ``after`` (the way back).
        camera: the instrument file's entry of the camera that is in.
        name: its name; ``None`` asks for it.
        current_pa: beam current as read, pA.
    """
    first = () if occasion == "after" else (detector_caution(camera or Camera(), name, current_pa),)
    return first + _OCCASIONS[occasion]
