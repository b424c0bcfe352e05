"""From the numbers to a verdict."""

from ..advice import Advice, Context
from ..assessment import Assessment
from ..instrument import Instrument
from ..scene import Scene

__all__ = ["advise"]


def advise(assessment: Assessment, scene: Scene, instrument: Instrument, context: Context) -> Advice:
    """The verdict, its reasons and its budget."""
    raise NotImplementedError
