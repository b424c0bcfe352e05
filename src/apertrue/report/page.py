"""One self-contained HTML page: templates with everything escaped, style and script inline, nothing from a network.

The page's own security policy forbids it to load anything and to run any script but ours (allowed by its hash), so that
even a file name that slipped through the escaping could do nothing.
"""

import base64
import hashlib
import re
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from .._version import __version__
from ..registry import SCHEMA_VERSION
from ..registry.format import format_number, format_value, heading, with_minus
from ..whole_file import write_whole

# Line breaks and marks that turn the reading direction are shown in file names, not obeyed.
_TURNING = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")
_FOLDER = Path(__file__).parent / "templates"


@cache
def _asset(name: str) -> str:
    return (_FOLDER / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


@cache
def _environment() -> Environment:
    env = Environment(
        loader=FileSystemLoader(_FOLDER, encoding="utf-8"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    env.filters["value"] = lambda row, name: pretty(format_value(name, row.get(name), row.get(name + "_sigma")))
    env.filters["number"] = lambda value, unit="", decimals=2: pretty(
        format_number(*value, unit=unit)
        if isinstance(value, tuple)
        else format_number(value, unit=unit, decimals=decimals)
    )
    env.filters["name"] = lambda text: _TURNING.sub(lambda m: f"\\u{ord(m[0]):04x}", str(text))
    env.filters["minus"] = with_minus
    env.globals["heading"] = heading
    return env


def pretty(text: str) -> str:
    """A formatted number with spaces that do not break."""
    return text.replace(" ", "\u00a0")


def render_page(template: str, *, title: str, made_at: datetime | None = None, **context: Any) -> str:
    """Render ``template`` as one self-contained page.

    Args:
        template: a file in ``templates/`` that extends ``base.html``.
        title: heading and window title.
        made_at: the only thing that differs between two runs on the same data; now when ``None``.
        context: what the template needs.
    """
    style, script = _asset("report.css"), _asset("report.js")
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_hash(style)}'; script-src '{_hash(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    page = _environment().get_template(template)
    return page.render(
        title=title,
        style=Markup(style),  # noqa: S704 our own file
        script=Markup(script),  # noqa: S704 our own file
        policy=policy,
        version=__version__,
        schema_version=SCHEMA_VERSION,
        made_at=(made_at or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC"),
        **context,
    )


def write_page(path: Path | str, text: str) -> Path:
    """Write a page so that a reader never sees half of it; returns the path. :class:`WriteError` when it can't be."""
    return write_whole(path, text)
