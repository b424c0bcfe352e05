"""The summary in words: short paragraphs for someone who reads only these."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from ..current.answers import rising_words
from ..instrument import Limits
from ..registry.format import format_number
from .history import History
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


def paragraphs(s: Summary, *, offset_limit: float, history: History | None = None) -> list[Paragraph]:
    """What the archive tells, most important first."""
    return [
        _shares(s),
        _losses(s),
        *_worst(s),
        _drift(s, offset_limit),
        _recalls(s),
        *(_settings(history) if history is not None and history.recalls else _starts(s)),
        *_currents(history),
        *_trends(s.series),
        *_notices(s),
    ]


def limits_told(limits: Limits) -> str:
    """The limits of leaving and nudging, as the page's foot names them."""
    return (
        f"offset {limits.offset_leave:g} and {limits.offset_nudge:g} %, working score {limits.score_leave:g} and "
        f"{limits.score_nudge:g}, gap {limits.gap_leave:g} %"
    )


def in_short(s: Summary, *, offset_limit: float, history: History | None = None) -> list[str]:
    """What someone takes away who reads nothing else: how well, at what cost, and what to do."""
    counts = {**s.counts, "retake": s.counts["retake"] - s.one_edge}
    judged = sum(counts[k] for k in KINDS[:4])
    total = sum(s.counts.values())
    out = []
    if judged:
        told = [f"{_share(counts['leave'], judged)} of these were centered well enough"]
        words = {
            "nudge": "wanted a small move by hand",
            "auto": "wanted the automatic routine",
            "retake": "could not tell",
        }
        told += [f"{_share(counts[k], judged)} {w}" for k, w in words.items() if counts[k]]
        if s.auto_for_want_of_calibration > s.counts["auto"] / 2:
            told = [f"{t} (most only because no shift calibration was at hand)" if "routine" in t else t for t in told]
        shown = f"{judged} of {_n(total, 'picture')} show" if judged < total else f"All {_n(total, 'picture')} show"
        out.append(f"{shown} a condenser aperture with a beam in it: {_listed(told)}.")
    if s.one_edge:
        out.append(
            f"In {s.one_edge} of {_n(total, 'picture')} only one round edge shows: whether the aperture's, the beam's or "
            "that of something else can't be told, so they are not among those."
        )
    if s.lost is not None:
        text = f"Off-center beams lost {_est(s.lost, '%')} of the current in these pictures"
        if s.hours_lost is not None and s.session_hours >= 1:
            text += (
                f": about {_hours(s.hours_lost)} of {_hours(s.session_hours)} of sessions, if the time between the "
                "pictures was like them"
            )
        out.append(text + ".")
    if s.recheck_h is not None:
        text = (
            f"Look again {_duration(s.recheck_h)} after centering: by then one beam in ten is off by {offset_limit:g} %"
        )
        if s.drift_since is not None and s.drift is not None and s.drift_before is not None:
            text += (
                f" (the drift changed about {_day(s.drift_since)}, from {_est(s.drift_before, '%')} to "
                f"{_est(s.drift, '%')} of the aperture radius per hour)"
            )
        out.append(text + ".")
    if s.recall_offset is not None:
        text = f"Sessions and recalled settings began {_est(s.recall_offset, '%')} of the aperture radius off center"
        better = [r for r in history.recalls if r.pays_after is not None] if history is not None else []
        if better:
            first = min(better, key=lambda r: (r.pays_after or 0, r.setting))
            text += (
                f"; storing settings anew would help, first {first.setting} (the time has paid after "
                f"{_n(first.pays_after or 0, 'recall')})"
            )
        out.append(text + ".")
    changed = [one for one in s.series if one.shape != "flat" and one.name != "drift"]
    changed += [one for one in s.series if one.name == "drift" and one.shape != "flat" and s.drift_since is None]
    if changed:
        out.append("Over the months: " + "; ".join(_change(one) for one in changed) + ".")
    for curve in history.curves if history is not None else ():
        if curve.latest is not None and curve.latest.unusual:
            out.append(
                f"In the latest session the current was {curve.latest.factor:.2f} × the usual one "
                f"({curve.model.state.label}): check the state first."
            )
    return out


