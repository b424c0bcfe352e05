"""The picture that a layer shows now, as a ``Frame``, and how its pixels lie in the world. No Qt.

:func:`aim` runs in the window's thread and only takes notes; :meth:`Aim.frame` may take long (it may read a file or
compute a lazy array) and runs in a worker.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame, as_frame
from ..readers import ReadOptions, read_frame
from ..readers.digest import digest
from ..readers.intensity import to_intensity
from ._origin import Origin, origin_of

Array = NDArray[np.float64]


class AimError(ValueError):
    """The layer shows nothing that can be judged; the text says why and what to do."""


@dataclass(frozen=True, slots=True, eq=False)
class Aim:
    """Which picture is meant.

    Attributes:
        data: the layer's (largest) array, maybe lazy.
        index: along its leading axes.
        rgb: whether the last axis is color.
        name: the layer's.
        origin: what is known of its source.
        path: the file that another reader opened; ``None`` if unknown.
        to_world: 3×3, (row, column, 1) of the picture → displayed world coordinates.
    """

    data: Any
    index: tuple[int, ...]
    rgb: bool
    name: str
    origin: Origin | None
    path: str | None
    to_world: Array

    @property
    def page(self) -> int:
        """The page of the stack, from 0 (the flat index along the leading axes)."""
        return int(np.ravel_multi_index(self.index, self.data.shape[: len(self.index)])) if self.index else 0

    def frame(self, *, marked: bool = True) -> Frame:
        """The picture; its fingerprint is left out when it is not to be ``marked``.

        Raises:
            ReadError, AimError: it can't be had.
        """
        pixels = np.asarray(self.data[self.index] if self.index else self.data)
        about = self._about(pixels)
        saturation = None if about is None else about.saturation
        if self.rgb:
            if saturation is None:
                saturation = 1.0 if pixels.dtype.kind == "f" else float(np.iinfo(pixels.dtype).max)
            light = to_intensity(pixels, saturation)
            picture = as_frame(
                np.ascontiguousarray(light.pixels), saturation=light.saturation, color=light.color, linear=False
            )
        else:
            if pixels.ndim != 2 or pixels.dtype.kind not in "uifb":
                raise AimError(f"{self.name}: this layer holds no gray levels. Choose a picture.")
            if pixels.dtype.kind == "f" and not np.isfinite(pixels).any():
                raise AimError(f"{self.name}: none of its pixels holds a number. Choose another picture.")
            picture = as_frame(np.ascontiguousarray(pixels))
        mark = digest(picture.pixels) if marked else None
        if about is not None:
            return replace(about, pixels=picture.pixels, digest=mark)
        return replace(picture, file=self.path or self.name, page=self.page, digest=mark)

    def _about(self, pixels: NDArray[Any]) -> Frame | None:
        """The facts of the page, where it is sure that they belong to these pixels."""
        if self.origin is not None:
            if not self.origin.fits(self.data):
                return None
            found = self.origin.about(self.page)
            return found if found is None or found.pixels.dtype == pixels.dtype else None
        if self.path is None or self.rgb:
            return None
        try:
            found = read_frame(self.path, self.page, options=ReadOptions())
        except (OSError, ValueError):
            return None
        same = found.pixels.dtype == pixels.dtype and np.array_equal(found.pixels, pixels)
        return found if same else None


def aim(layer: Any, point: Sequence[float], displayed: Sequence[int]) -> Aim:
    """Notes of what ``layer`` shows now.

    Args:
        layer: an image layer.
        point: the sliders' position in world coordinates, one number an axis of the viewer.
        displayed: the viewer's displayed axes.
    """
    data = layer.data[0] if getattr(layer, "multiscale", False) else layer.data
    rgb = bool(layer.rgb)
    ndim = int(layer.ndim)
    extra = len(point) - ndim
    shown = tuple(int(d) - extra for d in displayed)
    if len(shown) != 2:
        raise AimError("The view is in 3-D. Switch to 2-D (button below the layer list).")
    if shown != (ndim - 2, ndim - 1):
        raise AimError("The axes are rolled or transposed. Show the picture's own rows and columns.")
    matrix = _data_to_world(layer)
    place = np.linalg.solve(matrix, np.append(np.asarray(point[extra:], float), 1.0))[:ndim]
    index = tuple(int(np.clip(round(v), 0, n - 1)) for v, n in zip(place[: ndim - 2], data.shape, strict=False))
    # Where the leading axes stand only shifts the picture in the world.
    to_world = np.eye(3)
    to_world[:2, :2] = matrix[ndim - 2 : ndim, ndim - 2 : ndim]
    to_world[:2, 2] = matrix[ndim - 2 : ndim, ndim] + matrix[ndim - 2 : ndim, : ndim - 2] @ np.array(index, float)
    path = getattr(layer.source, "path", None)
    return Aim(data, index, rgb, str(layer.name), origin_of(layer.metadata), path and str(path), to_world)


def _data_to_world(layer: Any) -> Array:
    """The layer's whole transform, (ndim + 1)²: its scale, rotation, shear and translation, then its affine."""
    from napari.utils.transforms import Affine

    own = Affine(scale=layer.scale, rotate=layer.rotate, shear=layer.shear, translate=layer.translate)
    out: Array = np.asarray(layer.affine.affine_matrix) @ np.asarray(own.affine_matrix)
    return out
