"""Small charts as inline SVG.

Drawn here and not by a plotting library: they follow the page's light and dark colors, stay text that screen readers
and searches find, weigh a tenth, are the same bytes everywhere, and need no optional part. Pure functions of numbers.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from math import ceil, floor, inf, isfinite, log10

from markupsafe import Markup, escape

WIDTH, HEIGHT = 640, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 66, 14, 12, 46
#: Room at the right for the words of limit lines, where no point can lie under them.
LINE_WORDS = 84
#: More points than this are thinned: a picture of a cloud needs no more.
MOST_POINTS = 4000


@dataclass(frozen=True, slots=True)
class Point:
    """One point: place, class for its color and shape (a verdict, or ``plain``), and a number to find its picture."""

    x: float
    y: float
    kind: str = "plain"


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: label, limits (``None`` = from the data), whether it is a time in s since 1970 (shown in ``zone``, UTC
    without one), and whether it is logarithmic.
    """

    label: str
    low: float | None = None
    high: float | None = None
    time: bool = False
    zone: tzinfo | None = None
    log: bool = False


def scatter(
    title: str,
    summary: str,
    points: Sequence[Point],
    x: Axis,
    y: Axis,
    *,
    lines: Sequence[tuple[float, str]] = (),
    bars: Sequence[tuple[float, float, float, float]] = (),
    paths: Sequence["Trace"] = (),
    marks: Sequence[tuple[float, str]] = (),
) -> Markup:
    """Points over two axes.

    Args:
        title: heading for a screen reader.
        summary: the picture in words, for the same.
        points: the data; drawn in the order given.
        x: the horizontal axis.
        y: the vertical axis.
        lines: (y, words) horizontal limits.
        bars: (x from, x to, y, σ of y): values for a stretch of x, with an error bar.
        paths: lines with their bands, below the points.
        marks: (x, letter) vertical lines, such as what was done when.
    """
    shown = [p for p in points if isfinite(p.x) and isfinite(p.y)]
    step = max(1, ceil(len(shown) / MOST_POINTS))
    shown = shown[::step]
    xs = [p.x for p in shown] + [v for b in bars for v in b[:2]] + [v for q in paths for v in q.x]
    ys = [p.y for p in shown] + [v for b in bars for v in (b[2] - b[3], b[2] + b[3])] + [value for value, _ in lines]
    ys += [v for q in paths for v in (*q.y, *(w for band in q.bands for w in (*band[0], *band[1]))) if isfinite(v)]
    xs += [at for at, _ in marks] if x.low is None else []
    right = WIDTH - (LINE_WORDS if lines else _RIGHT)
    to_x, x_ticks = scale(xs, x, _LEFT, right)
    to_y, y_ticks = scale(ys, y, HEIGHT - _BOTTOM, _TOP)
    parts = [_frame(x_ticks, y_ticks, x.label, y.label, right)]
    top, bottom = float(_TOP), float(HEIGHT - _BOTTOM)

    def inside(value: float) -> float:
        return min(max(to_y(value), top), bottom)

    for path in paths:
        parts.append(_trace(path, to_x, inside))
    parts += _vertical(marks, to_x)
    parts += [limit_line(to_y(value), _LEFT, right, words) for value, words in lines]
    parts += [mark(to_x(p.x), inside(p.y), p.kind) for p in shown]
    parts += [outward(to_x(p.x), top, 0.0, -1.0) for p in shown if to_y(p.y) < top - 0.05]
    for low, high, value, sigma in bars:
        middle = (to_x(low) + to_x(high)) / 2
        parts.append(
            f'<path class="bar" d="M{to_x(low) + 2:.1f} {to_y(value):.1f}H{to_x(high) - 2:.1f}'
            f'M{middle:.1f} {inside(value - sigma):.1f}V{inside(value + sigma):.1f}"/>'
        )
    return svg(title, summary, "".join(parts), WIDTH, HEIGHT)


def limit_line(place: float, left: float, right: float, words: str) -> str:
    """A dashed level across the plot, its words beside it in the margin (:data:`LINE_WORDS`)."""
    return (
        f'<path class="limit" d="M{left} {place:.1f}H{right + 6}"/>'
        f'<text class="limit-text" x="{right + LINE_WORDS - 4}" y="{place + 4:.1f}">{escape(words)}</text>'
    )


