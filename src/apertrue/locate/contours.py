"""Light that fades, in a file with few levels: the contours between its levels are round steps, and no edges."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from .refine import Fit
from .support import edge_points

Array = NDArray[np.float64]

#: Light that fades falls by a level along a contour, by up to so many where it is steep; a file has such steps when this share of
#: neighbors is on the same one (noise of 0.4 levels leaves 0.6).
CONTOUR, MOST_ALIKE = 2.0, 0.75
#: Where the dim part has fewer levels than this, single electrons are counted.
FEWEST_LEVELS = 10.0
#: Beside a step (from so many of its widths on, over so many rows) noise spreads the light over the file's levels when more than
#: this share of the pixels, of at least so many, has another level than most.
ASIDE, ROWS, SPREAD, LEAST = 4.0, 8, 0.01, 50


def contour_height(pixels: NDArray[Any], dim: float) -> float:
    """The highest round step that may be a contour between neighboring levels of a file, gray levels: :data:`CONTOUR` of its
    levels where most neighbors have the same one; 0 where noise blurs the levels.

    Args:
        pixels: the picture.
        dim: gray level up to which light may fade in steps.
    """
    some = pixels[:: max(1, pixels.shape[0] // 24)].astype(np.float64)
    low = some <= dim
    steps = np.abs(np.diff(some, axis=1)[low[:, 1:] & low[:, :-1]])
    steps = steps[np.isfinite(steps)]
    between = steps[steps > 0]
    if not len(between) or len(between) > (1.0 - MOST_ALIKE) * len(steps):
        return 0.0
    level = float(np.quantile(between, 0.1))
    return CONTOUR * level if dim > FEWEST_LEVELS * level else 0.0


def spread_over_levels(pixels: NDArray[Any], fit: Fit) -> bool:
    """Whether noise spreads the light on both sides of the aperture's edge over more than one of the file's levels.

    Args:
        pixels: the picture.
        fit: its fit with both edges; where the beam is, nothing is asked.
    """
    a, b = fit.aperture, fit.beam
    assert a is not None
    assert b is not None
    aside = ASIDE * max(float(a[5]), 1.0) + np.arange(ROWS)
    return all(_others(pixels, a, b, sign * aside) > SPREAD for sign in (-1.0, 1.0))


def _others(pixels: NDArray[Any], a: Array, b: Array, out: NDArray[np.floating[Any]]) -> float:
    """Share of the pixels at some distances outside the aperture's edge (px) that have not the level most have; 0 = too few."""
    points = [edge_points(np.array([*a[:2], a[2] + d, *a[3:]]), max(48, int(6 * a[2]))) for d in out]
    x, y = (np.rint(np.concatenate(k)).astype(np.intp) for k in zip(*points, strict=True))
    rows, columns = pixels.shape
    clear = distance(x.astype(np.float64), y.astype(np.float64), b) < -ASIDE * max(float(b[5]), 1.0)
    clear &= (x >= 0) & (y >= 0) & (x < columns) & (y < rows)
    values = pixels[y[clear], x[clear]].astype(np.float64)
    values = values[np.isfinite(values)]
    if len(values) < LEAST:
        return 0.0
    return 1.0 - float(np.unique(values, return_counts=True)[1].max()) / len(values)
