"""From a scene to the reported numbers."""

from .derive import assess_scene, with_context_flags

__all__ = ["assess_scene", "with_context_flags"]
