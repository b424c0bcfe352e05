"""The strip of words and numbers under the picture."""

import unicodedata
from dataclasses import dataclass
from pathlib import PurePath

from PIL import Image, ImageDraw, ImageFont

from ..advice import Advice
from ..assessment import Assessment
from ..registry import SCENE_WORDS, VERDICT_WORDS, SceneKind, Verdict
from ..registry.format import NOTHING, format_value
from .arrow import Arrow
from .colors import APERTURE, BEAM, MOVE, PANEL, QUIET, TEXT, UNKNOWN, VERDICTS

# Pillow's own font needs no file on the machine but lacks these.
_SPELLED = str.maketrans(
    {"−": "-", "–": "-", "—": "-", "×": "x", "µ": "u", "σ": "sigma", "→": "to", "≤": "<=", "≥": ">="}
)
_TOGETHER = "\u00a0"  # a space at which no line ends
_HAS = frozenset("±°·…«»\u00a0")


@dataclass(frozen=True, slots=True)
class _Line:
    text: str
    color: str = TEXT
    large: bool = False
    sample: str = ""


def add_panel(
    picture: Image.Image,
    assessment: Assessment,
    advice: Advice | None,
    *,
    marks: tuple[str, ...],
    arrow: Arrow | None,
    whole: bool = True,
) -> Image.Image:
    """``picture`` with the strip of words under it.

    Args:
        picture: RGB, marks drawn.
        assessment: the numbers.
        advice: its first sentence is the headline's second line; may be ``None``.
        marks: which of ``aperture``, ``beam``, ``edge`` are drawn, for the legend.
        arrow: as drawn; ``None`` = none.
        whole: whether the whole picture is displayed, not a part.
    """
    width = max(picture.width, 460)
    size = max(15, round(width / 46))
    font, large = ImageFont.load_default(size), ImageFont.load_default(round(1.45 * size))
    margin = round(0.9 * size)
    lines: list[tuple[_Line, str]] = []
    for line in _words(assessment, advice, marks, arrow, whole):
        indent = 3 * size if line.sample else 0
        lines += [
            (line, part) for part in _wrapped(line.text, large if line.large else font, width - 2 * margin - indent)
        ]
    heights = [round((1.9 if line.large else 1.4) * size) for line, _ in lines]
    out = Image.new("RGB", (width, picture.height + sum(heights) + 2 * margin), PANEL)
    out.paste(picture, ((width - picture.width) // 2, 0))
    draw = ImageDraw.Draw(out)
    y = picture.height + margin
    for (line, text), height in zip(lines, heights, strict=True):
        x = margin
        if line.sample:
            _sample(draw, line, x, y + 0.62 * size, size)
            x += 3 * size
        draw.text((x, y), text.replace(_TOGETHER, " "), font=large if line.large else font, fill=line.color)
        y += height
    return out


def _words(
    a: Assessment, advice: Advice | None, marks: tuple[str, ...], arrow: Arrow | None, whole: bool
) -> list[_Line]:
    """All lines, the verdict first."""
    verdict = a.verdict or ""
    words = VERDICT_WORDS[Verdict(verdict)] if verdict in VERDICT_WORDS else ""
    lines = [_Line(f"{verdict.upper()}: {words}" if words else verdict.upper(), VERDICTS.get(verdict, TEXT), True)]
    if advice is not None and advice.sentences:
        lines.append(_Line(advice.sentences[0]))
    elif a.scene in SCENE_WORDS:
        lines.append(_Line(f"Shows: {SCENE_WORDS[SceneKind(a.scene)]}."))
    numbers = [
        f"{label} {format_value(name, value, getattr(a, name + '_sigma'))}".replace(" ", _TOGETHER)
        for name, label in (
            ("offset_percent", "Offset"),
            ("gap_percent", "Gap"),
            ("clipped_fraction", "Clipped share"),
            ("score", "Score"),
            ("working_score", "Working score"),
        )
        if (value := getattr(a, name)) is not None
    ]
    if numbers:
        lines.append(_Line(f"{_TOGETHER * 2}·  ".join(numbers)))
    if a.offset_percent is not None:
        lines.append(_Line("Offset and gap in % of the aperture radius; ± is 1 sigma.", QUIET))
    if a.flags:
        lines.append(_Line("Flags: " + ", ".join(a.flags)))
    legend = {
        "aperture": _Line(
            "aperture edge and center" + (" (remembered)" if a.aperture_source == "remembered" else ""),
            TEXT,
            sample=APERTURE,
        ),
        "beam": _Line("beam edge and center; thin where continued", TEXT, sample=BEAM),
        "edge": _Line("an edge of unknown owner", TEXT, sample=UNKNOWN),
    }
    lines += [legend[m] for m in marks]
    if arrow is not None:
        lines.append(_Line(arrow.words, TEXT, sample=MOVE))
    if a.file:
        page = f", page {a.page}" if a.page else ""
        if a.frames_given is not None:
            page = f", the mean of {a.frames_used or a.frames_given} frames"
        part = "" if whole else " (part of the picture)"
        lines.append(_Line(PurePath(a.file).name + page + part, QUIET))
    return lines


def _sample(draw: ImageDraw.ImageDraw, line: _Line, x: float, y: float, size: int) -> None:
    """A short sample of the mark, as it is drawn in the picture."""
    width = max(2, round(size / 6))
    end = x + 2.2 * size
    if line.sample == APERTURE:
        for k in range(3):
            draw.line([(x + 0.8 * k * size, y), (x + (0.8 * k + 0.55) * size, y)], fill=line.sample, width=width)
        return
    draw.line([(x, y), (end, y)], fill=line.sample, width=width)
    if line.sample == MOVE:
        h = 0.35 * size
        draw.polygon([(end + 0.2 * size, y), (end - h, y - h), (end - h, y + h)], fill=line.sample)


def _wrapped(text: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, width: float) -> list[str]:
    """The text in lines no wider than ``width`` px; a word too long for a line is cut in pieces."""
    lines: list[str] = [""]
    for word in _spelled(text).split(" "):
        joined = f"{lines[-1]} {word}" if lines[-1] else word
        if font.getlength(joined) <= width:
            lines[-1] = joined
            continue
        if lines[-1]:
            lines.append("")
        for letter in word:
            if font.getlength(lines[-1] + letter) > width:
                lines.append("")
            lines[-1] += letter
    return [line.rstrip(f" ·{_TOGETHER}") for line in lines if line.strip()]


def _spelled(text: str) -> str:
    """The text in letters that the font has: accents dropped, what is left unknown becomes ``?``."""
    out = []
    for letter in text.translate(_SPELLED).replace(NOTHING, "-"):
        plain = letter if letter in _HAS else "".join(c for c in unicodedata.normalize("NFKD", letter) if ord(c) < 127)
        out.append(
            plain
            if plain and (plain.isprintable() or plain == _TOGETHER)
            else ""
            if unicodedata.combining(letter)
            else "?"
        )
    return "".join(out)
