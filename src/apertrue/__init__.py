"""apertrue: is the beam centered in the condenser aperture? One picture, one answer, with its doubt."""

from ._version import __version__

__all__ = ["__version__"]
