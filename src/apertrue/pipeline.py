"""The main line in one place: frame → scene → assessment → advice. Command line, window, audit and watch all call this."""

from dataclasses import dataclass, replace

from .advice import Advice, Context
from .advise import advise
from .assess import assess_scene
from .assessment import Assessment
from .frame import Frame
from .instrument import Instrument
from .locate import locate
from .scene import Hints, Scene

#: Nothing is known beside the picture.
_ALONE = Context()


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """Everything that is known of one picture after the main line."""

    frame: Frame
    scene: Scene
    assessment: Assessment
    advice: Advice


def judge(
    frame: Frame,
    *,
    instrument: Instrument | None = None,
    hints: Hints | None = None,
    context: Context | None = None,
) -> Result:
    """Locate both edges, derive the numbers and advise.

    Args:
        frame: the picture.
        instrument: limits, costs, cameras; the starting values when ``None``.
        hints: what is known before looking (remembered aperture, region, the user's start).
        context: what is known beside the picture (age, calibration, history).
    """
    instrument = instrument or Instrument()
    context = context or Context()
    scene, assessment = measure(frame, instrument, hints or Hints(), context)
    return readvise(frame, scene, assessment, instrument, context)


def measure(frame: Frame, instrument: Instrument, hints: Hints, context: Context = _ALONE) -> tuple[Scene, Assessment]:
    """The main line without the advice, for whoever gives that later with more at hand."""
    scene = locate(frame, hints_for(frame, instrument, hints))
    return scene, assess_scene(scene, frame, instrument, context)


def readvise(frame: Frame, scene: Scene, assessment: Assessment, instrument: Instrument, context: Context) -> Result:
    """Advise on what was measured already; again, when more is known beside the picture (drift, calibration)."""
    advice = advise(assessment, scene, instrument, context)
    assessment = replace(assessment, verdict=str(advice.verdict), reasons=advice.reasons)
    move = advice.nudge if advice.nudge is not None and not advice.nudge.centered else None
    assessment = replace(
        assessment,
        nudge_x=None if move is None else move.x,
        nudge_x_sigma=None if move is None else move.x_sigma,
        nudge_y=None if move is None else move.y,
        nudge_y_sigma=None if move is None else move.y_sigma,
    )
    return Result(frame, scene, assessment, advice)


def hints_for(frame: Frame, instrument: Instrument, hints: Hints) -> Hints:
    """``hints`` completed by what the instrument file says of the frame's camera."""
    camera = instrument.camera(frame.state.camera)
    radius = hints.aperture_radius_px
    if radius is None and camera.aperture_radius_px:
        magnification = frame.state.magnification
        key = "any" if magnification is None else f"{magnification:g}"
        radius = camera.aperture_radius_px.get(key, camera.aperture_radius_px.get("any"))
    linear = hints.linear if hints.linear is not None else camera.linear
    return replace(hints, aperture_radius_px=radius, linear=linear)