def outward(x: float, y: float, dx: float, dy: float) -> str:
    """An open arrowhead beyond a point that is drawn on the rim at (x, y): it lies farther that way (a unit vector)."""
    tip_x, tip_y = x + 11 * dx, y + 11 * dy
    back = [(tip_x - 4.5 * dx - side * 4 * dy, tip_y - 4.5 * dy + side * 4 * dx) for side in (1, -1)]
    a, b = (f"{u:.1f} {v:.1f}" for u, v in back)
    return f'<path class="beyond" d="M{a}L{tip_x:.1f} {tip_y:.1f}L{b}"/>'


@dataclass(frozen=True, slots=True)
class Trace:
    """A line with bands around it.

    Attributes:
        x, y: its points; a y that is not finite breaks the line.
        kind: class for color and dashes: ``positive``, ``negative``, ``fit``, ``doubtful``.
        bands: (lower y, upper y) at the same x, widest first.
    """

    x: Sequence[float]
    y: Sequence[float]
    kind: str = "fit"
    bands: Sequence[tuple[Sequence[float], Sequence[float]]] = ()


def _trace(path: Trace, to_x: Callable[[float], float], to_y: Callable[[float], float]) -> str:
    parts = []
    for low, high in path.bands:
        there = [(to_x(x), to_y(v)) for x, v in zip(path.x, high, strict=True) if isfinite(v)]
        back = [(to_x(x), to_y(v)) for x, v in zip(path.x, low, strict=True) if isfinite(v)]
        if there and back:
            corners = "L".join(f"{a:.1f} {b:.1f}" for a, b in [*there, *reversed(back)])
            parts.append(f'<path class="band {escape(path.kind)}" d="M{corners}Z"/>')
    line, pen = "", "M"
    for x, y in zip(path.x, path.y, strict=True):
        if isfinite(y):
            line, pen = line + f"{pen}{to_x(x):.1f} {to_y(y):.1f}", "L"
        else:
            pen = "M"
    return "".join([*parts, f'<path class="line {escape(path.kind)}" d="{line}"/>' if line else ""])


def _vertical(marks: Sequence[tuple[float, str]], to_x: Callable[[float], float]) -> list[str]:
    """Vertical lines, each with its letter unless that would print over the one before."""
    parts, last = [], -1e9
    for at, words in sorted(marks):
        place = to_x(at)
        parts.append(f'<path class="mark" d="M{place:.1f} {_TOP}V{HEIGHT - _BOTTOM}"/>')
        if place - last >= 9 * max(len(words), 1):
            parts.append(f'<text class="mark-text" x="{place + 2:.1f}" y="{_TOP + 10}">{escape(words)}</text>')
            last = place
    return parts


def histogram(
    title: str, summary: str, values: Sequence[tuple[float, str]], x: Axis, kinds: Sequence[str], bins: int = 25
) -> Markup:
    """Stacked counts of (value, kind) pairs over ``x`` (which needs limits), stacked in the order of ``kinds``."""
    assert x.low is not None
    assert x.high is not None
    width = (x.high - x.low) / bins
    counts = {k: [0] * bins for k in kinds}
    for value, kind in values:
        if kind in counts and isfinite(value):
            counts[kind][min(max(int((value - x.low) / width), 0), bins - 1)] += 1
    top = max(sum(counts[k][i] for k in kinds) for i in range(bins))
    to_x, x_ticks = scale([], x, _LEFT, WIDTH - _RIGHT)
    to_y, y_ticks = scale([0, max(top, 1)], Axis("pictures", 0), HEIGHT - _BOTTOM, _TOP)
    parts = [_frame(x_ticks, [t for t in y_ticks if t[1].isdigit()], x.label, "pictures")]
    for i in range(bins):
        below = 0
        for k in kinds:
            if n := counts[k][i]:
                left, right = to_x(x.low + i * width) + 0.7, to_x(x.low + (i + 1) * width) - 0.7
                upper, lower = to_y(below + n), to_y(below)
                parts.append(
                    f'<rect class="fill {escape(k)}" x="{left:.1f}" y="{upper:.1f}" '
                    f'width="{right - left:.1f}" height="{lower - upper:.1f}"/>'
                )
                below += n
    return svg(title, summary, "".join(parts), WIDTH, HEIGHT)


