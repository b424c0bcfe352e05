"""Edges, centers and the arrow of the needed move, drawn smoothly and readable on dark and bright ground."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from ..assessment import Assessment
from ..scene import Edge, Scene
from .arrow import Arrow, is_wanted, move_arrow
from .colors import APERTURE, BEAM, CASING, MOVE, UNKNOWN

# Lines are drawn this many times larger and reduced: Pillow draws without smoothing.
_FINE = 2

Points = list[tuple[float, float]]


def draw_marks(
    picture: Image.Image, scene: Scene, assessment: Assessment, scale: float, corner: tuple[int, int] = (0, 0)
) -> tuple[Image.Image, Arrow | None]:
    """``picture`` with all marks, and the arrow (``None`` = not drawn).

    Args:
        picture: RGB, as displayed.
        scene: the edges, in picture px.
        assessment: for the direction of the move.
        scale: displayed px per picture px.
        corner: (column, row) of the picture at which the displayed part begins.
    """
    layer = Image.new("RGBA", (picture.width * _FINE, picture.height * _FINE), (0, 0, 0, 0))
    pen = _Pen(layer, scale, corner)
    aperture, beam = scene.aperture, scene.beam
    if scene.edge is not None:
        pen.edge(scene.edge, UNKNOWN, dashed=False)
    if aperture is not None:
        pen.edge(aperture, APERTURE, dashed=True)
        pen.cross(aperture.x, aperture.y, APERTURE, diagonal=False)
    if beam is not None:
        pen.edge(beam, BEAM, dashed=False)
        pen.cross(beam.x, beam.y, BEAM, diagonal=True)
    arrow = None
    if aperture is not None and beam is not None and is_wanted(assessment.verdict, assessment.move_direction_deg):
        arrow = pen.arrow(move_arrow((beam.x, beam.y), (aperture.x, aperture.y), aperture.radius))
    smooth = layer.resize(picture.size, Image.Resampling.BOX)
    return Image.alpha_composite(picture.convert("RGBA"), smooth).convert("RGB"), arrow


class _Pen:
    """Draws in picture coordinates (center of the top-left pixel = (0, 0)) on an enlarged layer."""

    def __init__(self, layer: Image.Image, scale: float, corner: tuple[int, int]) -> None:
        self.draw = ImageDraw.Draw(layer)
        self.left, self.top = corner
        self.width, self.height = layer.size
        self.scale = scale
        self.unit = max(layer.size) / 620.0  # line widths follow the size, so that a print and a thumbnail both read

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a point of the picture lies on the layer."""
        return (x - self.left + 0.5) * self.scale * _FINE, (y - self.top + 0.5) * self.scale * _FINE

    def nearby(self, point: tuple[float, float]) -> bool:
        """Whether a point of the layer lies on it or not far outside."""
        return -self.width < point[0] < 2 * self.width and -self.height < point[1] < 2 * self.height

    def line(self, points: Points, color: str, width: float) -> None:
        """A line with a dark casing, so that it shows on bright ground too."""
        inner = max(1, round(width * self.unit))
        self.draw.line(points, fill=CASING, width=inner + max(2, round(1.6 * self.unit)), joint="curve")
        self.draw.line(points, fill=color, width=inner, joint="curve")

    def edge(self, edge: Edge, color: str, *, dashed: bool) -> None:
        """The edge: thick where it was seen, thin where the fit continues it."""
        # Pillow leaves gaps between segments shorter than the line is wide.
        n = int(np.clip(0.6 * edge.radius * self.scale * _FINE, 72, 720))
        outline = [self.at(x, y) for x, y in edge.outline(n)]
        # 0 = outside the frame by far: drawing it would cost much and show nothing.
        states = np.where([self.nearby(p) for p in outline], np.where(_seen(edge, n), 2, 1), 0)
        for part, state in _runs(states):
            points = [outline[i % n] for i in part]
            if state == 0 or len(points) < 2:
                continue
            visible = state == 2
            if dashed:
                for piece in _dashes(points, 8.0 * self.unit, 7.0 * self.unit):
                    self.line(piece, color, 2.4 if visible else 0.9)
            else:
                self.line(points, color, 2.4 if visible else 0.9)

    def cross(self, x: float, y: float, color: str, *, diagonal: bool) -> None:
        """A plus for the aperture's center, a diagonal cross for the beam's: shapes differ, not only colors."""
        cx, cy = self.at(x, y)
        if not self.nearby((cx, cy)):
            return
        r = 8.0 * self.unit * (0.75 if diagonal else 1.0)
        arms = ((-r, -r, r, r), (-r, r, r, -r)) if diagonal else ((-r, 0.0, r, 0.0), (0.0, -r, 0.0, r))
        for x0, y0, x1, y1 in arms:
            self.line([(cx + x0, cy + y0), (cx + x1, cy + y1)], color, 1.6)

    def arrow(self, arrow: Arrow | None) -> Arrow | None:
        """Draw it, if it lies in the picture; what was drawn."""
        if arrow is None or not self.nearby(self.at(*arrow.tip)):
            return None
        self.line([self.at(*arrow.tail), self.at(*arrow.neck)], MOVE, 2.4)
        triangle = [self.at(*arrow.tip), self.at(*arrow.left), self.at(*arrow.right)]
        self.draw.polygon(triangle, fill=MOVE, outline=CASING, width=max(1, round(0.8 * self.unit)))
        return arrow


def _seen(edge: Edge, n: int) -> NDArray[np.bool_]:
    """Which of the outline's ``n`` points carried the fit; all of them when the arcs are not told."""
    if not edge.arcs:
        return np.ones(n, bool)
    outline = edge.outline(n)
    angle = np.degrees(np.arctan2(-(outline[:, 1] - edge.y), outline[:, 0] - edge.x)) % 360
    seen = np.zeros(n, bool)
    for start, end in edge.arcs:
        width = (end - start) % 360 or (360.0 if end != start else 0.0)
        seen |= (angle - start) % 360 <= width
    return seen


def _runs(states: NDArray[np.int_]) -> Iterator[tuple[range, int]]:
    """Stretches of equal states round the circle, each with the first point of the next, so that lines join."""
    n = len(states)
    changes = np.flatnonzero(states != np.roll(states, 1))
    if changes.size == 0:
        yield range(n + 1), int(states[0])
        return
    for start, end in zip(changes, np.append(changes[1:], changes[0] + n), strict=True):
        yield range(int(start), int(end) + 1), int(states[start])


def _dashes(points: Points, on: float, off: float) -> Iterator[Points]:
    """Cut a line into dashes of ``on`` px with gaps of about ``off`` px, a whole number of both along it."""
    line = np.array(points)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    count = max(1, round(way[-1] / (on + off)))
    period = way[-1] / count
    for k in range(count):
        start, end = k * period, k * period + min(on, period)
        stops = np.concatenate([[start], way[(way > start) & (way < end)], [end]])
        yield [(float(np.interp(s, way, line[:, 0])), float(np.interp(s, way, line[:, 1]))) for s in stops]
