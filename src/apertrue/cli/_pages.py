"""Names of pages that commands write."""

from pathlib import Path

import typer


def as_page(path: Path | None) -> Path | None:
    """The name as it is; refuses one that says that the page is something else than a page for a browser."""
    if path is not None and path.suffix.lower() not in ("", ".html", ".htm"):
        raise typer.BadParameter(
            f"{path}: it is a page for a browser; end its name in .html. For a PDF print that page from the browser."
        )
    return path
