"""``apertrue watch``: judge each new picture of a folder as it arrives."""

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._output import note, print_json

if TYPE_CHECKING:
    from ..watch import Update, Watcher

app = typer.Typer()


@app.command()
def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder into which pictures are saved.")],
    log: Annotated[
        Path | None, typer.Option("--log", metavar="FILE", help="The session log; the usual one when left out.")
    ] = None,
    instrument: Annotated[
        Path | None, typer.Option("--instrument", metavar="FILE.toml", help="Instrument file.")
    ] = None,
    lead: Annotated[
        float, typer.Option("--lead", metavar="MIN", min=0.0, help="Warn this long before a limit may be crossed.")
    ] = 10.0,
    silent: Annotated[
        float | None, typer.Option("--silent", metavar="MIN", min=0.1, help="Warn when no picture came for so long.")
    ] = None,
    on_warning: Annotated[
        str | None,
        typer.Option(
            "--on-warning",
            metavar="COMMAND",
            help="Run this on a warning (no shell); the fields are in its environment as APERTRUE_<FIELD>.",
        ),
    ] = None,
    bell: Annotated[bool, typer.Option("--bell/--no-bell", help="Ring the terminal's bell on a warning.")] = True,
    recursive: Annotated[bool, typer.Option("--recursive", help="Subfolders too.")] = False,
    existing: Annotated[
        bool, typer.Option("--existing", help="Judge the pictures that are there already, too.")
    ] = False,
    poll: Annotated[
        float, typer.Option("--poll", metavar="S", min=0.05, help="How often to look through the folder (shares).")
    ] = 1.0,
    notices: Annotated[
        bool, typer.Option("--notices/--no-notices", help="Use the system's notices; network shares have none.")
    ] = True,
    workers: Annotated[
        int | None, typer.Option("--workers", metavar="N", min=0, help="Processes for bursts; all cores when left out.")
    ] = None,
    follow: Annotated[
        bool,
        typer.Option(
            "--follow/--no-follow",
            help="When pictures wait, look for each one's edges where the last one had them (flag: followed).",
        ),
    ] = True,
    until_idle: Annotated[
        float | None, typer.Option("--until-idle", metavar="S", min=0.0, help="Stop when nothing came for so long.")
    ] = None,
    who: Annotated[
        str | None, typer.Option("--who", metavar="NAME", help="Who watches; left out of handovers.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object a picture.")] = False,
) -> None:
    """Watch a folder: judge each new picture, log it, tell when to look again, warn before a limit is crossed.

    Half-written files are waited for; the same picture is never judged twice; a frozen camera is noticed. Ctrl-C
    stops; started again, it takes up what came meanwhile.

    \b
    Examples:
      apertrue watch snapshots
      apertrue watch //server/share/day --no-notices --poll 2
      apertrue watch snapshots --lead 15 --on-warning "python tell_me.py"
    """
    from ..calibration import calibration_path, load_calibrations
    from ..instrument import find_instrument
    from ..session import open_log
    from ..session.clock import now as present
    from ..session.clock import zone_of
    from ..watch import Alarm, Arrivals, CommandError, Settings, Watcher, done_before, split_command

    try:
        command = None if on_warning is None else split_command(on_warning)
    except CommandError as error:
        raise typer.BadParameter(str(error)) from error
    found, source = find_instrument(instrument)
    calibrations_at = calibration_path(source)
    calibrations = load_calibrations(calibrations_at) if calibrations_at.exists() else ()
    zone = zone_of(found)
    with open_log(log) as store, _stopping() as stop:
        done = done_before(store, folder, existing=existing, now=present(zone))
        arrivals = Arrivals(folder, recursive=recursive, notices=notices, poll_s=poll, is_done=done)
        watcher = Watcher(
            store,
            found,
            arrivals,
            Settings(folder, lead, silent, workers, who, follow),
            Alarm(command, bell=bell, say=note),
            calibrations,
            lambda: present(zone),
        )
        try:
            _run(watcher, stop, poll, until_idle, json)
        finally:
            watcher.close()
        unread = watcher.counts.unread
    if unread:
        raise typer.Exit(1)


def _run(watcher: "Watcher", stop: Callable[[], bool], poll: float, until_idle: float | None, json: bool) -> None:
    import time

    from ..watch.view import Panel

    quiet_since = time.monotonic()
    if json:
        while not stop():
            for update in watcher.step(stop):
                quiet_since = time.monotonic()
                print_json(_as_dict(update))
            if _idle(watcher, quiet_since, until_idle):
                return
            watcher.arrivals.wait(poll)
        return
    with Panel(watcher, live=sys.stdout.isatty()) as panel:
        while not stop():
            for update in watcher.step(stop):
                quiet_since = time.monotonic()
                panel.update(update, watcher.clock())
                panel.refresh(watcher.clock())
            panel.refresh(watcher.clock())
            if _idle(watcher, quiet_since, until_idle):
                return
            watcher.arrivals.wait(poll)


def _idle(watcher: "Watcher", since: float, limit: float | None) -> bool:
    import time

    if limit is None or watcher.queue or watcher.arrivals.waiting:
        return False
    return time.monotonic() - since >= limit


def _as_dict(update: "Update") -> dict[str, Any]:
    if update.event is None:
        return {"file": str(update.file), "added": False, "error": update.error}
    from ._session_common import event_dict

    return {**event_dict(update.event), "added": update.added}


@contextmanager
def _stopping() -> Iterator[Callable[[], bool]]:
    """Ctrl-C and SIGTERM ask to stop; the picture at hand is finished first. A second Ctrl-C stops at once."""
    asked = False

    def ask(number: int, frame: object) -> None:  # noqa: ARG001
        nonlocal asked
        if asked and number == signal.SIGINT:
            raise KeyboardInterrupt
        asked = True

    names = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGBREAK"):
        names.append(signal.SIGBREAK)
    try:
        before = {name: signal.signal(name, ask) for name in names}
    except ValueError:  # not the main thread: whoever started it stops it
        before = {}
    try:
        yield lambda: asked
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)
