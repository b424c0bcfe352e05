"""Other light within the aperture or beside a small beam, that a fit of two edges leaves over: a second spot, drawn marks."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..model.forward import Points, evaluate
from .far import far_blocks
from .find import Look
from .marks import is_drawn
from .solution import Solution

Array = NDArray[np.float64]

#: A second spot beside a larger one takes at least this share of the aperture, and of the beam: less is a reflection or dirt.
SPOT, OF_BEAM = 0.003, 0.05
#: What holds a square of this side (px, or this part of the picture (÷)) is no drawn stroke.
THICK, OF_PICTURE = 9.0, 40
#: Sides of both edges where other light may be (as :func:`apertrue.locate.far.far_blocks` counts them): what is brighter
#: within the beam is the beam's own.
OUTSIDE, IN_APERTURE = 0, 1
#: Light that exceeds the fit by so many σ is other light.
CLEAR = 8.0


def beside(solution: Solution, first: Look, step_height: float) -> Literal["marks", "light"] | None:
    """What shines away from both edges: drawn ``marks`` alone, or other ``light`` (a second spot, a neighboring disc)."""
    bright = _shining(solution, first, step_height, OUTSIDE, IN_APERTURE, side=3)
    if not ((bright[1:] & bright[:-1]).any() or (bright[:, 1:] & bright[:, :-1]).any()):
        return None
    assert solution.fit.beam is not None
    thick = min(max(THICK, min(first.pixels.shape) / OF_PICTURE), 0.5 * float(solution.fit.beam[2]))
    return "marks" if is_drawn(first.pixels, bright, first.reduced.size, thick) else "light"


def second_spot(solution: Solution, first: Look, step_height: float) -> bool:
    """Whether a second, bright spot shines within the aperture beside a beam of some size.

    A spot has some extent both ways; hot pixels and bright lines of the camera have not.
    """
    fit = solution.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    bright = _shining(solution, first, step_height, IN_APERTURE)
    share = max(SPOT * float(fit.aperture[2]) ** 2, OF_BEAM * float(fit.beam[2]) ** 2)
    least = float(np.pi) * share / first.reduced.size**2  # blocks
    if np.count_nonzero(bright) < max(4, least):
        return False
    square = bright[1:, 1:] & bright[1:, :-1] & bright[:-1, 1:] & bright[:-1, :-1]
    return int(np.count_nonzero(square)) >= max(1, least / 4)


def _shining(
    solution: Solution,
    first: Look,
    step_height: float,
    *sides: int,
    side: int = 1,
) -> NDArray[np.bool_]:
    """Blocks away from both edges, on these sides of them, that are far brighter than the fit has them, alone or as the middle of
    a square with ``side`` of them; shape of the reduction.
    """
    fit = solution.fit
    x, y, value, asked, where = far_blocks(first.reduced, (fit.aperture, fit.beam))
    wanted = np.isin(where, sides)
    x, y, value = x[wanted], y[wanted], value[wanted]
    asked[asked] = wanted
    rest = value - evaluate(fit.basis, Points.at(x, y), fit.aperture, fit.beam, fit.linear)
    sigma = np.sqrt(first.noise.mean_variance(value, first.reduced.pixels))
    out = asked.copy()
    out[asked] = (rest > 0.15 * step_height) & (rest > CLEAR * sigma)
    if side == 1:
        return out
    # A faint spot shows in none of its blocks, but in all of them together.
    light, doubt = np.zeros(asked.shape), np.zeros(asked.shape)
    light[asked], doubt[asked] = rest, sigma**2
    light, doubt, count = (_squares(v, side) for v in (light, doubt, asked.astype(np.float64)))
    lit = (light > CLEAR * np.sqrt(doubt)) & (light > 0.15 * step_height * count) & (count > 0.5 * side**2)
    return np.asarray(out | (asked & lit))


def _squares(value: Array, side: int) -> Array:
    """Sums over the square about each place, as far as it lies in the field."""
    padded = np.pad(value, side // 2)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, (side, side)).sum(axis=(2, 3)))