def _shares(s: Summary) -> Paragraph:
    total = sum(s.counts.values())
    first, last = _day(s.first), _day(s.last)
    span = "" if s.first is None else f" of {first}" if first == last else f" from {first} to {last}"
    head = f"{_n(total, 'picture')}{span}, {_n(len(s.sessions), 'session')} with a measured beam."
    some = "" if s.one_edge == s.counts["retake"] else f"{s.one_edge} of them "
    alone = f", {some}with only one round edge" if s.one_edge else ""
    points = [
        f"{_share(s.counts[k], total)} {_KIND_WORDS[k]} ({s.counts[k]}{alone if k == 'retake' else ''})"
        for k in KINDS
        if s.counts[k]
    ]
    if s.auto_for_want_of_calibration:
        head += (
            f" {s.auto_for_want_of_calibration} of the {s.counts['auto']} for the automatic routine lie within the limit "
            "for a nudge: with a shift calibration at hand a small move would have done."
        )
    return Paragraph("What was found", f"{head} Of all pictures:", tuple(points))


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
    if s.hours_lost is not None and 60 * s.hours_lost >= 1:
        text += (
            f" If the {_hours(s.session_hours)} between first and last pictures of the sessions were like the "
            f"pictures, that is about {_hours(s.hours_lost)} of beam time."
        )
    return Paragraph("What off-center beams cost", f"{text} {caution}")


