"""Pictures with their edges one after another, as an animation: what a practice or a drifting day looked like."""

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..whole_file import folder_for_output, whole_file
from . import draw_overlay

if TYPE_CHECKING:
    from ..pipeline import Result

#: Endings that :func:`save_animation` can write.
ANIMATION_ENDINGS = (".gif", ".webp")
_GROUND = 20


def save_animation(results: Iterable["Result"], path: Path | str, *, seconds: float = 1.5, width: int = 480) -> Path:
    """Write the overlays of judged pictures, in order, as one animation that repeats.

    Args:
        results: judged pictures with their pixels; at least one.
        path: ``.gif`` or ``.webp``.
        seconds: how long each is shown, s.
        width: of the animation, px; taller overlays get a border below the others.

    Raises:
        ValueError: no picture, or another ending.
        WriteError: it can't be written.
    """
    place = Path(path)
    if place.suffix.lower() not in ANIMATION_ENDINGS:
        raise ValueError(f"{place}: an animation ends in {' or '.join(ANIMATION_ENDINGS)}")
    import imageio.v3
    from skimage.transform import resize

    drawn: list[NDArray[np.uint8]] = []
    for result in results:
        full = np.asarray(draw_overlay(result).convert("RGB"))
        height = round(full.shape[0] * width / full.shape[1])
        # Smoothed before it is made smaller, so that thin edge lines stay whole.
        small = resize(full, (height, width), anti_aliasing=True)  # type: ignore[no-untyped-call]
        drawn.append(np.rint(255 * np.asarray(small, dtype=np.float64)).astype(np.uint8))
    if not drawn:
        raise ValueError(f"{place}: there is no picture to show")
    tall = max(d.shape[0] for d in drawn)
    frames = [np.pad(d, ((0, tall - d.shape[0]), (0, 0), (0, 0)), constant_values=_GROUND) for d in drawn]
    folder_for_output(place.parent)
    with whole_file(place) as part:
        imageio.v3.imwrite(part, np.stack(frames), extension=place.suffix, duration=1000 * seconds, loop=0)
    return place
