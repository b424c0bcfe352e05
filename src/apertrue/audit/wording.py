"""The summary in words: short paragraphs for someone who reads only these."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from ..registry.format import format_number
from .statistics import Estimate
from .summary import KINDS, Series, Summary

_KIND_WORDS = {
    "leave": "to leave as they are",
    "nudge": "to nudge by hand",
    "auto": "for the automatic routine",
    "retake": "that can't tell",
    "aside": "put aside (no condenser aperture with a beam)",
    "error": "that could not be read",
}


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A heading, sentences, and points below them."""

    heading: str
    text: str
    points: tuple[str, ...] = ()


def paragraphs(s: Summary, *, offset_limit: float) -> list[Paragraph]:
    """What the archive tells, most important first."""
    return [
        _shares(s),
        _losses(s),
        *_worst(s),
        _drift(s, offset_limit),
        _recalls(s),
        *_starts(s),
        *_trends(s.series),
        *_notices(s),
    ]


def _shares(s: Summary) -> Paragraph:
    total = sum(s.counts.values())
    judged = sum(s.counts[k] for k in KINDS[:4])
    span = f" from {_day(s.first)} to {_day(s.last)}" if s.first is not None else ""
    head = f"{_n(total, 'picture')}{span}, {_n(len(s.sessions), 'session')} with a measured beam."
    points = [f"{_share(s.counts[k], total)} {_KIND_WORDS[k]} ({s.counts[k]})" for k in KINDS if s.counts[k]]
    if judged and judged != total:
        kept = ", ".join(f"{k} {_share(s.counts[k], judged)}" for k in KINDS[:4])
        head += f" Of the {judged} that show a condenser aperture with a beam: {kept}."
    return Paragraph("What was found", head, tuple(points))


def _losses(s: Summary) -> Paragraph:
    caution = (
        "People take pictures when they are worried: this tells of the moments when someone looked, "
        "which may be worse (or, right after centering, better) than the time between."
    )
    if s.lost is None or s.longer is None:
        return Paragraph("What off-center beams cost", "No picture gave a working score, so losses can't be told.")
    text = (
        f"In these pictures {_est(s.lost, '%')} of the beam's current was lost by being off center "
        f"(mean of {s.lost.n} pictures in {_n(s.lost.groups, 'session')}). Collecting the same counts takes "
        f"{_est(s.longer, '%')} longer."
    )
    if s.hours_lost is not None:
        text += (
            f" If the {s.session_hours:.0f} h between first and last pictures of the sessions were like the "
            f"pictures, that is about {s.hours_lost:.1f} h of beam time."
        )
    return Paragraph("What off-center beams cost", f"{text} {caution}")


def _worst(s: Summary) -> list[Paragraph]:
    if not s.worst:
        return []
    points = tuple(
        f"{session.name}: mean working score {score:.1f} in {_n(len(session.measured), 'measured picture')}"
        for session, score in s.worst
    )
    return [Paragraph("Worst sessions", "By their mean working score:", points)]


def _drift(s: Summary, limit: float) -> Paragraph:
    heading = "Drift, and when to look again"
    if s.drift is None or s.drift_high is None:
        return Paragraph(
            heading,
            "Not told: it needs at least five pairs of measured pictures, five minutes to four hours apart, between "
            f"which the gun shift readings are known and unchanged; there are {len(s.pairs)}. A session sheet with the "
            "readings makes it possible.",
        )
    text = (
        f"With the gun shift untouched the beam moved {_est(s.drift, '%')} of the aperture radius per hour (median of "
        f"{s.drift.n} pairs of pictures in {_n(s.drift.groups, 'session')}); one time in ten more than "
        f"{_est(s.drift_high, '%')} per hour."
    )
    if s.recheck_h is not None:
        text += (
            f" A well-centered beam then reaches the limit of {limit:g} % after {_duration(s.recheck_h)} in one case "
            f"of ten: look again after {_duration(s.recheck_h)}."
        )
    points = tuple(
        f"{low:g} to {high:g} h after the session's start: {_est(e, '%')} per hour ({_n(e.n, 'pair')})"
        for low, high, e in s.drift_by_hour
    )
    return Paragraph(heading, text, points)


