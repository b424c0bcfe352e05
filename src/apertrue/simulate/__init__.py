"""Pictures with known truth: the forward model with every nuisance of a real camera.

>>> import numpy as np
>>> from apertrue.simulate import Recipe, simulate
>>> shot = simulate(Recipe(offset_x_percent=6.0), np.random.default_rng(1))
>>> round(shot.truth.offset_percent, 3)
6.708
"""

from .picture import Simulated, simulate
from .recipe import COLORS, Recipe
from .sampler import NUISANCES, random_recipe
from .truth import Truth, truth_of

__all__ = ["COLORS", "NUISANCES", "Recipe", "Simulated", "Truth", "random_recipe", "simulate", "truth_of"]
