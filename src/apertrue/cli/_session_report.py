"""``apertrue session report``: a day, or all days, as one page for people."""

from pathlib import Path
from typing import Annotated

import typer

from ._output import note, print_text
from ._pages import as_page
from ._session_common import InstrumentOption, LogOption, day_limits, open_session_log, set_up


def report(
    file: Annotated[Path, typer.Argument(metavar="FILE.html", callback=as_page, help="The page to write.")],
    log: LogOption = None,
    instrument: InstrumentOption = None,
    day: Annotated[
        str | None, typer.Option("--day", metavar="DATE", help="Another day than today, such as 2026-05-04.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="All days of the log.")] = False,
    mask_names: Annotated[
        bool, typer.Option("--mask-names", help="Without names of people, files, settings; for others.")
    ] = False,
    no_pictures: Annotated[
        bool, typer.Option("--no-pictures", help="Draw the edges alone; the picture files are not opened.")
    ] = False,
) -> None:
    """Write the report of a session: words first, then plots, then each picture with both edges. One page, no network.

    Example: apertrue session report monday.html --day 2026-05-04
    """
    from ..audit.session_report import write_session_report
    from ..session.clock import now as present

    if day and every:
        raise typer.BadParameter("give --day or --all, not both")
    found, calibrations = set_up(instrument)
    since, until, zone = day_limits(found, day)
    with open_session_log(log, read_only=True) as store:
        written = write_session_report(
            file,
            store,
            found,
            now=present(zone),
            since=None if every else since,
            until=None if every else until,
            calibrations=calibrations,
            mask_names=mask_names,
            images=not no_pictures,
        )
    if written is None:
        note("no entries in that time; nothing to report. --all takes all days, --day another one.")
        raise typer.Exit(1)
    print_text(f"Wrote {written.resolve()}")
