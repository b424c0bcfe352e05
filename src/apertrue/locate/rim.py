"""A photographed screen's rim: a bright ring on the very edge that was taken for the aperture's shadow."""

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from .reduce import Reduced
from .solution import Solution
from .support import SECTORS, round_angle, sector_of

Array = NDArray[np.float64]

#: How near the edge the ring is looked for, and the light beside it (block sides and edge widths together).
ON, BESIDE, REACH = 1.0, 1.5, 4.0
#: Share of the blocks on the edge that the ring fills.
FILLS = 0.25
#: Blocks that each part of a sector must have, and sectors that must tell.
FEWEST, TELLING = 3, 4
#: The ring exceeds the brighter side by this share of the step from one side to the other, and of the beam's own light.
BRIGHTER, OF_CORE = 0.4, 0.01


def is_rim(pair: Solution, reduced: Reduced, contrast: float) -> bool:
    """Whether what was taken for the aperture's edge is brighter than the light on both of its sides, nearly all round.

    The edge of a shadow lies between both (a fringe exceeds the lit side by a third of the step at most, and a photograph blurs
    it); a metal rim, or glass that catches the room's light, does not.

    Args:
        pair: a fit with both edges, px.
        reduced: the picture's blocks.
        contrast: core − dark, gray levels.
    """
    aperture, beam = pair.fit.aperture, pair.fit.beam
    assert aperture is not None
    assert beam is not None
    x, y = np.meshgrid(*reduced.centers())
    inward = distance(x, y, aperture)
    unit = reduced.size + 2.0 * float(aperture[5])
    dim = np.isfinite(reduced.mean) & (np.abs(inward) < REACH * unit)
    dim &= distance(x, y, beam) < -(reduced.size + 4.0 * float(beam[5]))
    value, inward = reduced.mean[dim], inward[dim] / unit
    sector = sector_of(round_angle(x[dim], y[dim], aperture))
    parts = np.abs(inward) < ON, inward > BESIDE, inward < -BESIDE
    ridge, step = [], []
    for k in range(SECTORS):
        on, inside, outside = (value[(sector == k) & part] for part in parts)
        if min(len(on), len(inside), len(outside)) < FEWEST:
            continue
        top = np.sort(on)[-max(2, int(FILLS * len(on))) :].mean()
        lit, dark = float(np.median(inside)), float(np.median(outside))
        ridge.append(float(top) - max(lit, dark))
        step.append(lit - dark)
    if len(ridge) < TELLING:
        return False
    return float(np.median(ridge)) > max(BRIGHTER * abs(float(np.median(step))), OF_CORE * contrast)
