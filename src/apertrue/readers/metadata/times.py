"""Times as files write them.

Forms: ISO 8601 (date and time; zone if given), TIFF 6.0 / Exif 2.3 (``YYYY:MM:DD HH:MM:SS``) and RFC 2822 (which the
PNG specification recommends). Nothing else is taken: ``03/04/25`` means two different days.
"""

import re
from datetime import UTC, datetime, timedelta, timezone

from ...errors import ReadError

_EXIF = re.compile(r"(\d{4})[:/-](\d\d)[:/-](\d\d)[ T](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?")
_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)")
_FIRST, _LAST = 1970, 2200


def parse_time(text: str, offset: str | None = None, subseconds: str | None = None) -> datetime | None:
    """The time that ``text`` states; ``None`` when it is none of the forms above, or a clock that was never set.

    Args:
        text: the time.
        offset: Exif's OffsetTime (``+01:00``), for texts without zone.
        subseconds: Exif's SubSecTime: the digits after the point.
    """
    text = str(text).strip().strip("\0").strip()
    found = _EXIF.fullmatch(text)
    when: datetime | None = None
    try:
        if found:
            *whole, fraction = found.groups()
            digits = (fraction or subseconds or "").strip()
            micro = int((digits + "000000")[:6]) if digits.isdigit() else 0
            when = datetime(*(int(n) for n in whole), micro)  # type: ignore[arg-type,call-arg]
        elif re.match(r"\d{4}-\d\d-\d\d[T ]\d\d", text):
            when = datetime.fromisoformat(text)
        elif re.match(r"(?:[A-Za-z]{3}, )?\d{1,2} [A-Za-z]{3} \d{4} ", text):
            from email.utils import parsedate_to_datetime

            when = parsedate_to_datetime(text)
    except ValueError:
        return None
    if when is None or not _FIRST < when.year < _LAST:
        return None
    shift = _OFFSET.fullmatch((offset or "").strip())
    if when.tzinfo is None and shift:
        minutes = int(shift[2]) * 60 + int(shift[3])
        if minutes < 24 * 60:
            when = when.replace(tzinfo=timezone(timedelta(minutes=-minutes if shift[1] == "-" else minutes)))
    return when


def with_zone(when: datetime, zone: str | None, name: str) -> datetime:
    """``when`` with a zone: its own, else ``zone`` (an IANA name), else this machine's.

    ``name`` is the file, for the error when the zone is unknown.
    """
    if when.tzinfo is not None:
        return when
    if zone is None:
        return when.astimezone()
    if zone.upper() == "UTC":
        return when.replace(tzinfo=UTC)
    from zoneinfo import ZoneInfo

    try:
        return when.replace(tzinfo=ZoneInfo(zone))
    except (KeyError, ValueError, OSError) as problem:
        raise ReadError(
            name, f"the time zone {zone!r} is not known here", "Name one such as Europe/Berlin or UTC"
        ) from problem
