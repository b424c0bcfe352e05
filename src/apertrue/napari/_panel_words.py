"""A result in the words and numbers of the panel; the same formatter as command line and report. No Qt."""

from dataclasses import dataclass
from datetime import datetime

from ..advise.cautions import CAUTIONS
from ..frame import age_min
from ..overlay.arrow import Arrow
from ..overlay.colors import VERDICTS
from ..pipeline import Result
from ..registry import FLAGS, REASONS, VERDICT_WORDS
from ..registry.format import NOTHING, format_number, format_value
from ._doubt import Doubt
from ._marks import FAINT

_NUMBERS = (
    ("working_score", "Working score", "With the beam spread to what the work uses; the number to decide on."),
    ("offset_percent", "Offset", "Beam center against aperture center, % of the aperture radius."),
    ("offset_direction_deg", "Beam lies toward", "Counter-clockwise from the right; 90° is up."),
    ("gap_percent", "Tightest gap", "Beam edge to aperture edge, % of the aperture radius; negative = overlap."),
    ("clipped_fraction", "Cut off", "Share of the beam's current that the aperture stops now."),
    ("score", "Score now", "Beam current through the aperture now against the most possible, 0 to 100."),
)
_HERE = ("apertrue calibrate --guide", "Plugins → apertrue → Calibrate and nudge")
_OPTION_WORDS = {"leave": "Leave it", "nudge": "By hand", "auto": "Automatic routine"}


@dataclass(frozen=True, slots=True)
class Panel:
    """What the panel shows.

    Attributes:
        verdict: its word in capitals.
        color: behind the word; black text is readable on it.
        meaning: of the verdict, a few words.
        sentences: what to say of this picture, headline first.
        numbers: (label, text, explanation).
        budget: (way, minutes, sum in words), the chosen one first.
        reasons: sentences.
        flags: (sentence, remedy).
        cautions: what to mind before turning anything.
        legend: what is drawn, (kind, words).
    """

    verdict: str
    color: str
    meaning: str
    sentences: tuple[str, ...]
    numbers: tuple[tuple[str, str, str], ...]
    budget: tuple[tuple[str, str, str], ...]
    reasons: tuple[str, ...]
    flags: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    legend: tuple[tuple[str, str], ...]


def panel(
    result: Result,
    arrow: Arrow | None,
    names: tuple[str, str] = ("gun shift X", "gun shift Y"),
    ring: Doubt | None = None,
) -> Panel:
    """The words of a result.

    Args:
        result: of the main line.
        arrow: of the needed move, as drawn.
        names: of the two axes.
        ring: the ring of the offset's doubt.
    """
    a, advice, scene = result.assessment, result.advice, result.scene
    general = set(CAUTIONS.values())
    said = [s for s in advice.sentences if s not in general]
    # The budget has its own table.
    said = [s for s in said if not s.startswith(("Expected minutes lost:", "The sums:"))]
    flags = tuple((FLAGS[f].sentence, FLAGS[f].remedy) for f in a.flags or () if f in FLAGS)
    said = [s for s in said if s not in {f"{sentence} {remedy}" for sentence, remedy in flags}]
    # Sentences name commands; here there is a widget.
    said = [s.replace(*_HERE) for s in said]
    if scene.guided:
        said.append("Guided: the fit started from the edge that you drew.")
    return Panel(
        str(advice.verdict).upper(),
        VERDICTS[str(advice.verdict)],
        VERDICT_WORDS[advice.verdict],
        tuple(said),
        _numbers(result, names),
        tuple(
            (
                _OPTION_WORDS[str(o.verdict)] + ("" if o.allowed else " (ruled out)"),
                format_number(o.minutes, unit="min", decimals=1),
                "; ".join(f"{k}: {o.how.get(k, '')} = {v:.2f} min" for k, v in o.terms.items()),
            )
            for o in sorted(advice.options, key=lambda o: o.verdict != advice.verdict)
        ),
        tuple(REASONS[r].sentence for r in advice.reasons if r in REASONS),
        flags,
        tuple(s for s in advice.sentences if s in general),
        _legend(result, arrow, ring),
    )


def _numbers(result: Result, names: tuple[str, str]) -> tuple[tuple[str, str, str], ...]:
    a = result.assessment
    out = []
    for name, label, why in _NUMBERS:
        value, sigma = getattr(a, name), getattr(a, f"{name}_sigma")
        if name == "clipped_fraction" and value is not None:
            text = format_number(100 * value, None if sigma is None else 100 * sigma, unit="%", decimals=1)
        else:
            text = format_value(name, value, sigma)
        out.append((label, text, why))
    for name, label in zip(("nudge_x", "nudge_y"), names, strict=True):
        value = getattr(a, name)
        if value is not None:
            text = format_number(value, getattr(a, f"{name}_sigma"), decimals=2)
            out.append((f"Turn {label} by", text if value < 0 else f"+{text}", "Console units, from the calibration."))
    return tuple(out)


def _legend(result: Result, arrow: Arrow | None, ring: Doubt | None) -> tuple[tuple[str, str], ...]:
    scene, out = result.scene, []
    if scene.aperture is not None:
        out.append(("aperture", "aperture edge, + center" + (" (remembered)" if scene.aperture_remembered else "")))
    if scene.beam is not None:
        out.append(("beam", "beam edge, × center"))
    if scene.edge is not None:
        out.append(("edge", "an edge of unknown owner"))
    if arrow is not None:
        out.append(("move", arrow.words))
    if ring is not None and ring.enlarged:
        size = "true size" if ring.enlarged == 1 else f"drawn {ring.enlarged}×"
        out.append(("doubt", f"doubt of the offset (95 %), {size}"))
    if out:
        small = ring is not None and not ring.enlarged
        thin = f" The offset's doubt (95 %: {ring.percent:.2g} %) is too small to draw." if ring and small else ""
        out.append(("", f"{FAINT}{thin}"))
    return tuple(out)


def age_words(result: Result, now: datetime) -> str:
    """How old the picture is, for the panel."""
    minutes = age_min(result.frame, now)
    if minutes is None:
        return "Age of the picture: not known"
    if minutes < 1:
        return "Age of the picture: under a minute"
    if minutes < 120:
        return f"Age of the picture: {minutes:.0f} min"
    return (
        f"Age of the picture: {minutes / 60:.0f} h"
        if minutes < 2880
        else f"Age of the picture: {minutes / 1440:.0f} days"
    )


def nothing(value: str) -> bool:
    """Whether a panel's text stands for nothing measured."""
    return value == NOTHING
