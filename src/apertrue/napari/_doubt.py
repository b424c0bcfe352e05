"""The doubt of the offset as a ring round the beam's center. Pure.

The ring is the 95 % ellipse of two jointly normal numbers: the points d with dᵀ C⁻¹ d = −2 ln(1 − 0.95), the quantile of
χ² with two degrees of freedom (closed form; common textbook knowledge, e.g. JCGM 102:2011, 6.5.2, from memory).
"""

from dataclasses import dataclass
from math import hypot, log, sqrt

import numpy as np
from numpy.typing import NDArray

from ..assessment import Assessment
from ..scene import Scene

_SHARE = 0.95
#: Drawn so many times enlarged, always the same, so that rings of different pictures can be compared by eye …
ENLARGED = 10
#: … but in true size where it would pass this share of the aperture's radius.
_MOST = 0.75
#: A ring of which the longer half axis is less than so many screen px, or than this share of the aperture's radius, is
#: not drawn: the cross at the beam's center would hide it.
_LEAST_PX, _LEAST = 4.0, 0.075


@dataclass(frozen=True, slots=True, eq=False)
class Doubt:
    """The ring.

    Attributes:
        outline: points (x, y), (n, 2), px of the picture, enlarged; empty = too small to draw.
        enlarged: how many times; 0 = not drawn.
        percent: the true ellipse's longer half axis, % of the aperture radius.
    """

    outline: NDArray[np.float64]
    enlarged: int
    percent: float


def doubt(scene: Scene, a: Assessment, px: float, n: int = 48) -> Doubt | None:
    """The ring of a result; ``None`` where the offset has none.

    Args:
        scene: for the beam's center and the aperture's radius.
        a: with the offset's σ and their correlation.
        px: picture px to a screen px.
        n: points of the outline.
    """
    sx, sy, r = a.offset_x_px_sigma, a.offset_y_px_sigma, a.offset_xy_correlation
    if scene.beam is None or scene.aperture is None or sx is None or sy is None or not (sx > 0 and sy > 0):
        return None
    r = 0.0 if r is None else r
    reach = sqrt(-2.0 * log(1.0 - _SHARE))
    t = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)
    circle = reach * np.stack([np.cos(t), np.sin(t)])
    ring = np.array([[sx, 0.0], [r * sy, sqrt(max(1.0 - r * r, 0.0)) * sy]]) @ circle
    # The longer half axis: root of the covariance's larger eigenvalue.
    mean, half = 0.5 * (sx * sx + sy * sy), hypot(0.5 * (sx * sx - sy * sy), r * sx * sy)
    longer = reach * sqrt(mean + half)
    enlarged = ENLARGED if ENLARGED * longer <= _MOST * scene.aperture.radius else 1
    percent = 100.0 * longer / scene.aperture.radius
    if enlarged * longer < max(_LEAST_PX * px, _LEAST * scene.aperture.radius):
        return Doubt(np.zeros((0, 2)), 0, percent)
    return Doubt(enlarged * ring.T + (scene.beam.x, scene.beam.y), enlarged, percent)
