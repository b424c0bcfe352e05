"""Times with zones: reading them, daylight saving, cameras whose clock is off, machines whose clock jumps."""

from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ..errors import ApertrueError

if TYPE_CHECKING:
    from ..instrument import Instrument


class TimeError(ApertrueError, ValueError):
    """A time that can't be understood, or that names no single moment."""


def zone_of(instrument: "Instrument | None" = None) -> tzinfo:
    """The instrument's zone, or this machine's.

    Raises:
        TimeError: the instrument file names a zone that is not known.
    """
    name = instrument.timezone if instrument is not None else None
    if name:
        try:
            return ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise TimeError(f"no such time zone: {name}. Use a name such as Europe/Berlin") from error
    return local_zone()


def local_zone() -> tzinfo:
    """The zone of this machine, with its rules for daylight saving where the system names it."""
    return _LOCAL


class _Local(tzinfo):
    """The system's local time; keeps following its rules, unlike the fixed offset of ``astimezone()``."""

    def utcoffset(self, when: datetime | None) -> timedelta:
        if when is None:
            return timedelta(0)
        offset = when.replace(tzinfo=None).astimezone().utcoffset()
        return offset if offset is not None else timedelta(0)

    def dst(self, when: datetime | None) -> timedelta:  # noqa: ARG002
        return timedelta(0)

    def tzname(self, when: datetime | None) -> str | None:
        return None if when is None else when.replace(tzinfo=None).astimezone().tzname()

    def fromutc(self, when: datetime) -> datetime:
        local = when.replace(tzinfo=UTC).astimezone()
        return local.replace(tzinfo=self)


_LOCAL: tzinfo = _Local()


def now(zone: tzinfo | None = None) -> datetime:
    """The present time in a zone, with a numeric offset."""
    return fixed(datetime.now(UTC).astimezone(zone or local_zone()))


def fixed(when: datetime) -> datetime:
    """The same moment and wall time with a plain numeric offset, so that it is written and compared without rules."""
    offset = when.utcoffset()
    if offset is None:
        raise TimeError(f"{when.isoformat()}: a time needs its zone")
    from datetime import timezone

    return when.replace(tzinfo=timezone(offset), fold=0)


def in_zone(when: datetime, zone: tzinfo) -> datetime:
    """The same moment on another zone's clock, with a numeric offset."""
    return fixed(when.astimezone(UTC).astimezone(zone))


def read_time(text: str, zone: tzinfo, today: datetime | None = None) -> datetime:
    """A time from a person or a sheet: ISO 8601 with or without zone, or only ``14:20`` (that day's).

    Args:
        text: the time.
        zone: for times that state none.
        today: the moment to whose day a time without date belongs; the present when ``None``.

    Raises:
        TimeError: no time, or one that the change to or from daylight saving skips or repeats.
    """
    raw = text.strip().replace("Z", "+00:00") if text.strip().endswith("Z") else text.strip()
    reference = (today or datetime.now(UTC)).astimezone(zone)
    try:
        if raw.lower() == "now":
            return now(zone)
        if ":" in raw and "-" not in raw.split("+", maxsplit=1)[0] and "T" not in raw:
            raw = f"{reference.date().isoformat()}T{raw if raw.index(':') == 2 else '0' + raw}"
        when = datetime.fromisoformat(raw)
    except ValueError as error:
        raise TimeError(f"{text}: no time. Write it as 14:20 or 2026-05-04T14:20+02:00") from error
    if when.tzinfo is not None:
        return fixed(when)
    return localized(when, zone)


def localized(when: datetime, zone: tzinfo) -> datetime:
    """A wall time without zone as a moment in ``zone``.

    Raises:
        TimeError: the clock skips that time or shows it twice (change to or from daylight saving).
    """
    first, second = (when.replace(tzinfo=zone, fold=f) for f in (0, 1))
    if first.utcoffset() != second.utcoffset():
        back = in_zone(first, zone).replace(tzinfo=None)
        if back != when:
            raise TimeError(
                f"{when.isoformat(sep=' ')} does not exist: the clock skips it (daylight saving). Give the offset, "
                f"such as {when.isoformat()}+00:00"
            )
        options = " or ".join(f"{when.isoformat()}{_offset(w)}" for w in (first, second))
        raise TimeError(f"{when.isoformat(sep=' ')} happens twice (end of daylight saving). Give the offset: {options}")
    return fixed(first)


def _offset(when: datetime) -> str:
    return when.isoformat()[len(when.replace(tzinfo=None).isoformat()) :]


def clock_words(when: datetime, reference: datetime) -> str:
    """Clock time for people: ``14:20``, with the date when it is another day than ``reference`` (same zone)."""
    shown = when.astimezone(reference.tzinfo)
    text = shown.strftime("%H:%M")
    return text if shown.date() == reference.date() else f"{shown.strftime('%Y-%m-%d')} {text}"


def age_words(minutes: float) -> str:
    """An age for people: ``12 s``, ``4 min``, ``2 h 5 min``, ``3 days``."""
    if minutes < 0:
        return f"{age_words(-minutes)} ahead"
    if minutes < 1:
        return f"{minutes * 60:.0f} s"
    if minutes < 60:
        return f"{minutes:.0f} min"
    if minutes < 48 * 60:
        return f"{int(minutes // 60)} h {int(minutes % 60)} min"
    return f"{minutes / 1440:.0f} days"
