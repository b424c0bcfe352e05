"""The report's charts and small tables: from summaries to drawings. No formulas here."""

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from math import hypot

import numpy as np

from ..current.answers import covered_foci, current_at
from ..current.curve import CurrentModel, side_of
from ..current.recall import RecallSummary
from ..instrument.settings import Limits
from ..registry.format import as_current, format_number
from ..report.archive import Chart, Section, Table
from ..report.charts import Axis, Point, Trace, histogram, scatter
from ..report.offset_map import map_reach, offset_map
from ..report.stripes import MOST_STRIPES, Stripe, stripes
from .history import Curve, History
from .pictures import Picture
from .summary import Series, Summary

MEASURED = ("leave", "nudge", "auto", "retake")
_VERDICT_KEY = {"leave": "leave", "nudge": "nudge", "auto": "automatic routine", "retake": "can't tell"}
#: Foci at which a curve is drawn.
_STEPS = 41
_MOST_SETTINGS = 6


def key_of(kinds: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """(kind, words) of the verdicts among ``kinds``, in their order."""
    return tuple((k, w) for k, w in _VERDICT_KEY.items() if k in kinds)


def picture_charts(pictures: Sequence[Picture], s: Summary, limits: Limits, timeline: Chart | None) -> list[Chart]:
    """Where the beam lay and what it cost. ``timeline`` replaces the one by session."""
    judged = [p for p in pictures if p.kind in MEASURED]
    charts = [timeline] if timeline is not None else _timeline(s, limits)
    placed = [(p, p.vector) for p in judged if p.vector is not None]
    if placed:
        rings = [
            (limits.offset_leave, f"leave {limits.offset_leave:g} %"),
            (limits.offset_nudge, f"nudge {limits.offset_nudge:g} %"),
        ]
        clips = clipping_begins(judged)
        words = (
            f"Where the beam lay in {len(placed)} pictures, seen from the aperture's center (up is up on the screen)."
        )
        if clips is not None:
            rings.append((clips, f"clipping begins {clips:.0f} %"))
            words += f" Beams of the usual radius are clipped beyond {clips:.0f} %."
        points = [Point(v[0], -v[1], p.kind) for p, v in placed]
        reach = map_reach(points, rings)
        words += _on_the_rim(sum(hypot(q.x, q.y) > reach for q in points), f"beyond {reach:.0f} %", "outward")
        drawing = offset_map("Offset map", words, points, rings, reach)
        key = key_of([p.kind for p, _ in placed])
        charts.append(Chart("Offsets in the aperture plane", drawing, words, key=key, tall=True))
    scored = [(p.working_score, p.kind) for p in judged if p.working_score is not None]
    if len(scored) >= 5:
        lowest = min(v for v, _ in scored)
        low = 0.0 if lowest < 50 else 50.0 if lowest < 80 else 80.0
        words = (
            f"How often which working score was seen ({len(scored)} pictures). 100 is all the current there is to have; "
            f"{limits.score_leave:g} is the limit for leaving it, {limits.score_nudge:g} that for a nudge."
        )
        drawing = histogram("Working scores", words, scored, Axis("working score", low, 100.0), MEASURED)
        charts.append(Chart("Distribution of working scores", drawing, words, key=key_of([k for _, k in scored])))
    return charts


def _on_the_rim(count: int, which: str, way: str) -> str:
    """A sentence about points that are drawn nearer than they lie; nothing without any."""
    if not count:
        return ""
    return f" {count} {which} {'lies' if count == 1 else 'lie'} on the rim, with an arrowhead {way}."


def _timeline(s: Summary, limits: Limits) -> list[Chart]:
    timed = [x for x in s.sessions if x.start is not None]
    shown = [(x, [p for p in x.measured if p.when is not None and p.offset is not None]) for x in timed]
    shown = [(x, some) for x, some in shown if some]
    if not shown:
        return []
    count = sum(len(some) for _, some in shown)
    heights = [float(p.offset or 0.0) for _, some in shown for p in some]
    top = min(max(1.1 * max(heights), 1.3 * limits.offset_leave), 100.0)
    axis = Axis("offset, % of the aperture radius", 0.0, top)
    lines = [(v, w) for v, w in _limit_lines(limits) if v < top]
    words = (
        f"Offset of {count} picture{'s' if count != 1 else ''} in {len(shown)} session{'s' if len(shown) != 1 else ''}; "
        "the dashed lines are the limits."
    )
    words += _on_the_rim(sum(v > top for v in heights), f"beyond {top:.0f} %", "upward")
    key = key_of([p.kind for _, some in shown for p in some])
    if len(shown) == 1 or len(shown) > MOST_STRIPES:
        points = [Point(p.when or 0.0, float(p.offset or 0.0), p.kind) for _, some in shown for p in some]
        drawing = scatter("Timeline", words, points, Axis("time (UTC)", time=True), axis, lines=lines)
        return [Chart("Timeline", drawing, words, key=key)]
    years = {datetime.fromtimestamp(x.start or 0.0, UTC).year for x, _ in shown}
    form = "%m-%d" if len(years) == 1 else "%y-%m-%d"
    made = [
        Stripe(
            datetime.fromtimestamp(x.start or 0.0, UTC).strftime(form),
            tuple(Point(((p.when or 0.0) - (x.start or 0.0)) / 3600.0, float(p.offset or 0.0), p.kind) for p in some),
        )
        for x, some in shown
    ]
    drawing = stripes("Timeline by session", words, made, axis, lines)
    return [Chart("Timeline by session", drawing, f"{words} Each stripe is one session.", wide=True, key=key)]


def _limit_lines(limits: Limits) -> list[tuple[float, str]]:
    return [
        (limits.offset_leave, f"leave {limits.offset_leave:g} %"),
        (limits.offset_nudge, f"nudge {limits.offset_nudge:g} %"),
    ]


def day_timeline(
    pictures: Sequence[Picture], marks: Sequence[tuple[float, str]], limits: Limits, zone: tzinfo, words: str
) -> Chart | None:
    """The timeline of a session: offset against time of day, with what was done as letters."""
    timed = [p for p in pictures if p.when is not None and p.offset is not None]
    if not timed:
        return None
    top = max(1.15 * max(float(p.offset or 0.0) for p in timed), 1.3 * limits.offset_leave)
    lines = [(v, w) for v, w in _limit_lines(limits) if v < top]
    some = f"{len(timed)} picture{'s' if len(timed) != 1 else ''}"
    text = f"Offset of {some} over the time of day; the dashed lines are the limits. {words}".strip()
    drawing = scatter(
        "Timeline",
        text,
        [Point(p.when or 0.0, float(p.offset or 0.0), p.kind) for p in timed],
        Axis("time", time=True, zone=zone),
        Axis("offset, % of the aperture radius", 0.0, top),
        lines=lines,
        marks=marks,
    )
    return Chart("Timeline", drawing, text, key=key_of([p.kind for p in timed]))


def drift_chart(s: Summary) -> list[Chart]:
    """Speed of the beam against hours since the session's start."""
    if len(s.pairs) < 3:
        return []
    late = {
        x.name for x in s.sessions if s.drift_since is not None and x.start is not None and x.start >= s.drift_since
    }
    words = f"Speed between {len(s.pairs)} pairs of pictures with unchanged gun shift"
    if s.drift_by_hour:
        words += "; the bars are the middle speed of each stretch with its 1σ doubt"
    words += "."
    key: tuple[tuple[str, str], ...] = ()
    if s.drift_since is not None:
        since = datetime.fromtimestamp(s.drift_since, UTC).strftime("%Y-%m-%d")
        key = (("before", f"before {since}"), ("plain", f"since {since}"))
        words += " The bars are of the sessions since the change."
    bars = [(low, high, e.value, e.sigma or 0.0) for low, high, e in s.drift_by_hour]
    top = float(np.quantile([q.speed for q in s.pairs], 0.98)) * 1.1 if len(s.pairs) > 20 else None
    if top is not None:
        words += _on_the_rim(sum(q.speed > top for q in s.pairs), f"faster than {top:.1f} % per hour", "upward")
    kind = {True: "plain", False: "before"}
    drawing = scatter(
        "Drift",
        words,
        [Point(q.hours, q.speed, kind[s.drift_since is None or q.session in late]) for q in s.pairs],
        Axis("hours since the session's start", 0.0),
        Axis("% of the aperture radius per hour", 0.0, top),
        bars=bars,
    )
    return [Chart("Drift against hours", drawing, words, key=key)]


def trend_charts(series: Sequence[Series]) -> list[Chart]:
    """One small chart a series: a value a session, with the line or the step that describes it."""
    labels = {
        "working score": ("Working score", "mean working score"),
        "offset at start": ("Offset at the start", "% of the aperture radius"),
        "drift": ("Drift", "% of the aperture radius per hour"),
        "aperture to the right": ("Aperture in the picture, to the right", "% of its radius since the start"),
        "aperture downward": ("Aperture in the picture, downward", "% of its radius since the start"),
    }
    out = []
    for one in series:
        name, unit = labels.get(one.name, (one.name, ""))
        traces, words = _fitted(one)
        text = f"{name}, one value a session ({len(one.values)}). {words}"
        points = [Point(t, v) for t, v in zip(one.times, one.values, strict=True)]
        drawing = scatter(name, text, points, Axis("", time=True), Axis(unit), paths=traces)
        out.append(Chart(name, drawing, text))
    return out


def _fitted(one: Series) -> tuple[list[Trace], str]:
    t, v = np.array(one.times), np.array(one.values)
    ends = [float(t[0]), float(t[-1])]
    if one.shape == "step" and one.step is not None and one.between is not None:
        early, late = one.between
        low, high = float(v.min()), float(v.max())
        day = [datetime.fromtimestamp(x, UTC).strftime("%Y-%m-%d") for x in (early, late)]
        return [
            Trace((early, late), (float("nan"), float("nan")), "doubtful", (((low, low), (high, high)),)),
            Trace((ends[0], early), (one.step.before,) * 2),
            Trace((late, ends[1]), (one.step.after,) * 2),
        ], f"It steps between {day[0]} and {day[1]} (shaded)."
    if one.shape == "line":
        line = np.polyval(np.polyfit(t - t[0], v, 1), t - t[0])
        return [Trace(ends, (float(line[0]), float(line[-1])))], "The line is beyond chance."
    return [Trace(ends, (float(v.mean()),) * 2, "doubtful")], "No change beyond chance; the line is the mean."


def current_charts(curves: Sequence[Curve]) -> list[Chart]:
    """Current against gun-lens focus, one chart a state: readings, curve and doubt of each side, with a table."""
    return [_current_chart(c) for c in curves]


def _current_chart(c: Curve) -> Chart:
    model = c.model
    traces, points = [], []
    for side in model.curves:
        traces += _sides(model, side)
    for p in model.pairs:
        points.append(Point(p.focus, p.centered_pa, side_of(p, model.crossover.focus)))
    crossover = model.crossover
    sessions = len({p.session for p in model.pairs})
    words = (
        f"{model.state.label}: {len(model.pairs)} readings of {sessions} session{'s' if sessions != 1 else ''}, "
        "corrected to a centered beam. Lines: the current to expect in a session of which nothing is known yet; bands: "
        "68 and 95 % of such sessions. Each side has a curve of its own."
    )
    if crossover.measured:
        words += f" Crossover at {format_number(crossover.focus, crossover.sigma)}"
        words += f", wandering by {crossover.wander:.2g} from session to session." if crossover.wander > 0 else "."
    drawing = scatter(
        f"Current against focus, {model.state.label}",
        words,
        points,
        Axis("gun-lens focus, console units"),
        Axis("current of a centered beam, pA", log=True),
        paths=traces,
        marks=[(crossover.focus, "crossover")] if crossover.measured else [],
    )
    rows = tuple(
        (
            as_current(f.current_pa),
            f"{f.side}",
            format_number(f.focus, f.sigma),
            "" if f.interval_95 is None else f"{f.interval_95[0]:.1f} to {f.interval_95[1]:.1f}",
        )
        for f in sorted(c.foci, key=lambda f: (f.current_pa, f.side))
    )
    table = Table(("current wanted", "side", "focus", "95 %"), rows, (2, 3)) if rows else None
    key = tuple((s, f"{s} side") for s in model.curves)
    return Chart(f"Current against focus: {model.state.label}", drawing, words, table, True, key)


def _sides(model: CurrentModel, side: str) -> list[Trace]:
    low, high = covered_foci(model, side) or (0.0, 0.0)
    foci, mid, bands = [], [], []
    for focus in np.linspace(low, high, _STEPS):
        answer = current_at(model, float(focus), side)
        if answer.current_pa is not None and answer.interval_68 is not None and answer.interval_95 is not None:
            foci.append(float(focus))
            mid.append(answer.current_pa)
            bands.append((*answer.interval_95, *answer.interval_68))
    if not foci:
        return []
    a = np.array(bands)
    return [Trace(foci, mid, side, ((list(a[:, 0]), list(a[:, 1])), (list(a[:, 2]), list(a[:, 3]))))]


def recall_chart(history: History, limits: Limits) -> list[Chart]:
    """Offset after each recall against the date, by setting, and the table of settings."""
    recalls = history.recalls
    if not recalls:
        return []
    shown = recalls[:_MOST_SETTINGS]
    points = [Point(r.at.timestamp(), r.length, f"set{i}") for i, s in enumerate(shown) for r in s.recalls]
    words = "Offset in the first picture after a setting was recalled, in % of the aperture radius."
    if len(recalls) > len(shown):
        words += f" The {len(recalls) - len(shown)} settings recalled least are only in the table."
    drawing = scatter(
        "Offset after recalls",
        words,
        points,
        Axis("", time=True),
        Axis("% of the aperture radius", 0.0),
        lines=[(limits.offset_leave, f"leave {limits.offset_leave:g} %")],
    )
    key = tuple((f"set{i}", _called(s)) for i, s in enumerate(shown))
    columns = ("setting", "recalls", "off, %", "more a week, %", "better X", "better Y", "then off, %", "pays after")
    table = Table(columns, tuple(_setting_row(s) for s in recalls), (1, 2, 3, 4, 5, 6, 7))
    words += (
        " In the table: root mean square offset, its growth (— where not beyond chance), the gun shift readings that "
        "would have been better with their 1σ from recall to recall, the offset to expect with them, and after how "
        "many recalls storing them has paid."
    )
    return [Chart("Offset after recalls of stored settings", drawing, words, table, True, key)]


def _called(s: RecallSummary) -> str:
    return f"{s.setting}, {s.side}" if s.side else s.setting


def _setting_row(s: RecallSummary) -> tuple[str, ...]:
    growth = s.growth_percent_per_week if s.growth_significant else None
    better = ("—", "—", "—")
    if s.start is not None:
        sx, sy = (float(v) ** 0.5 for v in s.start.covariance.diagonal())
        x, y = (float(v) for v in s.start.readings)
        better = (format_number(x, sx), format_number(y, sy), f"{s.start.expected_offset_percent:.1f}")
    pays = "—" if s.pays_after is None else f"{s.pays_after} recall{'s' if s.pays_after != 1 else ''}"
    grows = "—" if growth is None else format_number(*growth)
    return (_called(s), str(len(s.recalls)), f"{s.rms_percent:.1f}", grows, *better, pays)


def sections(
    pictures: Sequence[Picture], s: Summary, history: History, limits: Limits, timeline: Chart | None = None
) -> list[Section]:
    """All charts and tables of the report, in order."""
    return [
        Section("Where the beam lay, and its drift", (*picture_charts(pictures, s, limits, timeline), *drift_chart(s))),
        Section("Stored gun settings", tuple(recall_chart(history, limits))),
        Section("Current and focus", tuple(current_charts(history.curves))),
        Section("Over the months", tuple(trend_charts(s.series))),
    ]


def clipping_begins(judged: Sequence[Picture]) -> float | None:
    """The offset, %, at which a beam of the usual radius touches the aperture's edge; ``None`` without enough radii."""
    ratios = [
        p.row["beam_radius_px"] / p.row["aperture_radius_px"]
        for p in judged
        if p.row["beam_radius_px"] is not None and p.row["aperture_radius_px"]
    ]
    if len(ratios) < 3:
        return None
    clear = 100 * (1 - float(np.median(ratios)))
    return clear if clear > 0 else None
