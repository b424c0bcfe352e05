"""Behind the watch widget: the same watcher as the command's, with its log, in short reports. No Qt."""

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from threading import Condition

from ..errors import ReadError, StoreError, reason_of
from ..pipeline import Result
from ..session import open_log
from ..session.clock import now as present
from ..session.clock import zone_of
from ..session.words import EventKind
from ..watch import Alarm, Arrivals, Settings, Watcher, done_before
from ..watch.view import counted, rows
from ._judge_one import Setup
from ._target import Aim, AimError, Array

#: Between two looks into the folder, s.
POLL_S = 1.0
#: Points of the timeline at most.
_MOST = 200


@dataclass(frozen=True, slots=True)
class Timeline:
    """Offsets over time and what is expected.

    Attributes:
        points: (hours before now, offset %, its 1σ or ``None``), oldest first.
        limit: the limit for leaving it, %.
        crossing_h: hours from now until it is crossed, (early, median); ``None`` each when unknown.
        check_h: hours from now until the next look; ``None`` when unknown.
    """

    points: tuple[tuple[float, float, float | None], ...] = ()
    limit: float = 5.0
    crossing_h: tuple[float | None, float | None] = (None, None)
    check_h: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """How the watch stands.

    Attributes:
        rows: (what, text).
        counted: what went by.
        warnings: sentences that hold now.
        timeline: for the drawing.
        result: the newest picture's, when one came since the last report.
        trouble: of files that could not be read since the last report.
        to_world: how the newest picture lies in the world, 3×3; ``None`` = it is to be shown in a layer of its own.
    """

    rows: tuple[tuple[str, str], ...]
    counted: str
    warnings: tuple[str, ...]
    timeline: Timeline
    result: Result | None = None
    trouble: tuple[str, ...] = ()
    to_world: Array | None = None


class Mailbox:
    """Where the window leaves the newest picture of a layer for the watch; an older one that waits is replaced."""

    def __init__(self) -> None:
        self._there = Condition()
        self._newest: Aim | None = None

    def put(self, aim: Aim) -> None:
        """Leave a picture."""
        with self._there:
            self._newest = aim
            self._there.notify()

    def take(self, seconds: float) -> Aim | None:
        """The newest picture; waits for one, at most this long."""
        with self._there:
            self._there.wait_for(lambda: self._newest is not None, seconds)
            newest, self._newest = self._newest, None
            return newest


def watching_layer(
    mail: Mailbox, name: str, setup: Setup, stop: Callable[[], bool], *, keep: bool, poll_s: float = POLL_S
) -> Iterator[Report]:
    """Watch a layer until ``stop`` says so: each picture in ``mail`` is judged, logged and forecast from.

    Args:
        mail: pictures of the layer, the newest only.
        name: the layer's; with the time it names the pictures in the log.
        setup: instrument and calibrations.
        stop: asked between two pictures.
        keep: write into the session log; else a log that ends with the watch.
        poll_s: a report comes at least this often, s.
    """
    zone = zone_of(setup.instrument)

    def clock() -> datetime:
        return present(zone)

    with open_log(None if keep else ":memory:") as store:
        settings = Settings(Path(name), workers=0)
        watcher = Watcher(store, setup.instrument, _NoFolder(), settings, Alarm(bell=False), setup.calibrations, clock)
        with closing(watcher):
            yield report(watcher)
            while not stop():
                aim = mail.take(poll_s)
                result, trouble = None, []
                if aim is not None:
                    try:
                        result = _taken(watcher, aim, name)
                    except StoreError:  # the log's trouble, not this picture's
                        raise
                    except Exception as error:
                        watcher.counts.unread += 1
                        known = isinstance(error, AimError | ReadError)
                        trouble.append(str(error) if known else f"{name}: {reason_of(error)}")
                for _ in watcher.step():
                    pass
                now = report(watcher, result, tuple(trouble))
                yield replace(now, to_world=aim.to_world) if aim is not None and result is not None else now


def _taken(watcher: Watcher, aim: Aim, name: str) -> Result | None:
    """One picture of the layer, judged and logged; ``None`` when it is known or frozen."""
    frame, now = aim.frame(), watcher.clock()
    if frame.taken_at is None:
        frame = replace(frame, taken_at=now, taken_at_source="arrival")
    # Named by the time: the same pixels under a later name are a frozen camera.
    frame = replace(frame, file=f"{name} {now:%Y-%m-%d %H:%M:%S}")
    update = watcher.take(frame, Path(name))
    return None if update is None else update.result


class _NoFolder(Arrivals):
    """No files come."""

    def __init__(self) -> None:
        pass

    @property
    def waiting(self) -> int:
        """None."""
        return 0

    def ready(self) -> list[Path]:
        """None."""
        return []

    def close(self) -> None:
        """There is nothing to end."""


def watching(
    folder: Path,
    setup: Setup,
    stop: Callable[[], bool],
    *,
    existing: bool = False,
    log: Path | None = None,
    poll_s: float = POLL_S,
) -> Iterator[Report]:
    """Watch until ``stop`` says so; one report at once and one after each look. Runs in one thread from first to last.

    Raises:
        ReadError: there is no such folder.
        StoreError: the log can't be opened.
    """
    zone = zone_of(setup.instrument)

    def clock() -> datetime:
        return present(zone)

    with open_log(log) as store:
        done = done_before(store, folder, existing=existing, now=clock())
        arrivals = Arrivals(folder, poll_s=poll_s, is_done=done)
        # Bursts are judged in this thread: a window must not start processes that show up as further windows.
        settings = Settings(folder, workers=0)
        watcher = Watcher(store, setup.instrument, arrivals, settings, Alarm(bell=False), setup.calibrations, clock)
        with closing(watcher):
            yield report(watcher)
            while not stop():
                newest, trouble = None, []
                for update in watcher.step(stop):
                    newest = update.result or newest
                    if update.error is not None:
                        trouble.append(update.error)
                    if update.result is not None:
                        yield report(watcher, update.result)
                yield report(watcher, None, tuple(trouble))
                if not stop():
                    watcher.arrivals.wait(poll_s)


def report(watcher: Watcher, result: Result | None = None, trouble: tuple[str, ...] = ()) -> Report:
    """How the watch stands now."""
    now = watcher.clock()
    return Report(
        tuple(rows(watcher, now)),
        counted(watcher),
        tuple(w.sentence for w in watcher.warnings),
        _timeline(watcher, now),
        result,
        trouble,
    )


def _timeline(watcher: Watcher, now: datetime) -> Timeline:
    points = []
    for entry in watcher.state.recent:
        offset = entry.get("offset_percent")
        if entry.kind is EventKind.PICTURE and offset is not None:
            hours = (now - entry.at).total_seconds() / 3600.0
            points.append((hours, float(offset), entry.get("offset_percent_sigma")))
    here = watcher.state.standing
    limit = watcher.instrument.limits.offset_leave
    if here is None:
        return Timeline(tuple(points[-_MOST:]), limit)
    since = (now - here.now).total_seconds() / 3600.0

    def left(hours: float | None) -> float | None:
        return None if hours is None else hours - since

    outlook = here.outlook
    crossing = (left(outlook.early_h), left(outlook.median_h))
    return Timeline(tuple(points[-_MOST:]), limit, crossing, left(outlook.check_h))
