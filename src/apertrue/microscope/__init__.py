"""The virtual microscope: a hidden misalignment to be found, with drift, backlash, noise and an automatic routine.

One for tests, benchmarks, practice and window. Deterministic by seed; its clock is virtual.

>>> from apertrue.microscope import VirtualMicroscope
>>> scope = VirtualMicroscope(seed=1)
>>> scope.snapshot().shape
(512, 512)
"""

from .automatic import AutomaticRun, maximize_current
from .hidden import Hidden, random_hidden
from .virtual import Position, VirtualMicroscope

__all__ = ["AutomaticRun", "Hidden", "Position", "VirtualMicroscope", "maximize_current", "random_hidden"]
