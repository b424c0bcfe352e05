"""From a scene to the reported numbers."""

from ..advice import Context
from ..assessment import Assessment
from ..frame import Frame
from ..instrument import Instrument
from ..scene import Scene

__all__ = ["assess_scene"]


def assess_scene(scene: Scene, frame: Frame, instrument: Instrument, context: Context) -> Assessment:
    """Derive all numbers, with their uncertainties, from a scene."""
    raise NotImplementedError
