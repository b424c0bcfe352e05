"""What the instrument file knows of a picture's camera and clock, added to the picture."""

from dataclasses import replace
from datetime import timedelta

from ..frame import Frame
from .settings import Instrument

_CORRECTED = "clock corrected"
_SOURCE = "instrument file"


def completed(frame: Frame, instrument: Instrument) -> Frame:
    """``frame`` with the default camera where it names none, and that camera's clock, saturation and pixel size.

    What the file states about saturation below the container's top is kept. The clock is corrected once, however often
    a frame passes here; times that are only the file's own come from another clock and stay.
    """
    state = frame.state
    if state.camera is None and instrument.default_camera is not None:
        state = state.updated(_SOURCE, camera=instrument.default_camera)
    camera = instrument.camera(state.camera)
    taken_at, source = frame.taken_at, frame.taken_at_source
    if camera.clock_correction_s and taken_at is not None and source in ("file", None):
        taken_at += timedelta(seconds=camera.clock_correction_s)
        source = f"file, {_CORRECTED}"
    saturation = frame.saturation
    if camera.saturation is not None:
        saturation = camera.saturation if saturation is None else min(saturation, camera.saturation)
    return replace(
        frame,
        state=state,
        taken_at=taken_at,
        taken_at_source=source,
        saturation=saturation,
        pixel_size_um=frame.pixel_size_um if frame.pixel_size_um is not None else camera.pixel_size_um,
    )
