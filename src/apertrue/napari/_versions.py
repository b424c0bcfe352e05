"""Where versions of napari differ."""

from typing import Any


def camera_of(viewer: Any) -> Any:
    """The viewer's camera: ``viewer.scene.camera`` from napari 0.9 on, ``viewer.camera`` before."""
    scene = getattr(viewer, "scene", None)
    return viewer.camera if scene is None else scene.camera