def _worst(s: Summary) -> list[Paragraph]:
    if not s.worst or len(s.sessions) < 2:
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
            f"which the gun shift is known to have stayed; there are {len(s.pairs)}. Readings of the gun shift in a "
            "session sheet, or moves in a session log, make it possible.",
        )
    text = (
        f"With the gun shift untouched the beam moved {_est(s.drift, '%')} of the aperture radius per hour (half of "
        f"{s.drift.n} pairs of pictures in {_n(s.drift.groups, 'session')} were slower); one time in ten more than "
        f"{_est(s.drift_high, '%')} per hour."
    )
    if s.drift_since is not None and s.drift_before is not None:
        text = (
            f"Since about {_day(s.drift_since)}, {text[0].lower()}{text[1:]} Before, it was {_est(s.drift_before, '%')} per hour "
            f"({_n(s.drift_before.n, 'pair')})."
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
        f"{_est(s.recall_offset, '%')} off center (the middle one of {s.recall_offset.n})."
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


def _settings(history: History) -> list[Paragraph]:
    """Stored gun settings: what they leave, how it grows, and the readings that would have been better."""
    points = []
    for r in history.recalls:
        side = f" ({r.side} side)" if r.side else ""
        text = f"{r.setting}{side}, recalled {_n(len(r.recalls), 'time')}: off by {r.rms_percent:.1f} %"
        if r.growth_percent_per_week is not None and r.growth_significant:
            text += f", {format_number(*r.growth_percent_per_week, unit='%')} more each week"
        if r.start is not None:
            sx, sy = (float(v) ** 0.5 for v in r.start.covariance.diagonal())
            text += (
                f". Better: gun shift X {format_number(float(r.start.readings[0]), sx)}, "
                f"Y {format_number(float(r.start.readings[1]), sy)}, with {r.start.expected_offset_percent:.1f} % to expect then"
            )
            if r.pays_after is not None:
                text += f"; storing it anew pays after {_n(r.pays_after, 'recall')}"
        points.append(text)
    text = "How far off the beam was after a recall (root mean square, in % of the aperture radius)."
    if history.inferred:
        text += (
            " An archive keeps no log of recalls: the first picture of a setting in a session is taken for one, so a "
            "beam centered before that picture makes a setting look better than it is."
        )
    if history.learned:
        told = _listed([f"{_n(n, 'move')} on the {side} side" for side, n in sorted(history.learned.items())])
        text += f" Which way the shift axes move the beam was learned from the pictures' own moves ({told})."
    elif all(r.start is None for r in history.recalls):
        text += (
            " Better start values need the gun shift readings of the pictures and a shift calibration, or at least "
            "eight moves between pictures."
        )
    text += " Check new values with a picture, and ask whoever keeps the settings before overwriting one."
    out = [Paragraph("Stored gun settings", text, tuple(points))]
    if history.switching is not None and history.switching.disturbs is not None:
        out.append(Paragraph("Switching between the two sides of the focus", " ".join(history.switching.sentences)))
    return out


def _currents(history: History | None) -> list[Paragraph]:
    if history is None or not history.readings:
        return []
    heading = "Current and focus"
    if not history.curves:
        return [
            Paragraph(
                heading,
                f"{_n(history.readings, 'current')} with a focus reading, but nowhere three at two different foci in "
                "one state: no curve yet. Note the current at a few more readings of the focus.",
            )
        ]
    points = []
    for c in history.curves:
        sides = " and ".join(
            f"{_n(side.n_pairs, 'reading')} on the {name} side" for name, side in c.model.curves.items()
        )
        text = f"{c.model.state.label}: {sides}"
        if c.latest is not None and c.latest_at is not None:
            low, high = c.latest.interval_95
            text += (
                f". Latest session ({c.latest_at:%Y-%m-%d}): {c.latest.factor:.2f} × the current of the others, "
                + ("beyond" if c.latest.unusual else "within")
                + f" the usual {low:.2f} to {high:.2f}"
            )
        rising = [rising_words(c.model, name).removesuffix(".") for name in c.model.rising]
        points.append(". ".join([text, *rising] if sides else rising))
    lead = "Which focus gives which current is drawn and tabled below, for a centered beam."
    return [Paragraph(heading, lead, tuple(points))]


#: Name of a series -> (in a sentence, unit, verbs for more and less).
_TREND_WORDS = {
    "working score": ("the working score", "", ("rises", "falls")),
    "offset at start": ("the offset at the start of a session", "%", ("grows", "shrinks")),
    "drift": ("the drift", "% per hour", ("grows", "shrinks")),
    "aperture to the right": ("the aperture in the picture", "% of its radius", ("creeps right", "creeps left")),
    "aperture downward": ("the aperture in the picture", "% of its radius", ("creeps down", "creeps up")),
}


def _change(one: Series) -> str:
    """What became of a series, in words: a creep, a step with its place in time, or nothing beyond chance."""
    name, unit, (more, less) = _TREND_WORDS.get(one.name, (one.name, "", ("grows", "shrinks")))
    unit = f" {unit}" if unit else ""
    if one.shape == "step" and one.step is not None and one.between is not None:
        early, late = (_day(t) for t in one.between)
        change = f"between {early} and {late}"
        if one.name.startswith("aperture"):
            far = one.step.after - one.step.before
            way = (more if far > 0 else less).removeprefix("creeps ")
            return f"{name} moved {way} by {abs(far):.2g}{unit} {change}"
        return f"{name} went from {one.step.before:.3g} to {one.step.after:.3g}{unit} {change}"
    assert one.trend is not None
    value = format_number(abs(one.trend.slope), one.trend.sigma)
    if one.shape == "line":
        return f"{name} {more if one.trend.slope > 0 else less} by {value}{unit} a month"
    way = (
        ", " + {"aperture to the right": "left or right", "aperture downward": "up or down"}[one.name]
        if one.name.startswith("aperture")
        else ""
    )
    return f"{name}{way}: no change beyond chance ({format_number(one.trend.slope, one.trend.sigma)}{unit} a month)"


def _trends(series: Sequence[Series]) -> list[Paragraph]:
    points = []
    for one in series:
        if one.trend is None:
            continue
        p = one.step.p_value if one.shape == "step" and one.step is not None else one.trend.p_value
        text = _change(one)
        if one.shape != "flat":
            text += f" ({_chance(p)})"
        points.append(f"{_upper(text)}; {_n(one.trend.n, 'session')}")
    if not points:
        return []
    head = (
        "One value per session; a change is named where chance alone would show one so large less than once in a "
        "hundred archives. The dates of a step hold it in nine cases of ten. The aperture's place counts only while "
        "camera and view stay the same."
    )
    return [Paragraph("Changes over the months", head, tuple(points))]


def _chance(p: float) -> str:
    return "chance alone: under 1 in 1000" if p < 0.00101 else f"chance alone: 1 in {1 / p:.0f}"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _hours(hours: float) -> str:
    return f"{hours * 60:.0f} min" if hours < 1.5 else f"{hours:.1f} h" if hours < 20 else f"{hours:.0f} h"


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
    """An estimate; a doubt under 0.05 is given as that, since nobody needs the third digit of a summary.

    Where it has none, that is said: a single session can't tell how much sessions differ.
    """
    text = format_number(e.value, None if e.sigma is None else max(e.sigma, 0.05), unit=unit, decimals=1)
    return f"{text} (one session: no σ)" if e.sigma is None and e.groups < 2 else text


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
