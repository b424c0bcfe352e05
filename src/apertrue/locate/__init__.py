"""From a frame to a scene: what the picture shows and where both edges lie."""

from ..frame import Frame
from ..scene import Hints, Scene

__all__ = ["locate"]


def locate(frame: Frame, hints: Hints | None = None) -> Scene:
    """Find both edges in a frame."""
    raise NotImplementedError
