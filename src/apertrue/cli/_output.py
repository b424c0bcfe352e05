"""What commands print: tables for people, JSON lines for programs, errors in one place.

``rich`` is imported only when a table goes to a terminal; everything else is plain text.
"""

import codecs
import json
import math
import os
import shutil
import sys
from collections.abc import Iterable, Mapping, Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal, TextIO

from ..errors import ApertrueError, InstrumentError, MissingExtraError, WriteError
from ..registry.format import with_minus

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "VERDICT_STYLES",
    "exit_status_of",
    "json_line",
    "note",
    "plain",
    "prepare_streams",
    "print_json",
    "print_sentence",
    "print_table",
    "print_text",
    "report_error",
    "text_width",
    "wants_color",
    "wrapped",
]

#: Colors of the verdicts (Okabe & Ito's set, safe for color-blind eyes; the word always stands beside the color).
VERDICT_STYLES: Mapping[str, str] = {
    "leave": "bold #009E73",
    "nudge": "bold #E69F00",
    "auto": "bold underline #D55E00",
    "retake": "bold #0072B2",
    "error": "bold #CC79A7",
}

# On a terminal texts fold to not less than this many columns.
_FOLDED = 14

# A console or pipe whose encoding lacks these gets the plain spelling rather than a crash or a question mark.
_PLAIN = {
    "±": "+/-",
    "σ": "sigma",
    "µ": "u",
    "°": " deg",
    "−": "-",
    "–": "-",
    "—": "-",
    "→": "->",
    "←": "<-",
    "↑": "up",
    "↓": "down",
    "↖": "up left",
    "↗": "up right",
    "↘": "down right",
    "↙": "down left",
    "≤": "<=",
    "≥": ">=",
    "×": "x",
    "²": "^2",
    "…": "...",
    "’": "'",
    "÷": "/",
    "χ": "chi",
    "·": "*",
    "✓": "ok",
}


def _plain_spelling(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    bad = error.object[error.start : error.end]
    told = "".join(_PLAIN.get(c, "?") for c in bad)
    # 1σ is 1 sigma, not 1sigma.
    return " " * (bad[0] == "σ" and error.object[: error.start][-1:].isdigit()) + told, error.end


codecs.register_error("apertrue-plain", _plain_spelling)


def prepare_streams() -> None:
    """Make stdout and stderr unable to fail on a character that their encoding does not have."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="apertrue-plain")


def wants_color(stream: TextIO | None = None) -> bool:
    """Whether to color: a terminal, no NO_COLOR (https://no-color.org), no dumb terminal; FORCE_COLOR overrules."""
    stream = sys.stdout if stream is None else stream
    if os.environ.get("NO_COLOR"):
        return False
    if os.environ.get("FORCE_COLOR"):
        return True
    return stream.isatty() and os.environ.get("TERM") != "dumb"


def json_line(record: Mapping[str, Any]) -> str:
    """One JSON object on one line: floats round-trip exactly, NaN and infinity become null.

    Pure ASCII, so that no console's code page can spoil it.
    """
    return json.dumps(_clean(record), allow_nan=False, ensure_ascii=True, default=_plain_value)


def _clean(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(v) for v in value]
    return value


def _plain_value(value: Any) -> Any:
    """JSON for what the standard library does not know: NumPy scalars and arrays, dates, paths, sets."""
    if hasattr(value, "tolist"):
        return _clean(value.tolist())
    if hasattr(value, "isoformat"):
        return value.isoformat()
    if isinstance(value, set | frozenset):
        return sorted(value)
    return str(value)


def print_json(record: Mapping[str, Any]) -> None:
    """Print one record as a line of JSON at once, so that a reader at the other end of a pipe sees it."""
    sys.stdout.write(json_line(record) + "\n")
    sys.stdout.flush()


# What a file's name or note may hold and a terminal would obey.
_CONTROLS = {n: f"\\x{n:02x}" for n in (*range(32), 127, *range(128, 160)) if chr(n) not in "\n\t"}


def plain(text: str) -> str:
    """The text as stdout will show it: with the plain spelling where its encoding lacks a character.

    What lays out text asks for it first: the plain spelling is longer.
    """
    encoding = getattr(sys.stdout, "encoding", None)
    return text.encode(encoding, "apertrue-plain").decode(encoding) if encoding else text


#: Lines of sentences are no longer than this: longer ones are hard to read.
_LONGEST_LINE = 100


def text_width() -> int:
    """Letters in a line of sentences: as many as the terminal has, at most 100."""
    return max(min(shutil.get_terminal_size((_LONGEST_LINE, 24)).columns, _LONGEST_LINE), 20)


def wrapped(text: str, first: str = "", others: str = "") -> str:
    """The text in lines of :func:`text_width`, broken between words, begun with ``first`` and ``others``."""
    return fill(
        plain(text),
        text_width(),
        initial_indent=first,
        subsequent_indent=others,
        break_long_words=False,
        break_on_hyphens=False,
    )


def print_text(text: str = "") -> None:
    """Print a line of text for people; control characters are shown, not sent.

    On a terminal too narrow for it the line is broken between words; elsewhere it stays whole, for other programs.
    """
    shown = plain(text.translate(_CONTROLS))
    if sys.stdout.isatty():
        shown = "\n".join(_narrowed(line) for line in shown.split("\n"))
    sys.stdout.write(shown + "\n")


def _narrowed(line: str) -> str:
    if len(line) <= shutil.get_terminal_size().columns:
        return line
    indent = line[: len(line) - len(line.lstrip())]
    return wrapped(line.lstrip(), indent, indent + "  ")


def print_sentence(text: str) -> None:
    """Print a line that holds numbers, with true minus signs (a file's name belongs into :func:`print_text`)."""
    print_text(with_minus(text))


def note(text: str) -> None:
    """Say something beside the results, on stderr."""
    sys.stderr.write(f"apertrue: {text.translate(_CONTROLS)}\n")
    sys.stderr.flush()


def report_error(error: BaseException) -> None:
    """Tell a person what went wrong, on stderr: the one place where errors become words."""
    if isinstance(error, ApertrueError):
        note(str(error))
    elif isinstance(error, FileNotFoundError) and error.filename:
        note(f"{error.filename}: there is no such file or folder.")
    elif isinstance(error, PermissionError) and error.filename:
        note(f"{error.filename}: no permission. Check who owns it, or choose another place.")
    elif isinstance(error, OSError) and error.filename:
        note(f"{error.filename}: {error.strerror or error}.")
    elif isinstance(error, MemoryError):
        note("not enough memory for this picture. Crop it or save it smaller.")
    else:
        note(f"unexpected {type(error).__name__}: {error}. This is a fault of apertrue; please report it.")
    if os.environ.get("APERTRUE_DEBUG"):
        import traceback

        traceback.print_exception(error)


def exit_status_of(error: BaseException) -> int:
    """2 where the call was wrong (instrument file, a place to write to, a missing optional part), otherwise 1."""
    return 2 if isinstance(error, InstrumentError | MissingExtraError | WriteError) else 1


def print_table(
    headings: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: Iterable[int] = (),
    styles: Mapping[int, Mapping[str, str]] | None = None,
    title: str | None = None,
) -> None:
    """Print a table: with rich on a color terminal, else as aligned plain text of unlimited width.

    On a terminal too narrow for it each row becomes a block of lines: no number is ever cut.

    Args:
        headings: one a column.
        rows: texts, one a column each.
        right: indices of the columns to align to the right: numbers, which get true minus signs.
        styles: column → {text of the cell: rich style}.
        title: a line above.
    """
    numbers = frozenset(right)
    headings = [plain(h) for h in headings]
    table = [[plain(with_minus(c) if i in numbers else c) for i, c in enumerate(row)] for row in rows]
    if wants_color():
        _print_rich(headings, table, numbers, styles or {}, title)
    else:
        _print_plain(headings, table, numbers, title)


def _print_plain(headings: Sequence[str], rows: list[list[str]], right: frozenset[int], title: str | None) -> None:
    widths = [max(len(r[i]) for r in [list(headings), *rows]) for i in range(len(headings))]
    if title:
        print_text(title)
    rule = ["-" * w for w in widths]
    for row in [list(headings), rule, *rows]:
        cells = [c.rjust(w) if i in right else c.ljust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))]
        sys.stdout.write("  ".join(cells).rstrip().translate(_CONTROLS) + "\n")


