"""Light about an aperture that was found in a part of the picture: whether it speaks against that reading."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..scene import Scene
from .reduce import reduce_picture

#: Blocks beyond this many radii of the aperture that have this share of the core's light belong to something else, when
#: they are more than this share of what lies there.
AROUND_IT, ELSEWHERE, A_FEW = 1.3, 0.15, 0.005
#: What is as wide as the beam, within these factors, fills this share of its frame and is no longer than this beside its
#: width, may be one of several discs.
ALIKE, FILLS, LONG = (0.3, 3.0), 0.5, 2.0


def light_elsewhere(scene: Scene, pixels: NDArray[Any]) -> bool:
    """Whether bright light lies about the aperture: a ring, other spots.

    Args:
        scene: in the coordinates of ``pixels``.
        pixels: the picture, 2-D.
    """
    found = _bright_about(scene, pixels)
    if found is None:
        return False
    bright, away, _ = found
    return bool(away.any() and bright[away].mean() > A_FEW)


def others_elsewhere(scene: Scene, pixels: NDArray[Any]) -> bool:
    """Whether other compact things as large as the beam and as bright lie about the aperture: further discs, particles.

    A screen's rim, a window's panels, a room's light or text are none of these.

    Args:
        scene: in the coordinates of ``pixels``.
        pixels: the picture, 2-D.
    """
    found = _bright_about(scene, pixels)
    if found is None or scene.beam is None:
        return False
    from scipy import ndimage  # only few pictures need it

    bright, _, size = found
    beam = 2.0 * scene.beam.radius / size
    labels, _ = ndimage.label(bright)
    areas = np.bincount(labels.ravel())
    for k, box in enumerate(ndimage.find_objects(labels), start=1):
        short, long = sorted(s.stop - s.start for s in box)
        if ALIKE[0] * beam < short and long < min(ALIKE[1] * beam, LONG * short) and areas[k] > FILLS * short * long:
            return True
    return False


def _bright_about(scene: Scene, pixels: NDArray[Any]) -> tuple[NDArray[np.bool_], NDArray[np.bool_], int] | None:
    """Bright blocks away from the aperture, all blocks there, and a block's side, px; ``None`` without an aperture."""
    edge = scene.aperture
    if edge is None or scene.core is None or scene.background is None:
        return None
    reduced = reduce_picture(pixels)
    x, y = reduced.centers()
    away = np.hypot(x[None, :] - edge.x, y[:, None] - edge.y) > AROUND_IT * edge.radius
    bright = reduced.mean > scene.background + ELSEWHERE * (scene.core - scene.background)
    return bright & away, away & np.isfinite(reduced.mean), reduced.size
