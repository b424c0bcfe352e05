"""The report of a session, or of all sessions of a log: the same page as an archive's, from the log's entries.

Recalls, moves and currents are known here and need not be inferred. Curves and stored settings rest on the whole log up
to the end of the time reported; pictures, losses and drift on that time alone. Nothing is judged anew: all numbers are
those of the log.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta, tzinfo
from math import sqrt
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import numpy as np

from ..calibration import Calibration
from ..current.entries import entry_of
from ..errors import ReadError
from ..instrument import Instrument
from ..readers import read_frame
from ..registry import SESSION_GAP_H
from ..report.page import write_page
from ..report.sketch import Outline, Sketch, small_jpeg
from ..session import events, standing
from ..session.clock import in_zone, zone_of
from ..session.describe import describe
from ..session.entry import SessionEvent
from ..session.history import runs
from ..session.masking import Mask, mask_for
from ..session.words import EventKind
from ..store import Store
from .charting import day_timeline
from .export import EXPORT_COLUMNS
from .history import history_of_log
from .names import Names
from .pictures import pictures_of
from .reporting import SEED, render_rows
from .wording import Paragraph, limits_told

#: Pixels a side of the small pictures, and how many are drawn at most.
_SIDE, _MOST_IMAGES = 160, 1500
#: Letters over the timeline for what was done.
_LETTERS = {
    EventKind.NUDGE: "N",
    EventKind.ROUTINE_END: "A",
    EventKind.RECALL: "R",
    EventKind.STATE: "S",
    EventKind.SERVICE: "V",
}
_LETTER_WORDS = {
    "N": "nudge",
    "A": "automatic routine",
    "A!": "automatic routine that did not end well",
    "R": "recall",
    "S": "state changed",
    "V": "service",
}
#: Moves after which readings of the shift are no longer those before.
_MOVING = (EventKind.NUDGE, EventKind.ROUTINE_END, EventKind.RECALL, EventKind.SERVICE)


def write_session_report(
    path: Path | str,
    store: Store,
    instrument: Instrument,
    *,
    now: datetime,
    since: datetime | None = None,
    until: datetime | None = None,
    calibrations: Sequence[Calibration] = (),
    mask_names: bool = False,
    images: bool = True,
    made_at: datetime | None = None,
) -> Path | None:
    """Write the report of the log's entries from ``since`` to ``until``; ``None`` when there are none.

    Args:
        path: the HTML file.
        store: the log.
        instrument: limits, costs, zone.
        now: the present, for how it stands; left out of the page when the time reported ended before.
        since: start; from the first entry when ``None``.
        until: end; to the last entry when ``None``.
        calibrations: kept shift calibrations.
        mask_names: replace names by numbers, leave out who.
        images: draw small pictures from the files, where they are still there and unchanged.
        made_at: the only thing that differs between two reports of the same log; now when ``None``.
    """
    zone = zone_of(instrument)
    before = events(store, until=until)
    entries = [e for e in before if since is None or e.at >= since]
    if not entries:
        return None
    names = Names() if mask_names else None
    mask = mask_for(store) if mask_names else Mask(())
    rows, shots = _rows(entries, zone)
    pictures = pictures_of(rows)
    history = history_of_log(
        [_masked(entry_of(e), names) for e in before],
        calibrations=calibrations,
        limits=instrument.limits,
        costs=instrument.costs,
        rng=np.random.default_rng(SEED),
    )
    days = sorted({e.at.astimezone(zone).date() for e in entries})
    single = (entries[-1].at - entries[0].at) < timedelta(hours=30)
    timeline = None
    if single:
        marks = _marks(entries)
        told = ", ".join(f"{k} {w}" for k, w in _LETTER_WORDS.items() if k in {m for _, m in marks})
        timeline = day_timeline(pictures, marks, instrument.limits, zone, f"Letters: {told}." if told else "")
    current = until is None or until > now
    short, stands = _stands(store, instrument, now, calibrations) if current else ([], [])
    title = f"Session of {days[0]}" if len(days) == 1 else f"Sessions from {days[0]} to {days[-1]}"
    settings = [
        ("instrument", instrument.name if not mask_names else "—"),
        ("entries", f"{len(entries)}, from {_at(entries[0].at, zone)} to {_at(entries[-1].at, zone)}"),
        ("zone", str(zone) if instrument.timezone else "this machine's"),
        ("limits", limits_told(instrument.limits)),
    ]
    page = render_rows(
        rows,
        sketches=_Drawn(shots, images),
        instrument=instrument,
        mask_names=mask_names,
        names=names,
        settings=settings,
        title=title,
        made_at=made_at,
        history=history,
        timeline=timeline,
        first=[*stands, *_done(entries, zone, mask, single)],
        first_short=short,
    )
    return write_page(path, page)


def _masked(entry: dict[str, Any], names: Names | None) -> dict[str, Any]:
    if names is not None and entry.get("setting"):
        entry = entry | {"setting": names.setting(str(entry["setting"]))}
    return entry


def _rows(entries: Sequence[SessionEvent], zone: tzinfo) -> tuple[list[dict[str, Any]], list[SessionEvent]]:
    """Rows of the pictures, with their session, the recalled setting, and the moves so far; and their entries."""
    rows, shots = [], []
    session, last, setting, moves = "", None, None, 0
    for e in entries:
        if last is None or e.at - last > timedelta(hours=SESSION_GAP_H):
            session, setting = _at(e.at, zone), None
        last = e.at
        moves += e.kind in _MOVING or (e.kind is EventKind.STATE and bool(e.changed))
        if e.kind is EventKind.RECALL and e.get("setting"):
            setting = str(e.get("setting"))
        if e.kind is not EventKind.PICTURE:
            continue
        row: dict[str, Any] = {c: e.values.get(c) for c in EXPORT_COLUMNS}
        for name in ("flags", "reasons"):
            row[name] = str(row[name]).split(";") if row[name] else []
        row["file"] = _short(row["file"]) or f"entry {e.id}"
        row["page"] = row["page"] or 0
        row["taken_at"] = in_zone(e.at, zone).isoformat(timespec="seconds")
        row["session"] = session
        row["setting"] = row["setting"] or setting
        row["moves"] = moves
        rows.append(row)
        shots.append(e)
    return rows, shots


def _short(file: str | None) -> str | None:
    """The last folder and the name: long enough to find it, the same on each machine."""
    if not file:
        return None
    parts = (PureWindowsPath(file) if "\\" in file else PurePosixPath(file)).parts
    return "/".join(parts[-2:]) if len(parts) > 2 else "/".join(parts)


def _marks(entries: Sequence[SessionEvent]) -> list[tuple[float, str]]:
    out = []
    for e in entries:
        letter = _LETTERS.get(e.kind)
        if letter is not None:
            bad = e.kind is EventKind.ROUTINE_END and e.outcome not in (None, "done")
            out.append((e.at.timestamp(), letter + "!" * bad))
    return out


def _stands(
    store: Store, instrument: Instrument, now: datetime, calibrations: Sequence[Calibration]
) -> tuple[list[str], list[Paragraph]]:
    here = standing(store, instrument, now, calibrations=calibrations)
    if here.last is None or not here.sentences:
        return [], []
    check = here.check_at
    short = []
    if check is not None:
        shown = in_zone(check, zone_of(instrument))
        short = [
            "Look again now: the last picture no longer tells."
            if check <= now + timedelta(minutes=1)
            else f"Look again by {shown:%H:%M}" + ("." if shown.date() == now.date() else f" ({shown:%Y-%m-%d}).")
        ]
    return short, [Paragraph("How it stands", " ".join(here.sentences))]


def _done(entries: Sequence[SessionEvent], zone: tzinfo, mask: Mask, single: bool) -> list[Paragraph]:
    """What was done, counted; of a single session also when."""
    count = {k: sum(e.kind is k for e in entries) for k in EventKind}
    found = runs(entries)
    hung = [r for r in found if r.outcome == "hung"]
    bad = [r for r in found if r.outcome not in ("done", "hung")]
    words = [
        f"{count[EventKind.NUDGE]} move{'s' if count[EventKind.NUDGE] != 1 else ''} of the gun shift by hand",
        f"{len(found)} run{'s' if len(found) != 1 else ''} of the automatic routine"
        + (f", of which {len(hung)} hung" if hung else "")
        + (f" and {len(bad)} failed or were stopped" if bad else ""),
        f"{count[EventKind.RECALL]} recall{'s' if count[EventKind.RECALL] != 1 else ''} of stored settings",
    ]
    minutes = [r.minutes for r in found if r.minutes is not None]
    text = ", ".join(words) + "."
    if minutes:
        text += f" The routine took {sum(minutes):.0f} min in all ({len(minutes)} runs with a noted start)."
    points: list[str] = []
    if single:
        kinds = (*_LETTERS, EventKind.NOTE)
        points = [
            f"{e.at.astimezone(zone):%H:%M} {mask.text(describe(e))}"
            for e in entries
            if e.kind in kinds and not (mask.names and e.kind is EventKind.RECALL)
        ]
    return [Paragraph("What was done", text, tuple(points[-40:]))]


class _Drawn:
    """Outlines from the log's numbers, small pictures from the files where they are still the same."""

    def __init__(self, shots: Sequence[SessionEvent], images: bool) -> None:
        self._shots, self._left = shots, _MOST_IMAGES if images else 0

    def of(self, number: int) -> tuple[str | None, bytes | None]:
        """(outlines, image) of row ``number``."""
        e = self._shots[number]
        outlines = outlines_of(e.values)
        shape, image = self._image(e)
        if shape is None:
            if not outlines:
                return None, None
            shape = _canvas(outlines)
        return Sketch(shape[1], shape[0], tuple(outlines)).outlines_json(), image

    def _image(self, e: SessionEvent) -> tuple[tuple[int, int] | None, bytes | None]:
        file = e.get("file")
        if self._left <= 0 or not file or e.digest is None or not Path(file).is_file():
            return None, None
        try:
            frame = read_frame(file, e.get("page") or 0)
        except (ReadError, OSError):
            return None, None
        if frame.digest != e.digest:
            return None, None
        self._left -= 1
        return frame.shape, small_jpeg(frame.pixels, _SIDE)


def outlines_of(values: Mapping[str, Any]) -> list[Outline]:
    """The edges that the fields of a picture tell."""
    out = []
    for role in ("aperture", "beam"):
        x, y, r = (values.get(f"{role}_{n}_px") for n in ("x", "y", "radius"))
        if x is None or y is None or r is None:
            continue
        e = min(max(values.get(f"{role}_ellipticity") or 0.0, 0.0), 0.9)
        stretch = sqrt((1 + e) / (1 - e))
        remembered = role == "aperture" and values.get("aperture_source") == "remembered"
        out.append(Outline(role, x, y, r * stretch, r / stretch, values.get(f"{role}_axis_deg") or 0.0, remembered))
    return out


def _canvas(outlines: Sequence[Outline]) -> tuple[int, int]:
    """(rows, columns) that hold the outlines, where the picture's size is not known."""
    right = max(o.x + o.major for o in outlines)
    bottom = max(o.y + o.major for o in outlines)
    room = 0.15 * max(o.major for o in outlines)
    return int(bottom + room) + 1, int(right + room) + 1


def _at(when: datetime, zone: tzinfo) -> str:
    return f"{when.astimezone(zone):%Y-%m-%d %H:%M}"
