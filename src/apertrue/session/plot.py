"""Drawing the timeline with matplotlib (extra ``plot``): for print and for eyes of every kind.

Kinds are told by shape and letter, never by color alone; colors are Okabe & Ito's.
"""

import io
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import MissingExtraError
from ..whole_file import whole_file
from .timeline import Series, Timeline
from .words import EventKind

_BLUE, _ORANGE, _GREEN, _RED, _GRAY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#5a5a5a"

# The salt makes the ids in an SVG the same each time; texts stay texts, so that they can be searched.
_STYLE: Any = {
    "font.size": 9,
    "svg.hashsalt": "apertrue",
    "svg.fonttype": "none",
    "axes.spines.top": False,
    "axes.spines.right": False,
}

#: Marker, color and word of what was done.
MARKS: dict[EventKind, tuple[str, str, str]] = {
    EventKind.NUDGE: ("^", _BLUE, "nudge"),
    EventKind.RECALL: ("D", _ORANGE, "setting recalled"),
    EventKind.STATE: ("s", _RED, "state changed"),
    EventKind.SERVICE: ("P", _RED, "service"),
}


def draw(line: Timeline, out: Path | str, *, dpi: int = 150) -> None:
    """Write the timeline as SVG, PNG or PDF, by the file's ending.

    Raises:
        MissingExtraError: matplotlib is not installed.
    """
    figure = _figure(line)
    import matplotlib.pyplot as plt

    kind = Path(out).suffix.lower().lstrip(".") or "png"
    metadata = {"Date": None} if kind == "svg" else None
    with plt.rc_context(_STYLE), whole_file(out) as place:
        figure.savefig(place, dpi=dpi, format=kind, metadata=metadata)
    plt.close(figure)


def draw_svg(line: Timeline) -> str:
    """The timeline as an SVG element for a page."""
    figure = _figure(line)
    import matplotlib.pyplot as plt

    buffer = io.StringIO()
    with plt.rc_context(_STYLE):
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    plt.close(figure)
    text = buffer.getvalue()
    return text[text.index("<svg") :]


def _figure(line: Timeline) -> Any:
    try:
        import matplotlib
    except ImportError as error:
        raise MissingExtraError("plot", "the timeline") from error
    matplotlib.use("Agg", force=False)
    import matplotlib.dates
    import matplotlib.pyplot as plt

    mdates: Any = matplotlib.dates
    has_current = len(line.current.at) > 0
    heights = [max(0.55, 0.27 * len(_words(line))), 3.2, 2.2, *([1.4] if has_current else [])]
    with plt.rc_context(_STYLE):
        figure, axes = plt.subplots(
            len(heights),
            1,
            sharex=True,
            figsize=(9.5, 1.35 * sum(heights) ** 0.9),
            height_ratios=heights,
            layout="constrained",
        )
        _done(axes[0], line)
        _offset(axes[1], line)
        _score(axes[2], line)
        if has_current:
            _points(axes[3], line.current, _GRAY, "o", "beam current")
            axes[3].set_ylabel("current, pA")
            axes[3].set_ylim(0, 1.25 * float(line.current.value.max()) or 1.0)
        for axis in axes[1:]:
            axis.grid(True, axis="both", color="#dddddd", linewidth=0.6)
            axis.set_axisbelow(True)
            for run in line.routine:
                _span(axis, run.start or run.end, run.end, run.outcome)
            for at, kind, _ in line.marks:
                axis.axvline(at, color=MARKS[kind][1], linewidth=0.7, linestyle=":")
        if line.fan is not None:
            for axis in axes[1:]:
                axis.axvline(line.fan.at[0], color="black", linewidth=0.8)
            axes[1].annotate(
                " forecast",
                (mdates.date2num(line.fan.at[0]), 1.0),
                xycoords=("data", "axes fraction"),
                va="top",
                fontsize=8,
            )
        last = axes[-1]
        last.xaxis.set_major_locator(mdates.AutoDateLocator(tz=line.zone, minticks=4, maxticks=12))
        last.xaxis.set_major_formatter(mdates.DateFormatter("%H:%M", tz=line.zone))
        first = line.offset.at[0] if line.offset.at else line.standing.now
        last.set_xlabel(f"time of day ({first.astimezone(line.zone).tzname() or 'local'})")
        said = [line.title, *(_wrapped(t) for t in line.standing.sentences[:1])]
        figure.suptitle("\n".join(said), x=0.01, ha="left", fontsize=10)
        _settled(figure)
    return figure


def _settled(figure: Any) -> None:
    """Lay the figure out once, in rounded places: the solver's last digits differ each time, and with them ids in an SVG."""
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    for axis in figure.axes:
        axis.set_position([round(v, 5) for v in axis.get_position().bounds])


