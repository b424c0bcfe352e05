"""What ``apertrue assess`` prints for people: a table of all pictures, and sentences for a few."""

from pathlib import Path
from typing import TYPE_CHECKING

from ._output import VERDICT_STYLES, plain, print_table, print_text, wrapped

if TYPE_CHECKING:
    from ..judging import Unread
    from ..pipeline import Result

#: With at most this many pictures, each is also told in sentences.
FEW = 6


def print_results(results: "list[Result | Unread]", stale_min: float | None) -> None:
    """The table, and sentences for a few pictures; of many, how old they are (limit ``stale_min``, ``None`` = not asked)."""
    from ..judging import Unread

    if all(isinstance(r, Unread) for r in results):
        return
    names = _short_names(results)
    rows = [_UNREAD_CELLS if isinstance(r, Unread) else _cells(r) for r in results]
    table = [[name, *cells] for name, cells in zip(names, rows, strict=True)]
    # Columns that say nothing of any picture are left out.
    shown = [i for i in range(len(_HEADINGS)) if i < 3 or any(row[i].strip(" —") for row in table)]
    print_table(
        [_HEADINGS[i] for i in shown],
        [[row[i] for i in shown] for row in table],
        right=[n for n, i in enumerate(shown) if 3 <= i <= 7],
        styles={2: VERDICT_STYLES},
    )
    if 3 in shown:
        print_text()
        words = "Offset and gap: % of the aperture radius, ± 1σ. Beam lies: seen from the aperture's center, 90° is up."
        print_text(wrapped(words, others="  ") if len(plain(words)) > len(words) else words)
    together = [(n, r) for n, r in zip(names, results, strict=True) if _is_combined(r)]
    if together:
        _print_sentences([n for n, _ in together], [r for _, r in together])
    elif len(results) <= FEW:
        _print_sentences(names, results)
    elif stale_min is not None:
        _print_ages(results, stale_min)
    print_text()
    print_text("apertrue only advises and is not yet verified on an instrument.")


def _print_ages(results: "list[Result | Unread]", stale_min: float) -> None:
    """What each picture's sentences would say of its age, once for all."""
    from ..advise.age import ages_together
    from ..judging import Unread

    said = ages_together([r.assessment for r in results if not isinstance(r, Unread)], stale_min)
    if said:
        print_text()
    for sentence in said:
        print_text(wrapped(sentence, others="  "))


def _is_combined(result: "Result | Unread") -> bool:
    from ..judging import Unread

    return not isinstance(result, Unread) and result.assessment.frames_given is not None


def _print_sentences(names: list[str], results: "list[Result | Unread]") -> None:
    """What is to say of each picture, then the cautions, each once."""
    from ..advise.cautions import CAUTIONS
    from ..judging import Unread

    general = set(CAUTIONS.values())
    cautions: dict[str, None] = {}
    for name, result in zip(names, results, strict=True):
        if isinstance(result, Unread) or not result.advice.sentences:
            continue
        print_text()
        print_text(f"{name}: {result.assessment.verdict}")
        for sentence in result.advice.sentences:
            if sentence in general:
                cautions[sentence] = None
            else:
                print_text(wrapped(sentence, "  ", "    "))
    if cautions:
        print_text()
        print_text("Before you turn anything:" if len(results) == 1 else "Before you turn anything, for each of these:")
        for sentence in cautions:
            print_text(wrapped(sentence, "  ", "    "))


def _cells(result: "Result") -> list[str]:
    from ..registry.format import NOTHING, format_value

    a = result.assessment

    def said(name: str) -> str:
        return format_value(name, getattr(a, name), getattr(a, f"{name}_sigma"), unit=False)

    cut = NOTHING
    if a.clipped_fraction is not None:
        from ..registry.format import format_number

        sigma = a.clipped_fraction_sigma
        cut = format_number(100 * a.clipped_fraction, None if sigma is None else 100 * sigma, decimals=1)
    direction = (
        NOTHING if a.offset_direction_deg is None else f"{_arrow(a.offset_direction_deg)} {a.offset_direction_deg:.0f}°"
    )
    return [
        (a.scene or NOTHING).replace("-", " "),
        a.verdict or NOTHING,
        said("offset_percent"),
        direction,
        said("gap_percent"),
        cut,
        said("working_score"),
        ", ".join(a.flags or ()),
    ]


_HEADINGS = ("Picture", "Shows", "Verdict", "Offset %", "Beam lies", "Gap %", "Cut off %", "Work score", "Flags")
_UNREAD_CELLS = ["could not be read", "error", *[""] * 6]


def _arrow(degrees: float) -> str:
    return "→↗↑↖←↙↓↘"[round(degrees / 45.0) % 8]


def _short_names(results: "list[Result | Unread]") -> list[str]:
    """Names without the folder that all share; pages of a stack are told apart by their number."""
    from os.path import commonpath

    from ..judging import Unread

    files = [r.file if isinstance(r, Unread) else r.assessment.file or "" for r in results]
    pages = [r.page if isinstance(r, Unread) else r.assessment.page for r in results]
    try:
        shared = commonpath({str(Path(f).parent) for f in files if f})
    except ValueError:
        shared = ""
    names = []
    for i, (file, page) in enumerate(zip(files, pages, strict=True)):
        if _is_combined(results[i]):
            names.append("all together")
            continue
        path = Path(file)
        name = str(path.relative_to(shared)) if shared and path.is_relative_to(shared) else file
        stack = page or (page == 0 and i + 1 < len(files) and files[i + 1] == file)
        names.append(f"{name} page {page}" if stack else name)
    return names
