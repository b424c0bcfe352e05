"""``apertrue session``: the log of the working day, drift, when to look again, handover."""

from pathlib import Path
from typing import Annotated

import typer

from ._output import print_json, print_text
from ._recalls import recalls
from ._session_common import (
    InstrumentOption,
    JsonOption,
    LogOption,
    open_session_log,
    set_up,
)
from ._session_entries import add, note_, undo
from ._session_report import report
from ._session_show import columns, handover, plot, show

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)


@app.callback()
def _about() -> None:
    """Keep the session's log: what was seen and done, how the beam drifts, when to look again.

    \b
    Examples:
      apertrue session add snapshot.tif
      apertrue session add nudge nudge_x=1.2 nudge_y=-0.4
      apertrue session add routine-end --outcome hung
      apertrue session show
      apertrue session plot day.svg
      apertrue session handover --output handover.html
      apertrue session report day.html
    """


def export(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="The CSV file to write; '-' for standard output.")],
    log: LogOption = None,
    masked: Annotated[bool, typer.Option("--masked", help="Without names and folders, for others.")] = False,
) -> None:
    """Write the whole log as CSV; 'import' reads it back exactly.

    Example: apertrue session export day.csv
    """
    import sys

    from ..session.sheet import export_csv
    from ..whole_file import whole_file

    with open_session_log(log, read_only=True) as store:
        if str(file) == "-":
            export_csv(store, sys.stdout, masked=masked)
            return
        with whole_file(file) as place, place.open("w", encoding="utf-8", newline="") as out:
            count = export_csv(store, out, masked=masked)
    print_text(f"Wrote {count} entries to {file}.")


def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="A CSV file with at least the columns at and kind.")],
    log: LogOption = None,
    instrument: InstrumentOption = None,
    json: JsonOption = False,
) -> None:
    """Add a CSV file's entries; those that are there already are passed over.

    Example: apertrue session import day.csv
    """
    from ..session import zone_of
    from ..session.sheet import import_csv

    found, _ = set_up(instrument)
    with open_session_log(log) as store:
        added, there = import_csv(store, file, zone=zone_of(found))
    if json:
        print_json({"file": str(file), "added": added, "already_there": there})
    else:
        print_text(f"Added {added} entries; {there} were there already.")


# In the order of the help.
app.command()(show)
app.command()(add)
app.command(name="note")(note_)
app.command()(undo)
app.command()(export)
app.command(name="import")(import_)
app.command()(plot)
app.command()(recalls)
app.command()(report)
app.command()(handover)
app.command()(columns)

__all__ = ["app"]