def _wrapped(text: str) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, 110))


def _done(axis: Any, line: Timeline) -> None:
    """The strip of what was done, each kind by its own shape, with a legend."""
    axis.set_ylim(0, 1)
    axis.set_yticks([])
    for side in ("left", "bottom"):
        axis.spines[side].set_visible(False)
    axis.tick_params(bottom=False)
    done = _words(line)
    # Each kind on a line of its own: what happened within minutes must not hide one another.
    for level, (word, (marker, color, times)) in enumerate(reversed(done.items())):
        axis.plot(
            times,
            [(level + 0.5) / len(done)] * len(times),
            marker,
            color=color,
            markersize=7,
            label=word,
            linestyle="none",
            markeredgecolor="black",
            markeredgewidth=0.5,
        )
    if done:
        handles, labels = axis.get_legend_handles_labels()
        axis.legend(
            handles[::-1],
            labels[::-1],
            loc="lower left",
            bbox_to_anchor=(0.0, 0.95),
            ncols=6,
            frameon=False,
            fontsize=8,
            handletextpad=0.2,
            columnspacing=1.2,
            borderaxespad=0,
        )
    else:
        axis.text(0.0, 0.5, "nothing but pictures was logged", transform=axis.transAxes, fontsize=8, color=_GRAY)


def _words(line: Timeline) -> dict[str, tuple[str, str, list[datetime]]]:
    """What was done: word → marker, color, times; in the order in which it first happened."""
    found: list[tuple[datetime, str, str, str]] = [(at, MARKS[kind][2], *MARKS[kind][:2]) for at, kind, _ in line.marks]
    for run in line.routine:
        good = run.outcome == "done"
        word = "automatic routine" if good else f"routine {run.outcome}"
        found.append((run.end, word, "o" if good else "X", _GREEN if good else _RED))
    out: dict[str, tuple[str, str, list[datetime]]] = {}
    for at, word, marker, color in sorted(found):
        out.setdefault(word, (marker, color, []))[2].append(at)
    return out


def _span(axis: Any, start: Any, end: Any, outcome: str) -> None:
    good = outcome == "done"
    axis.axvspan(
        start,
        end,
        facecolor=_GREEN if good else _RED,
        alpha=0.25,
        hatch=None if good else "///",
        edgecolor="none" if good else _RED,
        linewidth=0,
    )


def _points(axis: Any, series: Series, color: str, marker: str, label: str) -> None:
    sigma = np.nan_to_num(series.sigma)
    axis.errorbar(
        series.at,
        series.value,
        yerr=sigma if sigma.any() else None,
        fmt=marker,
        color=color,
        markersize=4,
        linewidth=1,
        capsize=0,
        label=label,
    )


def _offset(axis: Any, line: Timeline) -> None:
    if line.fan is not None:
        _draw_fan(axis, line.fan.at, line.fan.offset)
    _points(axis, line.offset, _BLUE, "o", "measured, ± 1σ")
    _limit(axis, line.offset_limit, f"limit {line.offset_limit:g} %")
    axis.set_ylabel("offset, % of the\naperture radius")
    top = max([*line.offset.value.tolist(), line.offset_limit])
    if line.fan is not None:
        top = max(top, min(float(line.fan.offset[4].max()), 4 * line.offset_limit))
    axis.set_ylim(0, 1.15 * top)
    axis.legend(
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=5,
        fontsize=8,
        frameon=False,
        borderaxespad=0.1,
        columnspacing=1.2,
        handlelength=1.6,
    )


def _score(axis: Any, line: Timeline) -> None:
    if line.fan is not None:
        _draw_fan(axis, line.fan.at, line.fan.score)
    _points(axis, line.score, _BLUE, "s", "measured, ± 1σ")
    _limit(axis, line.score_limit, f"limit {line.score_limit:g}")
    axis.set_ylabel("working score")
    low = min([*line.score.value.tolist(), line.score_limit])
    if line.fan is not None:
        low = min(low, float(line.fan.score[1].min()))
    axis.set_ylim(max(0.0, low - 0.15 * (100 - low) - 0.5), 100.5)


def _draw_fan(axis: Any, at: Any, rows: Any) -> None:
    axis.fill_between(at, rows[0], rows[4], color=_ORANGE, alpha=0.22, linewidth=0, label="forecast, 90 %")
    axis.fill_between(at, rows[1], rows[3], color=_ORANGE, alpha=0.45, linewidth=0, label="forecast, 50 %")
    axis.plot(at, rows[2], color="black", linewidth=1, linestyle="--", label="forecast, middle")


def _limit(axis: Any, value: float, label: str) -> None:
    axis.axhline(value, color=_RED, linewidth=1.2, linestyle="-.", label=label)
