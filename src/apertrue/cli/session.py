"""``apertrue session``: the log of the working day, drift, when to look again, handover."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._output import note, print_json, print_table, print_text, report_error
from ._recalls import recalls
from ._session_report import report

if TYPE_CHECKING:
    from datetime import datetime

    from ..calibration import Calibration
    from ..instrument import Instrument
    from ..session import SessionEvent, Standing
    from ..store import Store

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

LogOption = Annotated[
    Path | None, typer.Option("--log", metavar="FILE", help="The log; APERTRUE_LOG or your data folder when left out.")
]
InstrumentOption = Annotated[Path | None, typer.Option("--instrument", metavar="FILE.toml", help="Instrument file.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, one object a line.")]
AtOption = Annotated[
    str | None, typer.Option("--at", metavar="TIME", help="When: 14:20 or 2026-05-04T14:20+02:00; now when left out.")
]
WhoOption = Annotated[str | None, typer.Option("--who", help="Who makes the entry; left out of handovers.")]
DayOption = Annotated[str | None, typer.Option("--day", metavar="DATE", help="Another day, such as 2026-05-04.")]


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


@app.command()
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

    found, calibrations = _set_up(instrument)
    with _open(log, read_only=True) as store:
        since, until, zone = _day(found, day)
        moment = min(until, present(zone)) if day else present(zone)
        entries = events(store, since=None if every else since, until=None if every else until, all_entries=every)
        here = _standing(store, found, moment, calibrations)
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
        print_text(sentence)


@app.command()
def add(
    what: Annotated[
        list[str],
        typer.Argument(
            metavar="PICTURE... | KIND [FIELD=VALUE...]",
            help="Pictures to judge and add, or one of: nudge, routine-start, routine-end, recall, state, service, "
            "note, current.",
        ),
    ],
    log: LogOption = None,
    instrument: InstrumentOption = None,
    at: AtOption = None,
    who: WhoOption = None,
    outcome: Annotated[
        str | None, typer.Option("--outcome", help="Of a routine run: done, hung, failed or stopped.")
    ] = None,
    changed: Annotated[
        list[str] | None,
        typer.Option("--changed", help="What changed beside fields: emission, monochromator. May be repeated."),
    ] = None,
    as_taken: Annotated[
        bool, typer.Option("--as-taken", help="Judge each picture as of when it was taken: none is called stale.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Judge pictures and add them, or add what was done. Adding the same picture again does nothing.

    \b
    Examples:
      apertrue session add snapshots/*.tif
      apertrue session add nudge nudge_x=1.2 nudge_y=-0.4
      apertrue session add recall setting="70 um, STEM"
      apertrue session add state kv=200 --changed emission
      apertrue session add current current_pa=35 gun_focus=40 --at 14:20
    """
    from ..session import EventKind

    found, calibrations = _set_up(instrument)
    if what[0] in set(EventKind) - {EventKind.PICTURE, EventKind.RETRACTION}:
        values = _fields(what[1:])
        with _open(log) as store:
            entry = _add(store, found, what[0], at, who, outcome, changed or [], values)
        _said(entry, json)
        return
    if outcome or changed:
        raise typer.BadParameter(
            "--outcome and --changed belong to entries such as routine-end and state, not pictures"
        )
    if any("=" in w and not Path(w).exists() for w in what):
        raise typer.BadParameter(f"{what[0]!r} is no kind of entry. Kinds: {', '.join(_kinds())}")
    with _open(log) as store:
        bad = _add_pictures(store, what, found, calibrations, at, who, as_taken, json)
    if bad:
        raise typer.Exit(1)


@app.command(name="note")
def note_(
    text: Annotated[list[str], typer.Argument(help="The note.")],
    log: LogOption = None,
    instrument: InstrumentOption = None,
    at: AtOption = None,
    who: WhoOption = None,
    json: JsonOption = False,
) -> None:
    """Add a note.

    Example: apertrue session note "beam flickers when the pump starts"
    """
    found, _ = _set_up(instrument)
    with _open(log) as store:
        entry = _add(store, found, "note", at, who, None, [], {"note": " ".join(text)})
    _said(entry, json)


@app.command()
def undo(
    number: Annotated[int, typer.Argument(help="The entry's number as 'show' prints it.")],
    why: Annotated[str | None, typer.Option("--why", help="A word on why.")] = None,
    log: LogOption = None,
    who: WhoOption = None,
    json: JsonOption = False,
) -> None:
    """Take an entry back. It stays in the file; taking the retraction back restores it.

    Example: apertrue session undo 12 --why "typed the wrong axis"
    """
    from ..session import SessionError, retract

    with _open(log) as store:
        try:
            entry = retract(store, number, why=why, who=who)
        except SessionError as error:
            raise typer.BadParameter(str(error)) from error
    if json:
        print_json(event_dict(entry))
    else:
        print_text(f"Entry {number} is taken back (by entry {entry.id}; undo {entry.id} restores it).")


