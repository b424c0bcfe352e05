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
    tolerance: str


class Check:
    """Compares one number with a published one and remembers both for the table."""

    def __init__(self, source: dict[str, str], rows: list[Row]) -> None:
        missing = {"author", "title", "year", "place", "how"} - set(source)
        assert not missing, f"SOURCE lacks {sorted(missing)}"
        assert source["how"] in HOW, f"how must be one of {HOW}"
        self._name = "{author}, {title}, {year}, {place}".format(**source)
        self._how = source["how"]
        self._rows = rows

    def __call__(self, quantity: str, ours: Any, published: float, *, tol: float, relative: bool = False) -> None:
        ours = float(ours)
        self._rows.append(
            Row(self._name, self._how, quantity, published, ours, f"{tol:g}{' relative' if relative else ''}")
        )
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
    lines = ["| quantity | published | ours | tolerance |", "|---|---|---|---|"]
    out, last = [], None
    for row in sorted(rows, key=lambda r: r.source):  # stable: the tests' own order within a source
        if row.source != last:
            out += ["", f"## {row.source}", "", f"*{row.how}*", "", *lines]
            last = row.source
        out.append(f"| {row.quantity} | {row.published:.12g} | {row.ours:.12g} | {row.tolerance} |")
    Path(target).write_text("\n".join(["# Outside checks", *out, ""]), encoding="utf-8", newline="\n")


@pytest.fixture
def check(request: pytest.FixtureRequest, _rows: list[Row]) -> Check:
    """``check(quantity, ours, published, tol=…)`` under the module's ``SOURCE``."""
    return Check(request.module.SOURCE, _rows)


@pytest.fixture(scope="session")
def table(root: Path) -> Any:
    """``table(name)``: rows of a CSV file of shared/outside as dictionaries of texts (# lines are its provenance)."""

    def read(name: str) -> list[dict[str, str]]:
        text = (root / "shared" / "outside" / name).read_text(encoding="utf-8").splitlines()
        return list(csv.DictReader(line for line in text if not line.startswith("#")))

    return read
