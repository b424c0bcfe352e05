"""Checks against something that is not ours: one file a source, and a table of published and own numbers side by side.

Each file names its source in ``SOURCE`` (author, title, year, place) and how sure the value is: ``confirmed`` (read in
a stored text or recomputed by an independent library), ``from memory`` (the source was not read), or ``common
practice, no source``. With the environment variable ``APERTRUE_CHECKS_TABLE`` set to a file name, the run writes the
table there (Markdown) for the documentation.
"""

import csv
import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

HOW = ("confirmed", "from memory", "common practice, no source")


@dataclass(frozen=True)
class Row:
    source: str
    how: str
    quantity: str
    published: float
    ours: float
    tolerance: float
    relative: bool
    title: str

    @property
    def shown(self) -> str:
        """The tolerance as printed."""
        return f"{self.tolerance:.2g}{' relative' if self.relative else ''}"


class Check:
    """Compares one number with a published one and remembers both for the table."""

    def __init__(self, source: dict[str, str], rows: list[Row], title: str) -> None:
        missing = {"author", "title", "year", "place", "how"} - set(source)
        assert not missing, f"SOURCE lacks {sorted(missing)}"
        assert source["how"] in HOW, f"how must be one of {HOW}"
        self._name = "{author}, {title}, {year}, {place}".format(**source)
        self._how = source["how"]
        self._title = title
        self._rows = rows

    def __call__(self, quantity: str, ours: Any, published: float, *, tol: float, relative: bool = False) -> None:
        ours = float(ours)
        row = Row(self._name, self._how, quantity, published, ours, tol, relative, self._title)
        self._rows.append(row)
        assert math.isfinite(ours), f"{quantity}: {ours} is no number"
        error = abs(ours - published) / (abs(published) if relative else 1.0)
        assert error <= tol, f"{quantity}: published {published!r}, ours {ours!r}, apart by {error:.3g} > {tol:g}"


@pytest.fixture(scope="session")
def _rows() -> Iterator[list[Row]]:
    rows: list[Row] = []
    yield rows
    target = os.environ.get("APERTRUE_CHECKS_TABLE")
    if not target:
        return
    Path(target).write_text(page(rows), encoding="utf-8", newline="\n")


def page(rows: list[Row]) -> str:
    """The table as a page of the documentation (Markdown)."""
    sources = {row.source: row.how for row in rows}
    counts = {how: sum(h == how for h in sources.values()) for how in HOW}
    out = [
        "# Outside checks",
        "",
        "Each formula and estimator is held against something that is not ours. Made by the tests: `make checks`.",
        "*Confirmed*: read in a stored text or recomputed with an independent library. *From memory*: the source was not",
        "read again. Published digits are compared to the tolerance given; where a tolerance depends on a measurement's own",
        "doubt, it is four times that (pictures) or stated in the test.",
        "",
        f"{len(rows)} numbers from {len(sources)} sources: "
        + ", ".join(f"{n} {how}" for how, n in counts.items())
        + ".",
        "",
    ]
    last = None
    for row in sorted(rows, key=lambda r: r.source):  # stable: the tests' own order within a source
        if row.source != last:
            out += [
                "" if last else None,
                f"## {row.title}",
                "",
                f"{row.source}. *{row.how.capitalize()}.*",
                "",
                "| quantity | published | ours | tolerance |",
                "|---|---|---|---|",
            ]
            last = row.source
        cells = [
            row.quantity,
            f"{row.published:.12g}",
            as_precise(row.ours, row.tolerance * (abs(row.published) if row.relative else 1.0)),
            row.shown,
        ]
        out.append("| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |")
    return "\n".join([*(line for line in out if line is not None), ""])


def as_precise(value: float, tolerance: float) -> str:
    """``value`` to one digit beyond its tolerance; runs on other machines then print the same."""
    if tolerance <= 0:
        return f"{value:.12g}"
    decimals = min(max(1 - math.floor(math.log10(tolerance)), 0), 14)
    text = f"{value:.{decimals}f}"
    return f"{value:.12g}" if len(text.strip("-0.")) > 15 else text.replace("-0", "0", 1) if float(text) == 0 else text


@pytest.fixture
def check(request: pytest.FixtureRequest, _rows: list[Row]) -> Check:
    """``check(quantity, ours, published, tol=…)`` under the module's ``SOURCE``."""
    title = request.module.__doc__.partition("\n")[0].rstrip(".")
    return Check(request.module.SOURCE, _rows, title)


@pytest.fixture(scope="session")
def table(root: Path) -> Any:
    """``table(name)``: rows of a CSV file of shared/outside as dictionaries of texts (# lines are its provenance)."""

    def read(name: str) -> list[dict[str, str]]:
        text = (root / "shared" / "outside" / name).read_text(encoding="utf-8").splitlines()
        return list(csv.DictReader(line for line in text if not line.startswith("#")))

    return read