@app.command()
def export(
    file: Annotated[Path, typer.Argument(help="The CSV file to write; '-' for standard output.")],
    log: LogOption = None,
    masked: Annotated[bool, typer.Option("--masked", help="Without names and folders, for others.")] = False,
) -> None:
    """Write the whole log as CSV; 'import' reads it back exactly.

    Example: apertrue session export day.csv
    """
    import sys

    from ..session.sheet import export_csv

    with _open(log, read_only=True) as store:
        if str(file) == "-":
            export_csv(store, sys.stdout, masked=masked)
            return
        with file.open("w", encoding="utf-8", newline="") as out:
            count = export_csv(store, out, masked=masked)
    print_text(f"Wrote {count} entries to {file}.")


@app.command(name="import")
def import_(
    file: Annotated[Path, typer.Argument(help="A CSV file with at least the columns at and kind.")],
    log: LogOption = None,
    instrument: InstrumentOption = None,
    json: JsonOption = False,
) -> None:
    """Add a CSV file's entries; those that are there already are passed over.

    Example: apertrue session import day.csv
    """
    from ..session import zone_of
    from ..session.sheet import import_csv

    found, _ = _set_up(instrument)
    with _open(log) as store:
        added, there = import_csv(store, file, zone=zone_of(found))
    if json:
        print_json({"file": str(file), "added": added, "already_there": there})
    else:
        print_text(f"Added {added} entries; {there} were there already.")


