"""The watch in the terminal: a compact live panel on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from ..registry import REASONS
from ..registry.format import NOTHING, format_number, with_minus
from ..session.clock import age_words, clock_words, in_zone, zone_of
from ..session.describe import age_note, describe, value
from ..session.stand import too_old

if TYPE_CHECKING:
    from datetime import datetime

    from ..session.entry import SessionEvent
    from .engine import Update, Watcher

#: Okabe & Ito's colors; the word always stands beside the color.
_STYLES = {"leave": "bold #009E73", "nudge": "bold #E69F00", "auto": "bold #D55E00", "retake": "bold #0072B2"}
#: In place of an old picture's advice.
_TOO_OLD = f"{REASONS['picture-stale'].sentence} {REASONS['picture-stale'].remedy}"


def rows(watcher: Watcher, now: datetime) -> list[tuple[str, str]]:
    """What the panel shows, as (what, text)."""
    zone = zone_of(watcher.instrument)
    now = in_zone(now, zone)
    state = watcher.state
    last, latest, here = state.last, state.latest, state.standing
    old = last is not None and too_old(last, watcher.instrument, now)
    out: list[tuple[str, str]] = []
    if last is None:
        said = "none with an offset yet" if latest is None else _told(latest, watcher, now)
        out.append(("Picture", said))
    else:
        direction = last.get("offset_direction_deg")
        toward = "" if direction is None else f" toward {direction:.0f}°"
        out.append(("Advice", _TOO_OLD if old else str(last.get("verdict") or NOTHING)))
        out.append(("Working score", value(last, "working_score")))
        out.append(("Offset", f"{value(last, 'offset_percent')}{toward}"))
    if here is not None and here.outlook.rate is not None:
        rate = here.outlook.rate
        way = "" if rate.direction_deg is None else f" toward {rate.direction_deg:.0f}°"
        out.append(("Trend", format_number(rate.speed, rate.speed_sigma, unit="% per hour") + way))
    else:
        out.append(("Trend", "from two pictures on"))
    if latest is not None:
        unknown = age_note(latest)
        age = age_words((now - latest.at).total_seconds() / 60.0)
        out.append(("Last picture", unknown or f"{clock_words(latest.at, now)}, {age} ago"))
    if here is not None and here.check_at is not None:
        due = here.check_at <= now
        out.append(("Next check", "now" if due else f"by {clock_words(here.check_at, now)}"))
    if here is not None:
        out.append(("Forecast", here.sentences[0]))
    if last is not None and last.get("nudge_x") is not None and not old:
        console = watcher.instrument.console
        move = f"{console.name_x} {last.get('nudge_x'):+g}, {console.name_y} {last.get('nudge_y'):+g}"
        out.append(("Move", with_minus(move)))
    return out


def counted(watcher: Watcher) -> str:
    """One line on what went by."""
    c = watcher.counts
    parts = [f"{c.judged} judged"]
    told = (
        (c.followed, "of them followed from the last picture to keep up"),
        (c.known, "known already"),
        (c.frozen, "frozen"),
        (c.unread, "unreadable"),
    )
    for number, word in told:
        if number:
            parts.append(f"{number} {word}")
    waiting = watcher.arrivals.waiting + len(watcher.queue)
    if waiting:
        parts.append(f"{waiting} waiting")
    return ", ".join(parts)


def plain_line(update: Update, watcher: Watcher, now: datetime) -> str:
    """One handled file in one line."""
    stamp = clock_words(now, in_zone(now, zone_of(watcher.instrument)))
    if update.error is not None:
        return f"{stamp}  not read  {update.error}"
    if update.event is None or not update.added:
        return f"{stamp}  {update.file.name}: in the log already"
    here = watcher.state.standing
    check = ""
    # While pictures come in quickly the forecast is not made anew for each: one of before is not this picture's.
    own = here is not None and here.follower is watcher.state.follower
    if own and here is not None and here.check_at is not None:
        due = here.check_at <= now
        check = (
            "; check again now"
            if due
            else f"; check again by {clock_words(here.check_at, in_zone(now, zone_of(watcher.instrument)))}"
        )
    unknown = age_note(update.event)
    return f"{stamp}  {update.file.name}: {_told(update.event, watcher, now)}{check}{unknown and f'. {unknown}'}"


def _told(picture: SessionEvent, watcher: Watcher, now: datetime) -> str:
    return describe(picture, old=too_old(picture, watcher.instrument, now))


class Panel:
    """The live panel: rich on a terminal, else plain lines as things happen."""

    def __init__(self, watcher: Watcher, *, live: bool) -> None:
        self._watcher = watcher
        self._shown: set[str] = set()
        self._live: Any = None
        if live:
            from rich.console import Console
            from rich.live import Live

            self._live = Live(console=Console(highlight=False), refresh_per_second=4, transient=False)

    def __enter__(self) -> Panel:
        if self._live is not None:
            self._live.start()
        else:
            self._print(f"Watching {self._watcher.settings.folder}. Stop with Ctrl-C.")
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()
        self._print(f"Stopped: {counted(self._watcher)}.")

    def update(self, update: Update, now: datetime) -> None:
        """One handled file."""
        if self._live is None:
            self._print(plain_line(update, self._watcher, now))
        elif update.error is not None:
            self._live.console.print(plain_line(update, self._watcher, now), markup=False)

    def refresh(self, now: datetime) -> None:
        """Show how it stands; warnings in plain mode once each."""
        warnings = self._watcher.warnings
        if self._live is not None:
            self._live.update(self._render(now))
            return
        for warning in warnings:
            if warning.kind not in self._shown:
                self._print(f"{clock_words(now, now)}  warning: {warning.sentence}")
        self._shown = {w.kind for w in warnings}

    def _render(self, now: datetime) -> Any:
        from rich.panel import Panel as Box
        from rich.table import Table
        from rich.text import Text

        grid = Table.grid(padding=(0, 2))
        grid.add_column(style="dim", no_wrap=True)
        grid.add_column()
        for what, text in rows(self._watcher, now):
            grid.add_row(what, Text(text, style=_STYLES.get(text, "")))
        for warning in self._watcher.warnings:
            grid.add_row("Warning", Text(warning.sentence, style="bold #D55E00"))
        grid.add_row("Pictures", counted(self._watcher))
        return Box(
            grid,
            title=f"apertrue watch: {self._watcher.settings.folder}",
            subtitle="advises only, not yet verified on an instrument; Ctrl-C stops",
            title_align="left",
            subtitle_align="left",
        )

    @staticmethod
    def _print(text: str) -> None:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
