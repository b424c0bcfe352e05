"""Parts of a picture that are looked at alone, and places in their coordinates."""

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..scene import Edge, Hints, Scene
from .find import Rough
from .reduce import as_floats

Array = NDArray[np.float64]

#: How far around an aperture a part reaches (its radii).
AROUND = 1.25
#: How far out an edge is looked at alone: a field of view or a frame may begin soon after.
BARELY = 1.12


def part_about(pixels: NDArray[Any], about: Edge, reach: float) -> tuple[NDArray[Any], tuple[int, int]]:
    """The square of ``reach`` radii around an edge, as far as the picture goes, and its first column and row."""
    rows, columns = pixels.shape
    half = reach * about.semi_axes[0] + 3 * about.width
    left, top = max(int(about.x - half), 0), max(int(about.y - half), 0)
    return pixels[top : min(int(about.y + half) + 1, rows), left : min(int(about.x + half) + 1, columns)], (left, top)


def disc_alone(pixels: NDArray[Any], about: Edge) -> tuple[Array, tuple[int, int]]:
    """What lies within and barely beyond an edge, NaN around it, and its first column and row."""
    part, corner = part_about(pixels, about, AROUND)
    part = as_floats(part)
    x, y = (np.arange(n, dtype=np.float64) + c for n, c in zip(part.shape[::-1], corner, strict=True))
    part[np.hypot(x[None, :] - about.x, y[:, None] - about.y) > BARELY * about.semi_axes[0]] = np.nan
    return part, corner


def contains(pixels: NDArray[Any], edge: Edge) -> bool:
    """Whether the picture holds a whole edge and a little around it."""
    reach = edge.semi_axes[0] + 3 * edge.width
    return all(reach < c < n - reach for c, n in ((edge.x, pixels.shape[1]), (edge.y, pixels.shape[0])))


def lit_window(rough: Rough, shape: tuple[int, ...]) -> tuple[int, int, int, int] | None:
    """(left, top, right, bottom) around a small lit region, or ``None`` when it is not small."""
    blocks_y, blocks_x = rough.grid
    radius = float(np.sqrt(max(rough.lit_share * blocks_x * blocks_y, 1.0) / np.pi))
    size = max(1, round(min(shape) / min(blocks_x, blocks_y)))
    half = int(max(6.0 * radius * size, 24))
    if size == 1 or 2 * half > 0.6 * min(shape):
        return None
    x, y = int(rough.center[0] * size), int(rough.center[1] * size)
    return max(x - half, 0), max(y - half, 0), min(x + half, shape[1]), min(y + half, shape[0])


def shifted(hints: Hints, origin: tuple[int, int]) -> Hints:
    """Hints in the coordinates of a part of the picture."""
    if origin == (0, 0):
        return hints
    move = partial(_moved_by, right=-origin[0], down=-origin[1])
    previous = hints.previous
    if previous is not None:
        previous = replace(previous, aperture=move(previous.aperture), beam=move(previous.beam))
    return replace(
        hints,
        aperture=move(hints.aperture),
        start_aperture=move(hints.start_aperture),
        start_beam=move(hints.start_beam),
        previous=previous,
    )


def moved(scene: Scene, origin: tuple[int, int], shape: tuple[int, int]) -> Scene:
    """A part's scene in the coordinates of a picture of this ``shape``."""
    move = partial(_moved_by, right=origin[0], down=origin[1])
    return replace(scene, shape=shape, aperture=move(scene.aperture), beam=move(scene.beam), edge=move(scene.edge))


def _moved_by(edge: Edge | None, *, right: int, down: int) -> Edge | None:
    return None if edge is None else replace(edge, x=edge.x + right, y=edge.y + down)