@app.command()
def plot(
    file: Annotated[Path, typer.Argument(help="The picture to write: .svg, .png or .pdf.")],
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
    found, calibrations = _set_up(instrument)
    since, until, zone = _day(found, day)
    with _open(log, read_only=True) as store:
        moment = None if day else present(zone)
        line = timeline(store, found, since, until, now=moment, calibrations=calibrations)
    if not (line.offset.at or line.marks or line.current.at):
        note("no entries on that day; nothing to draw.")
        raise typer.Exit(1)
    draw(line, file)
    print_text(f"Wrote {file}.")


app.command()(recalls)
app.command()(report)


@app.command()
def handover(
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FILE.html", help="Write a page instead of printing text.")
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

    found, calibrations = _set_up(instrument)
    since, until, zone = _day(found, None)
    with _open(log, read_only=True) as store:
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
        output.write_text(as_html(page, picture), encoding="utf-8", newline="\n")
        print_text(f"Wrote {output}.")


@app.command()
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


def event_dict(entry: "SessionEvent") -> dict[str, Any]:
    """An entry for JSON: its own columns, then the fields that are not null."""
    lists = {"flags", "reasons"}
    fields = {k: (v.split(";") if v else []) if k in lists else v for k, v in entry.values.items()}
    return {
        "id": entry.id,
        "uid": entry.uid,
        "kind": str(entry.kind),
        "at": entry.at.isoformat(),
        "added_at": entry.added_at.isoformat(),
        "who": entry.who,
        "origin": entry.origin,
        "outcome": entry.outcome,
        "changed": list(entry.changed),
        "retracts": entry.retracts,
        "digest": entry.digest,
        **fields,
    }


def standing_dict(here: "Standing") -> dict[str, Any]:
    """Drift and forecast for JSON; times ISO 8601, rates in % of the aperture radius per hour."""
    view = here.outlook

    def iso(hours: float | None) -> str | None:
        when = here.at(hours)
        return None if when is None else when.isoformat()

    rate = view.rate
    return {
        "kind": "standing",
        "at": here.now.isoformat(),
        "basis": view.basis,
        "drift_percent_per_h": None if rate is None else rate.speed,
        "drift_percent_per_h_sigma": None if rate is None else rate.speed_sigma,
        "drift_direction_deg": None if rate is None else rate.direction_deg,
        "drift_direction_deg_sigma": None if rate is None else rate.direction_deg_sigma,
        "offset_percent_now": None if view.offset is None else view.offset.length,
        "offset_percent_now_interval": None if view.offset is None else list(view.offset.length_interval),
        "limit": view.limit_name,
        "limit_value": view.limit_value,
        "limit_crossed_early": iso(view.early_h),
        "limit_crossed_median": iso(view.median_h),
        "limit_crossed_late": iso(view.late_h),
        "check_by": iso(view.check_h),
        "settling": view.settling,
        "sentences": list(here.sentences),
    }


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


def _add(
    store: "Store",
    found: "Instrument",
    kind: str,
    at: str | None,
    who: str | None,
    outcome: str | None,
    changed: list[str],
    values: dict[str, Any],
) -> "SessionEvent":
    from ..session import SessionError, TimeError, add_event

    try:
        return add_event(
            store, kind, _when(at, found), who=who, outcome=outcome, changed=changed, values=values, origin="session"
        )
    except (SessionError, TimeError) as error:
        raise typer.BadParameter(str(error)) from error


def _add_pictures(
    store: "Store",
    names: list[str],
    found: "Instrument",
    calibrations: "tuple[Calibration, ...]",
    at: str | None,
    who: str | None,
    as_taken: bool,
    json: bool,
) -> int:
    from dataclasses import replace

    from ..errors import ReadError
    from ..readers import ReadOptions, expand, read_frames
    from ..session import judge_in_session
    from ..session.clock import now as present
    from ..session.clock import zone_of

    zone = zone_of(found)
    when = _when(at, found)
    options = ReadOptions(timezone=found.timezone)
    bad = 0
    for file in expand(names):
        try:
            for frame in read_frames(file, options=options):
                if when is not None:
                    frame = replace(frame, taken_at=when, taken_at_source="option")
                moment = present(zone) if when is None else when
                if as_taken and frame.taken_at is not None:
                    moment = frame.taken_at
                done = judge_in_session(
                    store, frame, found, moment, calibrations=calibrations, who=who, origin="session"
                )
                _tell(done, json)
        except ReadError as error:
            bad += 1
            report_error(error)
            if json:
                print_json({"file": str(file), "error": str(error)})
    here = _standing(store, found, present(zone), calibrations)
    if json:
        print_json(standing_dict(here))
    else:
        for sentence in here.sentences:
            print_text(sentence)
    return bad


def _tell(done: Any, json: bool) -> None:
    if json:
        print_json({**event_dict(done.event), "added": done.added})
        return
    from ..session.describe import describe

    file = Path(done.event.get("file") or "picture").name
    known = "" if done.added else " (was in the log already)"
    print_text(f"{file}: {describe(done.event)}{known}")
    if done.added:
        for sentence in done.result.advice.sentences[:3]:
            print_text(f"  {sentence}")


def _said(entry: "SessionEvent", json: bool) -> None:
    from ..session.describe import describe

    if json:
        print_json(event_dict(entry))
    else:
        print_text(f"Entry {entry.id}, {entry.at:%H:%M}: {describe(entry)}.")


def _fields(texts: list[str]) -> dict[str, Any]:
    from ..registry import FIELDS

    kinds = {f.name: f.kind for f in FIELDS}
    out: dict[str, Any] = {}
    for text in texts:
        name, equals, raw = text.partition("=")
        if not equals or name not in kinds:
            raise typer.BadParameter(f"{text!r}: write FIELD=VALUE; 'apertrue session columns' lists the fields")
        if kinds[name] in ("real", "whole"):
            try:
                number = float(raw.replace(",", ".") if raw.count(",") == 1 and "." not in raw else raw)
            except ValueError:
                raise typer.BadParameter(f"{name}: {raw!r} is no number") from None
            if number != number or abs(number) == float("inf"):
                raise typer.BadParameter(f"{name}: {raw!r} is no number")
            out[name] = number
        else:
            out[name] = raw
    return out


def _kinds() -> list[str]:
    from ..session import EventKind

    return [str(k) for k in EventKind if k not in (EventKind.PICTURE, EventKind.RETRACTION)]


def _open(log: Path | None, *, read_only: bool = False) -> "Store":
    from ..session import default_log_path, open_log

    if read_only and not (log or default_log_path()).exists():
        note(f"{log or default_log_path()}: there is no log yet. 'apertrue session add PICTURE' starts one.")
        raise typer.Exit(1)
    return open_log(log, read_only=read_only)


def _set_up(instrument: Path | None) -> "tuple[Instrument, tuple[Calibration, ...]]":
    from ..calibration import calibration_path, load_calibrations
    from ..instrument import find_instrument

    found, source = find_instrument(instrument)
    path = calibration_path(source)
    return found, load_calibrations(path) if path.exists() else ()


def _standing(
    store: "Store", found: "Instrument", moment: "datetime", calibrations: "tuple[Calibration, ...]"
) -> "Standing":
    from ..session import standing

    return standing(store, found, moment, calibrations=calibrations)


def _when(at: str | None, found: "Instrument") -> "datetime | None":
    from ..session import TimeError, read_time, zone_of

    if at is None:
        return None
    try:
        return read_time(at, zone_of(found))
    except TimeError as error:
        raise typer.BadParameter(str(error)) from error


def _day(found: "Instrument", day: str | None) -> "tuple[datetime, datetime, Any]":
    """Start and end of a day in the instrument's zone, and the zone; today when ``None``."""
    from datetime import date, datetime, timedelta

    from ..session import zone_of
    from ..session.clock import fixed
    from ..session.clock import now as present

    zone = zone_of(found)
    try:
        which = present(zone).date() if day is None else date.fromisoformat(day)
    except ValueError:
        raise typer.BadParameter(f"{day!r} is no date; write 2026-05-04") from None
    start = datetime(which.year, which.month, which.day, tzinfo=zone)
    following = which + timedelta(days=1)
    end = datetime(following.year, following.month, following.day, tzinfo=zone)
    return fixed(start), fixed(end), zone


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
        note(str(error))
        return None


__all__ = ["app", "event_dict", "standing_dict"]
