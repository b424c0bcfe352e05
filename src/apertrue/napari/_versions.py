"""Where versions of napari and of the Qt binding differ."""

import sys
from collections.abc import Callable
from typing import Any


def camera_of(viewer: Any) -> Any:
    """The viewer's camera: ``viewer.scene.camera`` from napari 0.9 on, ``viewer.camera`` before."""
    scene = getattr(viewer, "scene", None)
    return viewer.camera if scene is None else scene.camera


def unwrapped(viewer: Any) -> Any:
    """The viewer itself: a widget opened from the menu gets a wrapper round it.

    That one wraps what it hands out, too, each time anew, while events bring the layers themselves: none of them would
    ever be the layer that a widget remembers. The wrapper guards private parts, of which the widgets use none.
    """
    return getattr(viewer, "__wrapped__", viewer)


def canvas_of(viewer: Any) -> Any:
    """The Qt widget that the viewer is drawn on; ``None`` for a viewer without a window."""
    window = getattr(getattr(viewer, "window", None), "_qt_viewer", None)
    return getattr(getattr(window, "canvas", None), "native", None)


def without_thumbnail(layer: Any) -> Any:
    """The layer, with a blank small picture in the layer list: drawing it anew for each of our updates cost a third."""
    if hasattr(layer, "_update_thumbnail"):
        layer._update_thumbnail = lambda: None
    return layer


def keep_program(layer: Any) -> bool:
    """Let a shown Vectors layer's drawing program be built once; returns whether that could be had.

    vispy's mesh takes a new color function with each change of data, and so has its program compiled and linked anew
    (vispy 0.17): that takes a third of drawing the lines, and each time some drivers keep a part (1.7 kB in Mesa's
    software one). The colors' kind never changes here, so neither does the function.
    """
    # What draws the layer is found among those who listen to it: plugins are denied the way through the window.
    listeners = (c[0]() for c in getattr(layer.events.edge_color, "callbacks", ()) if isinstance(c, tuple))
    node = next((x.node for x in listeners if hasattr(x, "node")), None)
    build = getattr(node, "_build_color_transform", None)
    if node is None or build is None:
        return False
    made: list[Any] = []

    def kept(colors: Any) -> Any:
        if colors.ndim == 2 and colors.shape[1] == 1:  # values for a color map
            return build(colors)
        made[:] = made or [build(colors)]
        return made[0]

    node._build_color_transform = kept
    return True


def keep_constants() -> bool:
    """Keep a fault of PySide6 6.12 under Python 3.11 from ending napari; returns whether it had to.

    There, each Qt method that returns nothing takes a reference to ``None`` away, and each signal sent one to ``True``
    (measured: 6.12.0 one a call, 6.8 to 6.11 none; from Python 3.12 on these constants are not counted). A live layer
    takes some 600 a picture, and Python ends the program when none is left. So many references are added that it can't
    happen.
    """
    binding = sys.modules.get("PySide6")
    if sys.version_info >= (3, 12) or sys.implementation.name != "cpython" or binding is None:
        return False
    if tuple(getattr(binding, "__version_info__", ()))[:2] != (6, 12) or sys.getrefcount(None) > 2**40:
        return False
    import ctypes

    # An object's first word is its count, in all builds but those made to trace references.
    if hasattr(sys, "getobjects"):
        return False
    for constant in (None, True, False):
        ctypes.c_ssize_t.from_address(id(constant)).value += 2**48
    return True


def bind(viewer: Any, key: str, slot: Callable[[], None]) -> Callable[[Any], None] | None:
    """Let a key on the canvas call ``slot``; ``None`` where the key is taken (it then stays with whom it belongs to)."""

    def pressed(_viewer: Any) -> None:
        slot()

    try:
        viewer.bind_key(key, pressed)
    except ValueError:
        return None
    return pressed


def unbind(viewer: Any, bound: Callable[[Any], None] | None) -> None:
    """Give a key back."""
    keymap = viewer.keymap
    for name in [k for k, v in keymap.items() if bound is not None and v is bound]:
        del keymap[name]