#: Shapes by kind; all others are circles.
_SHAPES = {"nudge": 1, "auto": 2, "retake": 3, "negative": 2, "set1": 1, "set2": 2, "set3": 3, "set4": 4, "set5": 5}


def mark(x: float, y: float, kind: str) -> str:
    """A shape of its own for each verdict, side or setting, so that color is not needed to tell them apart."""
    shape = _SHAPES.get(kind, 0)
    if shape == 0:
        return f'<circle class="dot {escape(kind)}" cx="{x:.1f}" cy="{y:.1f}" r="2.7"/>'
    d = (
        f"M{x:.1f} {y - 3.6:.1f}l3.4 6h-6.8z",
        f"M{x - 2.8:.1f} {y - 2.8:.1f}h5.6v5.6h-5.6z",
        f"M{x:.1f} {y - 3.8:.1f}l3.8 3.8-3.8 3.8-3.8-3.8z",
        f"M{x:.1f} {y + 3.6:.1f}l3.4-6h-6.8z",
        f"M{x - 1.2:.1f} {y - 3.6:.1f}h2.4v2.4h2.4v2.4h-2.4v2.4h-2.4v-2.4h-2.4v-2.4h2.4z",
    )[shape - 1]
    return f'<path class="dot {escape(kind)}" d="{d}"/>'


def svg(title: str, summary: str, body: str, width: int, height: int, extra: str = "") -> Markup:
    """A chart's element around ``body``, with its words for those who don't see it."""
    return Markup(  # noqa: S704 numbers and escaped text only
        f'<svg class="chart {extra}" viewBox="0 0 {width} {height}" role="img">'
        f"<title>{escape(title)}</title><desc>{escape(summary)}</desc>{body}</svg>"
    )


def _frame(
    x_ticks: Sequence[tuple[float, str]],
    y_ticks: Sequence[tuple[float, str]],
    x: str,
    y: str,
    right: float = WIDTH - _RIGHT,
) -> str:
    bottom, middle = HEIGHT - _BOTTOM, (_TOP + HEIGHT - _BOTTOM) / 2
    parts = [f'<path class="grid" d="{"".join(f"M{_LEFT} {at:.1f}H{right}" for at, _ in y_ticks)}"/>']
    parts.append(f'<path class="axis" d="M{_LEFT} {_TOP}V{bottom}H{right}"/>')
    for at, words in x_ticks:
        parts.append(
            f'<path class="axis" d="M{at:.1f} {bottom}v4"/>'
            f'<text class="axis-text" x="{at:.1f}" y="{bottom + 17}" '
            f'text-anchor="{_anchor(at, len(words), right)}">{escape(words)}</text>'
        )
    for at, words in y_ticks:
        parts.append(
            f'<text class="axis-text" x="{_LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">{escape(words)}</text>'
        )
    parts.append(
        f'<text class="axis-label" x="{(_LEFT + right) / 2:.0f}" y="{HEIGHT - 8}" text-anchor="middle">'
        f"{escape(x)}</text>"
        f'<text class="axis-label" transform="translate(13 {middle:.0f}) rotate(-90)" '
        f'text-anchor="middle">{escape(y)}</text>'
    )
    return "".join(parts)


def _anchor(at: float, letters: int, right: float) -> str:
    """Words at a place near the right rim end there instead of running over it."""
    return "end" if at + 4.8 * letters > right + _RIGHT else "middle"


