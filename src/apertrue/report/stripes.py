"""The timeline by session: each session a stripe, so that months of short sessions stay readable."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from markupsafe import Markup, escape

from .charts import LINE_WORDS, Axis, Point, limit_line, mark, outward, scale, svg

WIDTH, HEIGHT = 1240, 330
_LEFT, _RIGHT, _TOP, _BOTTOM = 66, 14, 14, 46
#: More sessions than this would be too narrow to read.
MOST_STRIPES = 150


@dataclass(frozen=True, slots=True)
class Stripe:
    """One session: label below, and points with x in hours since its start."""

    label: str
    points: tuple[Point, ...]


def stripes(
    title: str, summary: str, sessions: Sequence[Stripe], y: Axis, lines: Sequence[tuple[float, str]] = ()
) -> Markup:
    """Sessions side by side; within each, time runs from left to right on the same scale.

    Args:
        title: heading for a screen reader.
        summary: the picture in words, for the same.
        sessions: in order of time.
        y: the vertical axis; points beyond its limits lie on its rim, with an arrowhead.
        lines: (y, words) horizontal limits.
    """
    right = WIDTH - (LINE_WORDS if lines else _RIGHT)
    room = (right - _LEFT) / max(len(sessions), 1)
    longest = max((p.x for s in sessions for p in s.points), default=0.0) or 1.0
    values = [p.y for s in sessions for p in s.points] + [v for v, _ in lines]
    to_y, ticks = scale(values, y, HEIGHT - _BOTTOM, _TOP)
    bottom = HEIGHT - _BOTTOM
    parts = [
        f'<rect class="stripe" x="{_LEFT + i * room:.1f}" y="{_TOP}" width="{room:.1f}" height="{bottom - _TOP}"/>'
        for i in range(0, len(sessions), 2)
    ]
    parts.append(f'<path class="grid" d="{"".join(f"M{_LEFT} {at:.1f}H{right}" for at, _ in ticks)}"/>')
    parts.append(f'<path class="axis" d="M{_LEFT} {_TOP}V{bottom}H{right}"/>')
    for at, words in ticks:
        parts.append(
            f'<text class="axis-text" x="{_LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">{escape(words)}</text>'
        )
    every = ceil(max((len(s.label) for s in sessions), default=1) * 7.6 / max(room, 1e-9))
    for i, session in enumerate(sessions):
        begin = _LEFT + i * room
        if i % every == 0 and begin + room / 2 < right - 24:
            parts.append(f'<path class="axis" d="M{begin + room / 2:.1f} {bottom}v4"/>')
            parts.append(
                f'<text class="axis-text" x="{begin + room / 2:.1f}" y="{bottom + 17}" text-anchor="middle">'
                f"{escape(session.label)}</text>"
            )
        margin = min(4.0, 0.15 * room)
        for p in session.points:
            place = begin + margin + (room - 2 * margin) * p.x / longest
            parts.append(mark(place, min(max(to_y(p.y), float(_TOP)), float(bottom)), p.kind))
            if to_y(p.y) < _TOP - 0.05:
                parts.append(outward(place, float(_TOP), 0.0, -1.0))
    parts += [limit_line(to_y(value), _LEFT, right, words) for value, words in lines]
    middle = (_TOP + bottom) / 2
    parts.append(
        f'<text class="axis-label" x="14" y="{middle:.0f}" text-anchor="middle" '
        f'transform="rotate(-90 14 {middle:.0f})">{escape(y.label)}</text>'
        f'<text class="axis-label" x="{(_LEFT + right) / 2:.0f}" y="{HEIGHT - 6}" text-anchor="middle">'
        f"sessions; in each, {longest:.1f} h from left to right</text>"
    )
    return svg(title, summary, "".join(parts), WIDTH, HEIGHT, "wide")
