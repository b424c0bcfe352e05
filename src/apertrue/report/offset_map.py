"""The map of offsets: where the beam lay, as seen from the aperture's center."""

from collections.abc import Sequence
from math import ceil, cos, hypot, isfinite, radians, sin

from markupsafe import Markup, escape

from .charts import MOST_POINTS, Point, mark, outward, svg


def map_reach(points: Sequence[Point], rings: Sequence[tuple[float, str]]) -> float:
    """The offset at the rim of an :func:`offset_map`: all rings and 99 % of the points lie within."""
    lengths = sorted(hypot(p.x, p.y) for p in points if isfinite(p.x) and isfinite(p.y))
    high = lengths[int(0.99 * (len(lengths) - 1))] if lengths else 0.0
    return max(1.15 * high, 1.3 * max((r for r, _ in rings), default=10.0))


def offset_map(
    title: str, summary: str, points: Sequence[Point], rings: Sequence[tuple[float, str]], reach: float
) -> Markup:
    """Offsets in the aperture plane, % of the aperture radius: x right, y up as seen; circles at ``rings``.

    Points beyond ``reach`` (see :func:`map_reach`) lie on the rim, each with an arrowhead outward.
    """
    size, middle, room = 420, 210.0, 186.0
    shown = [p for p in points if isfinite(p.x) and isfinite(p.y)]
    shown = shown[:: max(1, ceil(len(shown) / MOST_POINTS))]
    k = room / reach
    parts = [
        f'<circle class="grid" cx="{middle}" cy="{middle}" r="{room}"/>'
        f'<path class="grid" d="M{middle - room} {middle}H{middle + room}M{middle} {middle - room}V{middle + room}"/>'
    ]
    places = []
    for p in shown:
        length = hypot(p.x, p.y)
        shrink = min(1.0, reach / length) if length else 1.0  # beyond the rim: on the rim
        places.append((middle + p.x * k * shrink, middle - p.y * k * shrink))
        parts.append(mark(*places[-1], p.kind))
        if shrink < 1.0:
            parts.append(outward(*places[-1], p.x / length, -p.y / length))
    boxes: list[_Box] = []
    for radius, words in rings:
        if radius <= reach:
            r = radius * k
            x, y, anchor, box = _free_place(middle, r, words, places, boxes)
            boxes.append(box)
            parts.append(
                f'<circle class="limit" cx="{middle}" cy="{middle}" r="{r:.1f}"/>'
                f'<text class="ring-text" text-anchor="{anchor}" x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>'
            )
    parts.append(f'<text class="axis-text" x="{middle}" y="{size - 4}" text-anchor="middle">rim: {reach:.0f} %</text>')
    return svg(title, summary, "".join(parts), size, size, "map")


_Box = tuple[float, float, float, float]


def _free_place(
    middle: float, r: float, words: str, points: Sequence[tuple[float, float]], boxes: Sequence[_Box]
) -> tuple[float, float, str, _Box]:
    """Where around a ring its words cover the fewest points and no other words: (x, y, anchor, box)."""
    best: tuple[float, float, float, str, _Box] | None = None
    for degrees in (45, 315, 135, 225, 15, 345, 165, 195, 75, 285, 105, 255):
        dx, dy = cos(radians(degrees)), -sin(radians(degrees))
        x, y = middle + dx * r + (4 if dx > 0 else -4), middle + dy * r + (12 if dy > 0 else -4)
        wide = 6.6 * len(words)
        left = x if dx > 0 else x - wide
        box = (left - 4, y - 14, left + wide + 4, y + 6)
        covered = sum(box[0] < a < box[2] and box[1] < b < box[3] for a, b in points)
        meets = any(box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in boxes)
        outside = box[0] < 0 or box[2] > 2 * middle
        cost = covered + 1e6 * (meets + outside)
        if best is None or cost < best[0]:
            best = (cost, x, y, "start" if dx > 0 else "end", box)
    assert best is not None
    return best[1:]
