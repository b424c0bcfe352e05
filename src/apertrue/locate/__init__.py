"""From a frame to a scene: what the picture shows and where both edges lie.

The steps, one module each: ``reduce`` (block means), ``noise`` (the camera's noise from the picture), ``rays`` and
``find`` (rough edges), ``hypotheses`` (whose edge is it), ``cells`` (the picture as sufficient statistics), ``refine`` and
``solve`` (joint maximum-likelihood fit, coarse to fine), ``support`` (does each edge really stand there),
``classify`` and ``flags`` (what the picture shows and what is special about it).
"""

from ..frame import Frame
from ..scene import Hints, Scene
from ..threads import one_at_work
from .engine import locate_frame

__all__ = ["locate"]


def locate(frame: Frame, hints: Hints | None = None) -> Scene:
    """Find both edges in a frame.

    Args:
        frame: the picture.
        hints: what is known before looking.

    Returns:
        the scene, in the frame's pixel coordinates. Never raises for a picture that holds nothing of use: its kind says so.
    """
    with one_at_work():
        return locate_frame(frame, hints or Hints())
