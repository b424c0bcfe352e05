"""What the commands of ``apertrue session`` share: their options, the log, the day, entries as JSON."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._output import note

if TYPE_CHECKING:
    from datetime import datetime

    from ..calibration import Calibration
    from ..instrument import Instrument
    from ..session import SessionEvent, Standing
    from ..store import Store

LogOption = Annotated[
    Path | None, typer.Option("--log", metavar="FILE", help="The log; APERTRUE_LOG or your data folder when left out.")
]
InstrumentOption = Annotated[Path | None, typer.Option("--instrument", metavar="FILE.toml", help="Instrument file.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, one object a line.")]
AtOption = Annotated[
    str | None, typer.Option("--at", metavar="TIME", help="When: 14:20 or 2026-05-04T14:20+02:00; now when left out.")
]
WhoOption = Annotated[
    str | None, typer.Option("--who", metavar="NAME", help="Who makes the entry; left out of handovers.")
]
DayOption = Annotated[str | None, typer.Option("--day", metavar="DATE", help="Another day, such as 2026-05-04.")]


def open_session_log(log: Path | None, *, read_only: bool = False) -> "Store":
    """The log; says what starts one, and ends the command, when there is none to read."""
    from ..session import default_log_path, open_log

    if read_only and not (log or default_log_path()).exists():
        note(f"{log or default_log_path()}: there is no log yet. 'apertrue session add PICTURE' starts one.")
        raise typer.Exit(1)
    return open_log(log, read_only=read_only)


def set_up(instrument: Path | None) -> "tuple[Instrument, tuple[Calibration, ...]]":
    """The instrument file and all shift calibrations at hand."""
    from ..calibration import calibration_path, load_calibrations
    from ..instrument import find_instrument

    found, source = find_instrument(instrument)
    path = calibration_path(source)
    return found, load_calibrations(path) if path.exists() else ()


def standing_now(
    store: "Store", found: "Instrument", moment: "datetime", calibrations: "tuple[Calibration, ...]"
) -> "Standing":
    """How the session stands at a moment, from the log."""
    from ..session import standing

    return standing(store, found, moment, calibrations=calibrations)


def moment_of(at: str | None, found: "Instrument") -> "datetime | None":
    """A time as typed, in the instrument's zone; ``None`` when none was given."""
    from ..session import TimeError, read_time, zone_of

    if at is None:
        return None
    try:
        return read_time(at, zone_of(found))
    except TimeError as error:
        raise typer.BadParameter(str(error)) from error


def day_limits(found: "Instrument", day: str | None) -> "tuple[datetime, datetime, Any]":
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
