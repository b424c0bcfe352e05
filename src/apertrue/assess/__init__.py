"""From a scene to the reported numbers."""

from .derive import assess_scene

__all__ = ["assess_scene"]
