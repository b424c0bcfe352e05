"""Plots of current against focus and of recalls. matplotlib is imported when one is drawn (extra ``plot``)."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import MissingExtraError
from ..whole_file import whole_file
from .answers import CurrentAnswer, covered_foci, current_at
from .curve import CurrentModel, side_of
from .recall import RecallSummary

#: Okabe & Ito's set: told apart by color-blind eyes; marker and line style tell the same.
_STYLE = {"positive": ("#0072B2", "o", "-"), "negative": ("#D55E00", "s", "--")}
_INK = "#777777"  # readable on white and on black


def _figure(width: float, height: float) -> Any:
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as problem:
        raise MissingExtraError("plot", "Drawing a plot") from problem
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def _plain(axes: Any) -> None:
    for name in ("top", "right"):
        axes.spines[name].set_visible(False)
    axes.grid(True, which="major", color=_INK, alpha=0.25, linewidth=0.6)


def curve_figure(model: CurrentModel) -> Any:
    """Current against focus of one state: median, 68 and 95 % bands, the readings behind it. A matplotlib figure."""
    figure = _figure(7.2, 4.4)
    axes = figure.add_subplot()
    for side in model.curves:
        color, marker, line = _STYLE[side]
        low, high = covered_foci(model, side) or (0.0, 0.0)
        room = 0.12 * (high - low)
        foci = np.linspace(low - room, high + room, 121)
        foci = foci[np.sign(foci - model.crossover.focus) == model.curves[side].sign]
        rows = [(f, a) for f in foci if (a := current_at(model, float(f), side)).interval_95 is not None]
        x = np.array([f for f, _ in rows])
        bands = np.array([_band(a) for _, a in rows], dtype=np.float64)
        axes.fill_between(x, bands[:, 0], bands[:, 1], color=color, alpha=0.14, linewidth=0)
        axes.fill_between(x, bands[:, 2], bands[:, 3], color=color, alpha=0.28, linewidth=0)
        inside = (x >= low) & (x <= high)
        axes.plot(x[inside], bands[inside, 4], color=color, linestyle=line, label=f"{side} side")
        axes.plot(np.where(inside, np.nan, x), bands[:, 4], color=color, linestyle=":")
        mine = [p for p in model.pairs if side_of(p, model.crossover.focus) == side]
        axes.errorbar(
            [p.focus for p in mine],
            [p.centered_pa for p in mine],
            yerr=[p.centered_pa * p.log_sigma for p in mine],
            fmt=marker,
            color=color,
            markersize=4,
            linewidth=0.8,
        )
    axes.axvline(model.crossover.focus, color=_INK, linewidth=1, linestyle="-.")
    axes.text(model.crossover.focus, 0.02, " crossover", transform=axes.get_xaxis_transform(), color=_INK, fontsize=9)
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter(lambda v, _: f"{v:g}")
    axes.set_xlabel("gun-lens focus (console units)")
    axes.set_ylabel("current of a centered beam (pA)")
    axes.set_title(model.state.label, fontsize=10)
    axes.legend(title="bands: 68 and 95 %; dotted: extrapolated", fontsize=9, title_fontsize=8, frameon=False)
    _plain(axes)
    return figure


def _band(answer: CurrentAnswer) -> tuple[float, ...]:
    none = (float("nan"),) * 2
    return (*(answer.interval_95 or none), *(answer.interval_68 or none), answer.current_pa or float("nan"))


def recall_figure(summaries: Sequence[RecallSummary], leave_percent: float = 5.0) -> Any:
    """Offset after each recall, by setting: against the date, with the limit for leaving it. A matplotlib figure."""
    figure = _figure(7.2, 4.0)
    axes = figure.add_subplot()
    colors = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
    markers = "osD^vP"
    for k, s in enumerate(summaries):
        name = f"{s.setting}, {s.side}" if s.side else s.setting
        days = [r.at for r in s.recalls]
        doubt = [float(np.sqrt(r.offset @ r.covariance @ r.offset)) / max(r.length, 1e-9) for r in s.recalls]
        axes.errorbar(
            days,
            [r.length for r in s.recalls],
            yerr=doubt,
            fmt=f"{markers[k % 6]}-",
            color=colors[k % 6],
            markersize=5,
            linewidth=0.8,
            label=name,
        )
    axes.axhline(leave_percent, color=_INK, linewidth=1, linestyle="--")
    axes.text(0.0, leave_percent, f" limit for leaving it: {leave_percent:g} %", transform=axes.get_yaxis_transform(),
              color=_INK, fontsize=9, va="bottom")  # fmt: skip
    axes.set_ylim(bottom=0)
    axes.set_ylabel("offset after recall (% of the aperture radius)")
    if summaries:
        axes.legend(fontsize=9, frameon=False)
    # What autofmt_xdate does, without its adjusting of a layout that adjusts itself (matplotlib 3.8 warns).
    for axes in figure.axes:
        axes.tick_params(axis="x", rotation=30)
        for label in axes.get_xticklabels():
            label.set_horizontalalignment("right")
    _plain(axes)
    return figure


def save(figure: Any, path: str | Path) -> None:
    """Write a figure as PNG, SVG or PDF by the file's suffix.

    Raises:
        ValueError: another suffix.
    """
    kind = Path(path).suffix.lower().lstrip(".")
    if kind not in ("png", "svg", "pdf"):
        raise ValueError(f"{path}: a plot is written as .png, .svg or .pdf")
    import matplotlib as mpl

    # The same plot gives the same bytes: no date, no random ids.
    metadata = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind)
    with mpl.rc_context({"svg.hashsalt": "apertrue"}), whole_file(path) as place:
        figure.savefig(place, format=kind, dpi=150, metadata=metadata)
