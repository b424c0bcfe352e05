"""``apertrue session show``, ``plot``, ``handover`` and ``columns``: what the log tells."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ._output import note, print_json, print_sentence, print_table, print_text
from ._pages import as_page
from ._session_common import (
    DayOption,
    InstrumentOption,
    JsonOption,
    LogOption,
    day_limits,
    event_dict,
    open_session_log,
    set_up,
    standing_dict,
    standing_now,
)

if TYPE_CHECKING:
    from datetime import datetime

    from ..calibration import Calibration
    from ..instrument import Instrument
    from ..session import SessionEvent, Standing
    from ..store import Store


def show(
    log: LogOption = None,
    instrument: InstrumentOption = None,
    day: DayOption = None,
    every: Annotated[bool, typer.Option("--all", help="All days, and entries that were taken back.")] = False,
    json: JsonOption = False,
) -> None:
    """Show the day's entries, the drift and when to look again.

    Example: apertrue session show --day 2026-05-04
    """
    from ..session import events
    from ..session.clock import now as present

    found, calibrations = set_up(instrument)
    with open_session_log(log, read_only=True) as store:
        since, until, zone = day_limits(found, day)
        moment = min(until, present(zone)) if day else present(zone)
        entries = events(store, since=None if every else since, until=None if every else until, all_entries=every)
        here = standing_now(store, found, moment, calibrations)
    if json:
        for entry in entries:
            print_json(event_dict(entry))
        print_json(standing_dict(here))
        return
    if not entries:
        print_text("No entries. Add the first picture with: apertrue session add PICTURE")
        return
    _print_entries(entries, moment)
    for sentence in _rate_sentence(here) + here.sentences:
        print_sentence(sentence)


def plot(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The picture to write: .svg, .png or .pdf.")],
    log: LogOption = None,
    instrument: InstrumentOption = None,
    day: DayOption = None,
) -> None:
    """Draw the day at a glance: offset, working score, forecast, what was done, current.

    Example: apertrue session plot day.svg
    """
    from ..session.clock import now as present
    from ..session.plot import draw
    from ..session.timeline import timeline

    if file.suffix.lower() not in (".svg", ".png", ".pdf"):
        raise typer.BadParameter("the file must end in .svg, .png or .pdf")
    found, calibrations = set_up(instrument)
    since, until, zone = day_limits(found, day)
    with open_session_log(log, read_only=True) as store:
        moment = None if day else present(zone)
        line = timeline(store, found, since, until, now=moment, calibrations=calibrations)
    if not (line.offset.at or line.marks or line.current.at):
        note("no entries on that day; nothing to draw.")
        raise typer.Exit(1)
    draw(line, file)
    print_text(f"Wrote {file}.")


def handover(
    output: Annotated[
        Path | None,
        typer.Option(
            "--output", "-o", metavar="FILE.html", callback=as_page, help="Write a page instead of printing text."
        ),
    ] = None,
    log: LogOption = None,
    instrument: InstrumentOption = None,
    json: JsonOption = False,
) -> None:
    """One page for the next operator: what is set, how it stands, what to do next. Names are left out.

    Example: apertrue session handover --output handover.html
    """
    from dataclasses import asdict

    from ..session.clock import now as present
    from ..session.handover import as_html, as_text
    from ..session.handover import handover as make
    from ..whole_file import write_whole

    found, calibrations = set_up(instrument)
    since, until, zone = day_limits(found, None)
    with open_session_log(log, read_only=True) as store:
        moment = present(zone)
        page = make(store, found, moment, calibrations=calibrations)
        picture = None
        if output is not None:
            picture = _timeline_svg(store, found, since, until, moment, calibrations)
    if json:
        print_json(asdict(page))
    elif output is None:
        print_text(as_text(page).rstrip())
    else:
        write_whole(output, as_html(page, picture))
        print_text(f"Wrote {output}.")


def columns(json: JsonOption = False) -> None:
    """List the log's columns with units and meanings.

    Example: apertrue session columns
    """
    from ..registry import FIELDS
    from ..session.words import COLUMNS

    rows = [(c.name, c.unit, c.meaning) for c in COLUMNS] + [(f.name, f.unit, f.meaning) for f in FIELDS]
    if json:
        for name, unit, meaning in rows:
            print_json({"name": name, "unit": unit, "meaning": meaning})
        return
    print_table(["Column", "Unit", "Meaning"], rows)
    print_text("Each measured field has a further column <name>_sigma: its 1σ.")


def _print_entries(entries: "list[SessionEvent]", moment: "datetime") -> None:
    from ..session.clock import clock_words
    from ..session.describe import describe

    back = {e.retracts for e in entries if e.retracts}
    numbers = {e.uid: e.id for e in entries}
    rows = []
    for e in entries:
        text = f"takes back {numbers.get(e.retracts, '?')}" if e.retracts else describe(e)
        if e.uid in back:
            text = f"(taken back) {text}"
        rows.append([str(e.id), clock_words(e.at, moment), str(e.kind), text])
    print_table(["No.", "Time", "What", ""], rows, right=(0,))
    print_text()


def _rate_sentence(here: "Standing") -> tuple[str, ...]:
    from ..registry.format import format_number

    rate = here.outlook.rate
    if rate is None:
        return ()
    speed = format_number(rate.speed, rate.speed_sigma, unit="% of the aperture radius per hour")
    way = "its direction is lost in its doubt"
    if rate.direction_deg is not None:
        angle = format_number(rate.direction_deg, rate.direction_deg_sigma, unit="°")
        way = f"toward {angle} (90° is up)"
    return (f"The beam creeps {speed}, {way}.",)


def _timeline_svg(
    store: "Store",
    found: "Instrument",
    since: "datetime",
    until: "datetime",
    moment: "datetime",
    calibrations: "tuple[Calibration, ...]",
) -> str | None:
    """The day's timeline where matplotlib is installed."""
    from ..errors import MissingExtraError
    from ..session.plot import draw_svg
    from ..session.timeline import timeline

    try:
        line = timeline(store, found, since, until, now=moment, calibrations=calibrations)
        return draw_svg(line) if line.offset.at else None
    except MissingExtraError as error:
        print_text(f"The page is whole but for the day's drawing, which needs an optional part. {error.remedy}")
        return None
