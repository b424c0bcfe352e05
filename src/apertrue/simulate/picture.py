"""From a recipe to a picture with its truth."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from .camera import colorize, compress, digitize, expose
from .flags import flags_of
from .light import Profile, clean_light, shadows
from .overlay import draw_overlay
from .recipe import Recipe
from .truth import Truth, truth_of


@dataclass(frozen=True, slots=True, eq=False)
class Simulated:
    """A simulated picture.

    Attributes:
        recipe: what was asked for.
        picture: as it would be saved: (rows, columns) of uint8, uint16 or float32, or (rows, columns, 3) uint8.
        frame: the same as a :class:`apertrue.frame.Frame`; a colored picture as the intensity of its brightest channel.
        truth: what is true of it.
    """

    recipe: Recipe
    picture: NDArray[Any]
    frame: Frame
    truth: Truth


def simulate(
    recipe: Recipe, rng: np.random.Generator, *, profile: Profile | None = None, truth: bool = True
) -> Simulated:
    """Simulate one picture.

    Args:
        recipe: the picture's parameters.
        rng: source of all randomness; the same state gives the same picture.
        profile: the beam's light from (ξ, η) in its round unit coordinates, in place of the recipe's own; ≥ 0.
        truth: whether to integrate scores and clipped share (0.1–0.3 s); without it only the kind is given.
    """
    light = clean_light(recipe, profile)
    keep, in_the_way = shadows(recipe, rng)
    gray = expose(light * keep, recipe, rng)
    flat, level = digitize(gray, recipe)
    known = truth_of(recipe, profile, currents=truth)
    must, may = flags_of(recipe, known, flat, level, in_the_way)
    known = replace(known, must_flags=must, may_flags=may)
    picture: NDArray[Any] = colorize(flat, recipe) if recipe.color else flat
    picture = draw_overlay(picture, recipe)
    if recipe.jpeg_quality:
        if picture.dtype != np.uint8:
            raise ValueError("jpeg_quality needs bits=8 or a color")
        picture = compress(picture, recipe.jpeg_quality)
    pixels = picture if picture.ndim == 2 else picture.max(axis=2)
    frame = Frame(
        pixels,
        saturation=level if pixels.dtype == flat.dtype else 255.0,
        linear=recipe.linear,
        lossy=bool(recipe.jpeg_quality),
        color=picture.ndim == 3,
    )
    return Simulated(recipe, picture, frame, known)
