"""Stacks and bursts: frames of one scene, combined."""

from .combine import Burst, Combiner, combine
from .effects import RandomEffects, random_effects, widening

__all__ = ["Burst", "Combiner", "RandomEffects", "combine", "random_effects", "widening"]
