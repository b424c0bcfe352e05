"""Reading pictures into napari: our readers, so that time, state and gray-level facts come along."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..frame import Frame
from ..readers import count_pages, looks_like_picture, read_frame, read_frames
from ._origin import KEY, Origin, bare, weak

LayerData = tuple[Any, dict[str, Any], str]
Reader = Callable[[str | Sequence[str]], list[LayerData]]

#: Stacks larger than this are read page by page when they are looked at, bytes.
LAZY_BYTES = 500_000_000


def get_reader(path: str | Sequence[str]) -> Reader | None:
    """A reader when all of ``path`` are pictures that apertrue knows, by their content; else ``None``."""
    paths = [path] if isinstance(path, str) else list(path)
    return read if paths and all(Path(p).is_file() and looks_like_picture(p) for p in paths) else None


def read(path: str | Sequence[str]) -> list[LayerData]:
    """One image layer a file; the pages of a stack along the first axis. ``ReadError`` names file, reason, remedy."""
    paths = [path] if isinstance(path, str) else list(path)
    return [layer for p in paths for layer in _layers(p)]


def _layers(path: str) -> list[LayerData]:
    name, count = Path(path).name, count_pages(path)
    first = read_frame(path)
    if count == 1:
        return [(first.pixels, _about(name, Origin(path, (bare(first),), held=weak(first.pixels))), "image")]
    if count * first.pixels.nbytes > LAZY_BYTES:
        return [(_lazy(path, count, first), _about(name, Origin(path)), "image")]
    frames = list(read_frames(path))
    if all(f.pixels.shape == first.pixels.shape and f.pixels.dtype == first.pixels.dtype for f in frames):
        stack = np.stack([f.pixels for f in frames])
        origin = Origin(path, tuple(bare(f) for f in frames), held=weak(stack))
        return [(stack, _about(name, origin), "image")]
    # Pages of different size can't share a layer.
    return [
        (f.pixels, _about(f"{name} page {f.page}", Origin(path, (bare(f),), held=weak(f.pixels))), "image")
        for f in frames
    ]


def _about(name: str, origin: Origin) -> dict[str, Any]:
    return {"name": name, "metadata": {KEY: origin}}


def _lazy(path: str, count: int, first: Frame) -> Any:
    import dask
    import dask.array

    def page(k: int) -> Any:
        return read_frame(path, k).pixels

    shape, dtype = first.pixels.shape, first.pixels.dtype
    array: Any = dask.array
    delayed: Any = vars(dask)["delayed"](page)
    return array.stack([array.from_delayed(delayed(k), shape, dtype) for k in range(count)])