def _recalls(s: Summary) -> Paragraph:
    heading = "Offset at the start and after recalls"
    if s.recall_offset is None:
        return Paragraph(heading, f"Not told: only {_n(len(s.recalls), 'first picture')} with an offset.")
    text = (
        f"In the first measured picture of a session, or after a recalled setting, the beam lay "
        f"{_est(s.recall_offset, '%')} off (median of {s.recall_offset.n})."
    )
    points = tuple(
        f"{setting or 'no setting named'}: on average {_way(x, 'right', 'left')} and {_way(y, 'down', 'up')} "
        f"({_n(x.n, 'time')})"
        for setting, (x, y) in s.recall_mean.items()
    )
    return Paragraph(heading, text, points)


def _starts(s: Summary) -> list[Paragraph]:
    if not s.starts:
        return []
    points = tuple(
        f"{v.setting or 'no setting named'}: gun shift X {format_number(v.x, v.x_sigma)}, "
        f"Y {format_number(v.y, v.y_sigma)} (mean of {_n(v.sessions, 'session')}, {_n(v.n, 'picture')})"
        for v in s.starts
    )
    return [
        Paragraph(
            "Better start values",
            "Readings at which the beam was well centered. As a stored gun setting they would begin closer; check them "
            "with a picture before relying on them.",
            points,
        )
    ]


def _trends(series: Sequence[Series]) -> list[Paragraph]:
    points = []
    units = {"working score": "", "drift": "%/h"}
    for one in series:
        unit, t = units.get(one.name, "%"), one.trend
        if t is None:
            continue
        word = "rather clear" if t.p_value < 0.01 else "weak" if t.p_value < 0.05 else "not told apart from chance"
        text = (
            f"{one.name}: {format_number(t.slope, t.sigma, unit=unit)} a month over {_n(t.n, 'session')} "
            f"({word}, p = {t.p_value:.2g})"
        )
        step = one.step
        if step is not None and step.p_value < 0.05:
            text += (
                f"; a step from {format_number(step.before, unit=unit)} to {format_number(step.after, unit=unit)} "
                f"about {_day(one.times[step.index])} (90 %: {_day(one.times[step.early])} to "
                f"{_day(one.times[step.late])}; p = {step.p_value:.2g})"
            )
        points.append(text)
    if not points:
        return []
    head = "Straight lines through the sessions' values, and steps where they are clear (one value per session):"
    return [Paragraph("Trends", head, tuple(points))]


def _notices(s: Summary) -> list[Paragraph]:
    out = []
    if s.file_times:
        out.append(
            Paragraph(
                "About the times",
                f"The time of {_n(s.file_times, 'picture')} is only that of the file; copying may have changed it, and "
                "with it the sessions and all that is told by the hour.",
            )
        )
    return out


def _est(e: Estimate, unit: str) -> str:
    return format_number(e.value, e.sigma, unit=unit, decimals=1)


def _way(e: Estimate, positive: str, negative: str) -> str:
    """A component of an offset with its direction in words instead of a sign."""
    return f"{format_number(abs(e.value), e.sigma, unit='%', decimals=1)} {positive if e.value >= 0 else negative}"


def _n(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def _share(count: int, total: int) -> str:
    share = 100 * count / total if total else 0.0
    return f"{share:.1f} %" if 0 < share < 10 else f"{share:.0f} %"


def _day(when: float | None) -> str:
    return "—" if when is None else datetime.fromtimestamp(when, UTC).strftime("%Y-%m-%d")


def _duration(hours: float) -> str:
    minutes = hours * 60
    if minutes < 120:
        return f"{max(5 * round(minutes / 5), 5):.0f} min"
    return f"{hours:.1f} h"
