"""Light about an aperture that was found in a part of the picture: whether it speaks against that reading."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..scene import Scene
from .rays import largest_region
from .reduce import Reduced, reduce_picture

#: Blocks beyond this many radii of the aperture that have this share of the core's light belong to something else, when
#: they are more than this share of what lies there.
AROUND_IT, ELSEWHERE, A_FEW = 1.3, 0.15, 0.005
#: What is as wide as the beam, within these factors, fills this share of its frame and is no longer than this beside its
#: width, may be one of several discs.
ALIKE, FILLS, LONG = (0.3, 3.0), 0.5, 2.0
#: … when its middle level lies this far up between its lowest and its highest.
FLAT = 0.5
#: A disc beside has this share of the core's light, is as wide as the beam within these factors, no longer than this beside its
#: width, and fills this share of its frame (π/4 when whole): a panel, bars or a reflection do not.
HALF, TWIN, OVAL, ROUND = 0.5, (0.6, 1.6), 1.3, (0.7, 0.86)


def light_elsewhere(scene: Scene, pixels: NDArray[Any]) -> bool:
    """Whether bright light lies about the aperture: a ring, other spots.

    Args:
        scene: in the coordinates of ``pixels``.
        pixels: the picture, 2-D.
    """
    found = _bright_about(scene, reduce_picture(pixels), ELSEWHERE)
    if found is None:
        return False
    bright, away = found
    return bool(away.any() and bright[away].mean() > A_FEW)


def others_elsewhere(scene: Scene, pixels: NDArray[Any]) -> bool:
    """Whether other compact things as large as the beam and as bright lie about the aperture: further discs, particles.

    A screen's rim, a window's panels, a room's light (which the picture's border cuts) or text are none of these.

    Args:
        scene: in the coordinates of ``pixels``.
        pixels: the picture, 2-D.
    """
    reduced = reduce_picture(pixels)
    found = _bright_about(scene, reduced, ELSEWHERE)
    if found is None or scene.beam is None:
        return False
    from scipy import ndimage  # only few pictures need it

    bright, _ = found
    beam = 2.0 * scene.beam.radius / reduced.size
    labels, _ = ndimage.label(bright)
    areas = np.bincount(labels.ravel())
    for k, box in enumerate(ndimage.find_objects(labels), start=1):
        short, long = sorted(s.stop - s.start for s in box)
        if any(s.start == 0 or s.stop == n for s, n in zip(box, bright.shape, strict=True)):
            continue
        if ALIKE[0] * beam < short and long < min(ALIKE[1] * beam, LONG * short) and areas[k] > FILLS * short * long:
            level = np.sort(reduced.mean[box][labels[box] == k])
            if level[len(level) // 2] - level[0] > FLAT * (level[-max(len(level) // 50, 1)] - level[0]):
                return True  # else it has no edge: a lamp's reflection
    return False


def twin_elsewhere(scene: Scene, reduced: Reduced) -> bool:
    """Whether a second disc as large and bright as the beam lies outside the aperture: then the picture is of something else.

    Args:
        scene: with both edges, in px of the picture.
        reduced: the picture's blocks.
    """
    found = _bright_about(scene, reduced, HALF)
    if found is None or scene.beam is None:
        return False
    beam = 2.0 * scene.beam.radius / reduced.size
    bright, _ = found
    if bright.sum() < (TWIN[0] * beam) ** 2 * ROUND[0]:
        return False
    largest = largest_region(bright)
    rows, columns = np.flatnonzero(largest.any(axis=1)), np.flatnonzero(largest.any(axis=0))
    short, long = sorted(int(at[-1] - at[0]) + 1 for at in (rows, columns))
    alike = TWIN[0] * beam < short and long < min(TWIN[1] * beam, OVAL * short)
    return bool(alike and ROUND[0] < largest.sum() / (short * long) < ROUND[1])


def _bright_about(scene: Scene, reduced: Reduced, share: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """Blocks away from the aperture with a share of the core's light, and all blocks there; ``None`` without an aperture."""
    edge = scene.aperture
    if edge is None or scene.core is None or scene.background is None:
        return None
    x, y = reduced.centers()
    away = np.hypot(x[None, :] - edge.x, y[:, None] - edge.y) > AROUND_IT * edge.radius
    bright = reduced.mean > scene.background + share * (scene.core - scene.background)
    return bright & away, away & np.isfinite(reduced.mean)
