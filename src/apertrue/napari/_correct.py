"""Correcting an edge by hand: three points on it, dragging it, or keys. Pure; the window only brings positions."""

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

from ..fitting.circle import fit_circle_algebraic
from ..scene import Edge

#: Grabs an edge within this share of its radius, or this many px if that is more.
_GRAB, _GRAB_PX = 0.15, 6.0
_LEAST_RADIUS = 3.0


def through(points: Sequence[tuple[float, float]]) -> Edge:
    """The circle through three (x, y). ``ValueError`` with words for the user when they lie on a line."""
    try:
        fit = fit_circle_algebraic(points)
    except ValueError:
        raise ValueError("The three points lie on a line. Click three points far apart on the edge.") from None
    if fit.radius < _LEAST_RADIUS:
        raise ValueError("The three points lie too close together. Click three points far apart on the edge.")
    return Edge(fit.x, fit.y, fit.radius)


def grip(edge: Edge, x: float, y: float) -> str | None:
    """What a press at (x, y) takes hold of: ``rim``, ``center`` or ``None``."""
    distance = hypot(x - edge.x, y - edge.y)
    reach = max(_GRAB * edge.radius, _GRAB_PX)
    if abs(distance - edge.radius) <= reach:
        return "rim"
    return "center" if distance <= reach else None


def dragged(edge: Edge, held: str, start: tuple[float, float], to: tuple[float, float]) -> Edge:
    """The edge after a drag: by its center it moves, by its rim it grows or shrinks about its center."""
    if held == "center":
        return replace(edge, x=edge.x + to[0] - start[0], y=edge.y + to[1] - start[1], arcs=())
    change = hypot(to[0] - edge.x, to[1] - edge.y) - hypot(start[0] - edge.x, start[1] - edge.y)
    return replace(edge, radius=max(edge.radius + change, _LEAST_RADIUS), arcs=())


def keyed(edge: Edge, dx: float, dy: float, grow: float) -> Edge:
    """The edge after a key: moved by (dx, dy) px and larger by ``grow`` px."""
    return replace(edge, x=edge.x + dx, y=edge.y + dy, radius=max(edge.radius + grow, _LEAST_RADIUS), arcs=())
