"""The command line. Commands live one a module and are imported when they are called."""

import os
import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from .._version import __version__
from ..threads import LIMITS
from ._lazy import Command, LazyGroup
from ._output import exit_status_of, prepare_streams, report_error

__all__ = ["COMMANDS", "main"]

_PICTURES, _INSTRUMENT, _PRACTICE = "Pictures", "At the instrument", "Practice"

COMMANDS: dict[str, Command] = {
    "assess": Command("assess", "Judge pictures: is the beam centered, by how much is it off, what to do.", _PICTURES),
    "compare": Command("compare", "Compare two pictures: what moved between them.", _PICTURES),
    "audit": Command("audit", "Go through a folder of old pictures: how well were past sessions centered?", _PICTURES),
    "watch": Command("watch", "Watch a folder and judge each picture as it arrives.", _INSTRUMENT),
    "calibrate": Command("calibrate", "Learn which way the gun shift axes move the beam.", _INSTRUMENT),
    "scan": Command("scan", "Find the shift of most current from meter readings at several shifts.", _INSTRUMENT),
    "session": Command("session", "Keep the session's log: checks, drift, when to look again.", _INSTRUMENT),
    "current": Command("current", "Which gun-lens focus gives the current that this work needs?", _INSTRUMENT),
    "instrument": Command("instrument", "Write, check or show the instrument file.", _INSTRUMENT),
    "practice": Command("practice", "Practice centering on a simulated instrument.", _PRACTICE),
    "simulate": Command("simulate", "Make pictures with known truth.", _PRACTICE),
}


_EPILOG = """
Examples:
  apertrue assess snapshot.tif
  apertrue assess pictures/ --overlay overlays/ --report report.html
  apertrue assess --help

apertrue only advises; it has not yet been verified on an instrument.
"""


class _Apertrue(LazyGroup):
    table = COMMANDS


app = typer.Typer(
    cls=_Apertrue,
    name="apertrue",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=_EPILOG,
)


def _print_version(value: bool) -> None:
    if value:
        print(f"apertrue {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    """Is the beam centered in the condenser aperture? One picture, one answer, with its doubt."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit: 0 did its work, 1 some picture could not be read, 2 wrong usage."""
    prepare_streams()
    os.environ.update(LIMITS)  # no library that reads them is loaded yet
    command = typer.main.get_command(app)
    try:
        command.main(args=None if arguments is None else list(arguments), prog_name="apertrue")
    except KeyboardInterrupt:
        sys.exit(130)
    except Exception as error:
        report_error(error)
        sys.exit(exit_status_of(error))
