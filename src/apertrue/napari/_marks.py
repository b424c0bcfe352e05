"""Both edges, the centers and the arrow as line segments for one Vectors layer. No Qt, no formulas of its own."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..assessment import Assessment
from ..overlay.arrow import Arrow, is_wanted, move_arrow
from ..overlay.colors import APERTURE, BEAM, MOVE, UNKNOWN
from ..scene import Edge, Scene
from ._doubt import Doubt, doubt

Array = NDArray[np.float64]

#: Segments an edge.
SEGMENTS = 144
#: The aperture's edge is dashed: of so many segments …
_DASH = 6
#: … so many are drawn.
_DRAWN = 4
FAINT = "Faint lines: continued by the fit."
#: How strongly a stretch is drawn that the fit only continues.
_CONTINUED = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """What is drawn.

    Attributes:
        vectors: (n, 2, 2), start (row, column) and direction, px of the picture; what napari calls vectors.
        colors: (n, 4), RGBA 0–1.
        width: of the lines, px of the picture.
        arrow: of the needed move; ``None`` = none.
        doubt: the ring of the offset's doubt; ``None`` = there is no offset.
    """

    vectors: Array
    colors: Array
    width: float
    arrow: Arrow | None
    doubt: Doubt | None = None

    @property
    def words(self) -> str:
        """What is drawn beside edges and centers, where no legend tells it."""
        arrow = "" if self.arrow is None else f"Arrow: {self.arrow.words}."
        faint = FAINT if bool((self.colors[:, 3] < 1.0).any()) else ""
        return " ".join(s for s in (arrow, faint) if s)


def line_width(px: float) -> float:
    """Width of the lines, px of the picture, where ``px`` of them make a screen px."""
    return 2.2 * px


def marks(scene: Scene | None, assessment: Assessment | None, px: float = 1.0) -> Marks:
    """The marks of a result (none of ``None``).

    Args:
        scene: edges found, picture px.
        assessment: for the direction of the needed move.
        px: picture px to a screen px, for the lines' width.
    """
    pen = _Pen()
    arrow, ring = None, None
    if scene is not None:
        if scene.edge is not None:
            pen.edge(scene.edge, UNKNOWN, dashed=False)
        if scene.aperture is not None:
            pen.edge(scene.aperture, APERTURE, dashed=True)
            pen.cross(scene.aperture, APERTURE, diagonal=False)
        if scene.beam is not None:
            pen.edge(scene.beam, BEAM, dashed=False)
            pen.cross(scene.beam, BEAM, diagonal=True)
        wanted = assessment is not None and is_wanted(assessment.verdict, assessment.move_direction_deg)
        if wanted and scene.aperture is not None and scene.beam is not None:
            aperture, beam = scene.aperture, scene.beam
            arrow = pen.arrow(move_arrow((beam.x, beam.y), (aperture.x, aperture.y), aperture.radius))
        ring = None if assessment is None else doubt(scene, assessment, px)
        if ring is not None:
            pen.dots(ring.outline, BEAM)
    return pen.marks(line_width(px), arrow, ring)


def drawn(edge: Edge, whose: str, px: float = 1.0) -> Marks:
    """An edge that the user draws, while it is drawn: ``aperture`` or ``beam``."""
    pen = _Pen()
    pen.edge(edge, APERTURE if whose == "aperture" else BEAM, dashed=whose == "aperture")
    return pen.marks(line_width(px))


class _Pen:
    def __init__(self) -> None:
        self._lines: list[tuple[Array, Array, Array]] = []
        self._cased: list[tuple[Array, Array]] = []

    def line(
        self,
        start: Array,
        end: Array,
        color: str,
        strength: NDArray[np.float64] | float = 1.0,
        *,
        cased: bool = False,
    ) -> None:
        """Segments from ``start`` to ``end``, both (n, 2) as (x, y); ``cased`` ones show on bright ground too."""
        if cased:
            self._cased.append((start, end))
        rgba = np.empty((len(start), 4))
        rgba[:, :3] = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        rgba[:, 3] = strength
        self._lines.append((start, end, rgba))

    def edge(self, edge: Edge, color: str, *, dashed: bool) -> None:
        """The outline; fainter where the fit continues it."""
        points = edge.outline(SEGMENTS)
        ends = np.roll(points, -1, axis=0)
        strength = np.where(edge_seen(edge, 0.5 * (points + ends)), 1.0, _CONTINUED)
        keep = np.arange(SEGMENTS) % _DASH < (_DRAWN if dashed else _DASH)
        self.line(points[keep], ends[keep], color, strength[keep])

    def cross(self, edge: Edge, color: str, *, diagonal: bool) -> None:
        """A plus for the aperture's center, a diagonal cross for the beam's: shapes differ, not only colors."""
        r = 0.05 * edge.radius
        arms = np.array([[-r, -r, r, r], [-r, r, r, -r]] if diagonal else [[-r, 0, r, 0], [0, -r, 0, r]], float)
        at = np.array([edge.x, edge.y])
        self.line(at + arms[:, :2], at + arms[:, 2:], color, cased=True)

    def arrow(self, arrow: Arrow | None) -> Arrow | None:
        """Shaft and two wings; what was drawn."""
        if arrow is not None:
            starts, ends = np.array([arrow.tail, arrow.tip, arrow.tip]), np.array([arrow.tip, arrow.left, arrow.right])
            self.line(starts, ends, MOVE, cased=True)
        return arrow

    def dots(self, outline: Array, color: str) -> None:
        """Every other piece of a closed outline, (n, 2)."""
        if len(outline):
            self.line(outline[::2], np.roll(outline, -1, axis=0)[::2], color, cased=True)

    def marks(self, width: float, arrow: Arrow | None = None, ring: Doubt | None = None) -> Marks:
        """All lines, turned into (row, column)."""
        if not self._lines:
            return Marks(np.zeros((0, 2, 2)), np.zeros((0, 4)), width, None)
        lines = [*self._casing(width), *self._lines]
        start = np.concatenate([s for s, _, _ in lines])[:, ::-1]
        end = np.concatenate([e for _, e, _ in lines])[:, ::-1]
        colors = np.concatenate([c for *_, c in lines])
        return Marks(np.stack([start, end - start], axis=1), colors, width, arrow, ring)

    def _casing(self, width: float) -> Iterator[tuple[Array, Array, Array]]:
        """Dark lines on both sides of the cased ones; drawn first, as one layer has lines of one width only."""
        for start, end in self._cased:
            way = end - start
            along = way / np.maximum(np.hypot(*way.T), 1e-12)[:, None] * width
            across = 0.75 * np.stack([-along[:, 1], along[:, 0]], axis=1)
            black = np.tile([0.0, 0.0, 0.0, 1.0], (len(start), 1))
            for side in (across, -across):
                yield start - 0.4 * along + side, end + 0.4 * along + side, black


def edge_seen(edge: Edge, points: Array) -> NDArray[np.bool_]:
    """Which of the points (x, y) on the edge lie on arcs that carried the fit; all when the arcs are not told."""
    if not edge.arcs:
        return np.ones(len(points), bool)
    angle = np.degrees(np.arctan2(-(points[:, 1] - edge.y), points[:, 0] - edge.x)) % 360
    seen = np.zeros(len(points), bool)
    for start, end in edge.arcs:
        seen |= (angle - start) % 360 <= ((end - start) % 360 or (360.0 if end != start else 0.0))
    return seen
