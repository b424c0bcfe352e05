"""Other light within the aperture or beside a small beam, that a fit of two edges leaves over: a second spot, drawn marks."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..model.forward import Points, evaluate
from .far import far_blocks
from .find import Look
from .marks import is_drawn
from .solution import Solution

#: A second spot beside a larger one takes at least this share of the aperture, and of the beam: less is a reflection or dirt.
SPOT, OF_BEAM = 0.003, 0.05
#: What holds a square of this side (px, or this part of the picture (÷)) is no drawn stroke.
THICK, OF_PICTURE = 9.0, 40
#: Sides of both edges where other light may be (as :func:`apertrue.locate.far.far_blocks` counts them): what is brighter
#: within the beam is the beam's own.
OUTSIDE, IN_APERTURE = 0, 1


def beside(solution: Solution, first: Look, step_height: float) -> Literal["marks", "light"] | None:
    """What shines away from both edges: drawn ``marks`` alone, or other ``light`` (a second spot, a neighboring disc)."""
    bright = _shining(solution, first, step_height, OUTSIDE, IN_APERTURE)
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
) -> NDArray[np.bool_]:
    """Blocks away from both edges, on these sides of them, that are far brighter than the fit has them; shape of the
    reduction.
    """
    fit = solution.fit
    x, y, value, asked, side = far_blocks(first.reduced, (fit.aperture, fit.beam))
    wanted = np.isin(side, sides)
    x, y, value = x[wanted], y[wanted], value[wanted]
    asked[asked] = wanted
    rest = value - evaluate(fit.basis, Points.at(x, y), fit.aperture, fit.beam, fit.linear)
    sigma = np.sqrt(first.noise.mean_variance(value, first.reduced.pixels))
    asked[asked] = (rest > 0.15 * step_height) & (rest > 8 * sigma)
    return asked