def _print_rich(
    headings: Sequence[str],
    rows: list[list[str]],
    right: frozenset[int],
    styles: Mapping[int, Mapping[str, str]],
    title: str | None,
) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.cells import cell_len
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(file=sys.stdout, highlight=False)
    widths = [max(cell_len(row[i]) for row in [list(headings), *rows]) for i in range(len(headings))]
    least = sum(w if i in right else min(w, _FOLDED) for i, w in enumerate(widths)) + 3 * len(widths)
    if least > console.width:
        _print_blocks(console, headings, rows, styles, title)
        return
    table = Table(box=SIMPLE_HEAD, title=title, title_justify="left", pad_edge=False)
    for i, heading in enumerate(headings):
        # Numbers must never be broken over two lines; texts fold.
        least_width = widths[i] if i in right else min(widths[i], _FOLDED)
        justify: Literal["right", "left"] = "right" if i in right else "left"
        table.add_column(Text(heading), justify=justify, overflow="fold", no_wrap=i in right, min_width=least_width)
    for row in rows:
        table.add_row(*(Text(cell, style=styles.get(i, {}).get(cell, "")) for i, cell in enumerate(row)))
    console.print(table)


def _print_blocks(
    console: "Console",
    headings: Sequence[str],
    rows: list[list[str]],
    styles: Mapping[int, Mapping[str, str]],
    title: str | None,
) -> None:
    """Each row as a block: its first cell, then a line for each other cell that says something."""
    from rich.text import Text

    if title:
        console.print(Text(title, style="italic"))
    width = max(len(h) for h in headings)
    for row in rows:
        console.print(Text(row[0], style="bold"), soft_wrap=True)
        for i, (heading, cell) in enumerate(zip(headings[1:], row[1:], strict=True), start=1):
            if cell.strip(" —"):
                line = Text(f"  {heading.ljust(width)}  ").append(cell, style=styles.get(i, {}).get(cell, ""))
                console.print(line, soft_wrap=True)