def scale(
    values: Sequence[float], axis: Axis, start: float, end: float
) -> tuple[Callable[[float], float], list[tuple[float, str]]]:
    """A function value → place between ``start`` and ``end``, and the ticks as (place, words)."""
    low = axis.low if axis.low is not None else min(values, default=0.0)
    high = axis.high if axis.high is not None else max(values, default=1.0)
    if high <= low:
        low, high = (low - 43200, low + 43200) if axis.time else (low - 0.5, low + 0.5)
    if axis.time and high - low < _SHORTEST_TIME:
        low, high = (low + high - _SHORTEST_TIME) / 2, (low + high + _SHORTEST_TIME) / 2
    if axis.log:
        return _log_scale(low, high, start, end)
    if axis.time:
        margin = 0.02 * (high - low)
        low, high = low - margin, high + margin
        ticks = _time_ticks(low, high, axis.zone or UTC)
    else:
        step = _nice((high - low) / 5)
        low = low if axis.low is not None else floor(low / step) * step
        high = high if axis.high is not None else ceil(high / step) * step
        digits = max(0, -floor(log10(step)))
        first, count = ceil(low / step - 1e-9), floor((high - low) / step + 1e-9)
        ticks = [((first + i) * step, f"{(first + i) * step:.{digits}f}".replace("-", "−")) for i in range(count + 1)]
        ticks = [t for t in ticks if t[0] <= high * (1 + 1e-12) + 1e-12]

    def to(value: float) -> float:
        return start + (value - low) / (high - low) * (end - start)

    return to, [(to(value), words) for value, words in ticks]


def _log_scale(
    low: float, high: float, start: float, end: float
) -> tuple[Callable[[float], float], list[tuple[float, str]]]:
    """A logarithmic scale (values above 0); ticks at 1, 2, 5, or at powers of ten over more than three decades."""
    low = max(low, 1e-12)
    a, b = log10(low), log10(max(high, low * 1.0001))
    margin = max(0.04 * (b - a), 0.02)
    a, b = a - margin, b + margin
    steps = (1.0,) if b - a > 3.2 else (1.0, 2.0, 5.0)
    ticks = [m * 10.0**e for e in range(floor(a), ceil(b) + 1) for m in steps if a <= log10(m * 10.0**e) <= b]

    def to(value: float) -> float:
        return start + (log10(max(value, 1e-12)) - a) / (b - a) * (end - start)

    return to, [(to(t), f"{t:g}") for t in ticks]


def _nice(step: float) -> float:
    power = 10.0 ** floor(log10(step))
    return next(m for m in (1, 2, 5, 10) if m * power >= step * 0.999) * power


#: A time axis holds at least this many seconds, so that it has more than one tick.
_SHORTEST_TIME = 60.0
#: How a tick is written, the first that fits: (for ticks closer than, on an axis shorter than, format), both in s.
_TIME_WORDS = (
    (60, inf, "%H:%M:%S"),
    (inf, 86400, "%H:%M"),
    (86400, inf, "%m-%d %H:%M"),
    (inf, 40 * 86400, "%m-%d"),
    (inf, inf, "%Y-%m-%d"),
)


def _time_ticks(low: float, high: float, zone: tzinfo) -> list[tuple[float, str]]:
    """About five ticks at full minutes, hours, days or months of ``zone``."""
    span = high - low
    if span > 150 * 86400:
        first = datetime.fromtimestamp(low, UTC)
        months = max(1, round(span / 86400 / 30.44 / 5))
        index = first.year * 12 + first.month
        ticks: list[tuple[float, str]] = []
        while True:
            when = datetime(index // 12, index % 12 + 1, 1, tzinfo=UTC).timestamp()
            if when > high:
                return ticks
            ticks.append((when, datetime.fromtimestamp(when, UTC).strftime("%Y-%m")))
            index += months
    steps = (
        *(15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200),
        *(86400, 2 * 86400, 5 * 86400, 7 * 86400, 14 * 86400, 30 * 86400),
    )
    step = next((s for s in steps if span / s <= 6), steps[-1])
    words = next(how for below, longest, how in _TIME_WORDS if step < below and span < longest)
    offset = datetime.fromtimestamp(low, zone).utcoffset()
    ahead = offset.total_seconds() if offset is not None else 0.0
    first_tick = ceil((low + ahead) / step) * step - ahead
    count = int((high - first_tick) // step) + 1
    return [
        (first_tick + i * step, datetime.fromtimestamp(first_tick + i * step, zone).strftime(words))
        for i in range(count)
    ]
