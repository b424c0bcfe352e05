"""The watch itself: new pictures in, judged, logged, warned about; one pass at a time, so that it can stop anywhere.

Few pictures are judged in this process, each by itself. When more wait than it can take (a burst, a live camera), they go
through the runner on all cores, there followed from picture to picture, until only the last one waits: that one is judged
by itself again, so that what stands on the screen is what ``apertrue assess`` says.
"""

import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

from ..advice import Context
from ..assess import with_context_flags
from ..assessment import Assessment
from ..calibration import Calibration
from ..errors import ReadError, StoreError, reason_of, told_of
from ..frame import Frame
from ..instrument import Instrument, completed
from ..pipeline import Result, judge, readvise
from ..readers import BadPage, ReadOptions, read_pages
from ..registry import Verdict
from ..scene import Scene
from ..session.clock import age_words, fixed
from ..session.clock import now as present
from ..session.context import taken, with_nudge
from ..session.entry import SessionEvent
from ..session.history import learned_instrument
from ..session.judging import add_result
from ..session.stand import too_old
from ..session.words import EventKind
from ..store import Store
from .arrivals import Arrivals
from .live import Live, caught_up, live, live_context, looked_ahead, with_entry
from .measuring import FOLLOWED, Failed, Measure, Measured
from .warning import Alarm, Reminder

#: With more files waiting than this, all cores judge.
BURST = 8
#: The outlook is refreshed at most this often, s.
OUTLOOK_EVERY_S = 2.0


@dataclass(frozen=True, slots=True)
class Settings:
    """What a watch was asked to do.

    Attributes:
        folder: what is watched.
        lead_min: warn this long before a limit is likely to be crossed (its 5 % point), min.
        silent_min: warn when no new picture came for so long; ``None`` = never.
        workers: processes for bursts; ``None`` = all cores; 0 = judge in this process only.
        who: who watches.
        follow: in a burst, look for a picture's edges where the last one had them.
    """

    folder: Path
    lead_min: float = 10.0
    silent_min: float | None = None
    workers: int | None = None
    who: str | None = None
    follow: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Update:
    """One handled file.

    Attributes:
        file: the file.
        event: its entry; ``None`` when it could not be read.
        added: whether it was new to the log.
        result: everything of the main line; ``None`` when it was known or unreadable.
        error: the reader's message.
    """

    file: Path
    event: SessionEvent | None = None
    added: bool = False
    result: Result | None = None
    error: str | None = None


@dataclass(slots=True)
class Counts:
    """What went by."""

    judged: int = 0
    known: int = 0
    frozen: int = 0
    frozen_run: int = 0
    followed: int = 0
    unread: int = 0


@dataclass(slots=True)
class Watcher:
    """Watches a folder. Call :meth:`step` again and again; :meth:`close` at the end.

    Attributes:
        store: the session log.
        instrument: limits, costs, cameras.
        arrivals: new files.
        settings: what was asked for.
        alarm: gives warnings.
        calibrations: all shift calibrations at hand.
        clock: the present, with zone.
    """

    store: Store
    instrument: Instrument
    arrivals: Arrivals
    settings: Settings
    alarm: Alarm
    calibrations: Sequence[Calibration] = ()
    clock: Callable[[], datetime] = present
    state: Live = field(init=False)
    counts: Counts = field(init=False)
    queue: list[Path] = field(init=False)
    warnings: tuple[Reminder, ...] = field(init=False)
    started: datetime = field(init=False)
    _outlook_at: float = field(init=False, default=-1e9)

    def __post_init__(self) -> None:
        self.started = self.clock()
        self.counts, self.queue, self.warnings = Counts(), [], ()
        self.instrument = learned_instrument(self.store, self.instrument, self.started)
        self.state = live(self.store, self.started, self.calibrations)
        self._refresh(force=True)

    def step(self, stop: Callable[[], bool] = lambda: False) -> Iterator[Update]:
        """Handle what is ready now; yields each handled file. Stops between two pictures when ``stop`` says so."""
        self.queue += self.arrivals.ready()
        self.state = caught_up(self.state, self.store, self.clock(), self.calibrations)
        if self.state.standing is None:  # read anew: the next picture is to be weighed with its forecast
            self._refresh(force=True)
        while self.queue and not stop():
            if len(self.queue) > BURST and self.settings.workers != 0:
                yield from self._burst(stop)
            else:
                yield from self._one(self.queue.pop(0))
        self._refresh()
        self._warn()

    def take(self, frame: Frame, file: Path) -> Update | None:
        """Judge one picture that is at hand and write it down; ``None`` for one more of a run of frozen frames."""
        frame = completed(frame, self.instrument)

        def judged(context: Context) -> tuple[Scene, Assessment]:
            # Without tracking from the last frame: the numbers are the same as those of ``apertrue assess``.
            first = judge(frame, instrument=self.instrument, context=context)
            return first.scene, first.assessment

        return self._written(frame, file, judged)

    def close(self) -> None:
        """End the notices and a running command."""
        self.arrivals.close()
        self.alarm.close()

    def _one(self, file: Path) -> Iterator[Update]:
        for found in read_pages(file, options=ReadOptions(timezone=self.instrument.timezone)):
            if isinstance(found, BadPage):
                if isinstance(found.error, ReadError) and self.arrivals.again(file):
                    return
                yield self._unread(file, found.page, reason_of(found.error))
                continue
            update = self._spared(file, found.page, partial(self.take, found, file))
            if update is not None:
                yield update

    def _burst(self, stop: Callable[[], bool]) -> Iterator[Update]:
        """All waiting files but the last, and those that come meanwhile, over all cores, in the order of arrival."""
        from ..runner import run

        def tasks() -> Iterator[str]:
            while not stop():
                if len(self.queue) < 2:
                    self.queue += self.arrivals.ready()
                if len(self.queue) < 2:
                    return
                yield str(self.queue.pop(0))

        work = Measure(self.instrument, follow=self.settings.follow)
        for outcome in run(work, tasks(), workers=self.settings.workers, ordered=True):
            file = Path(outcome.task)
            pages: Sequence[Measured | Failed] = outcome.value or ()
            if outcome.failure is not None:
                pages = (Failed(None, outcome.failure.message, True),)
            for page in pages:
                if isinstance(page, Failed):
                    if page.unread and self.arrivals.again(file):
                        break
                    yield self._unread(file, page.page, page.reason)
                    continue
                update = self._spared(file, page.frame.page, partial(self._take_measured, page, file))
                if update is not None:
                    yield update
            self._refresh()

    def _take_measured(self, measured: Measured, file: Path) -> Update | None:
        """As :meth:`take`, for a picture that a worker measured; here comes in what it could not know (age, history)."""

        def completed_by(context: Context) -> tuple[Scene, Assessment]:
            flags = with_context_flags(measured.assessment.flags or (), self.instrument, context)
            return measured.scene, replace(measured.assessment, flags=flags)

        return self._written(measured.frame, file, completed_by)

    def _written(self, frame: Frame, file: Path, found: Callable[[Context], tuple[Scene, Assessment]]) -> Update | None:
        """One picture in the log, if it is neither there already nor one more of a run of frozen frames (``None``)."""
        known = self._known(frame)
        if known is not None:
            self.counts.known += 1
            return Update(file, known)
        now = self.clock()
        context = live_context(self.state, self.store, frame, taken(frame, now), self.instrument, now)
        if self._still_frozen(frame, context):
            return None
        return self._log(file, frame, *found(context), now, context)

    def _spared(self, file: Path, page: int | None, deed: Callable[[], Update | None]) -> Update | None:
        """What ``deed`` gives; whatever goes wrong over one picture is told of it, and the watch goes on."""
        try:
            return deed()
        except StoreError:  # the log's trouble, not this picture's
            raise
        except Exception as error:
            return self._unread(file, page, reason_of(error))

    def _unread(self, file: Path, page: int | None, reason: str) -> Update:
        self.counts.unread += 1
        return Update(file, error=told_of(file, page, reason))

    def _log(
        self, file: Path, frame: Frame, scene: Scene, assessment: Assessment, now: datetime, context: Context
    ) -> Update:
        """Advise with all that is known, write it down, and take it in."""
        full = with_nudge(context, assessment, frame.state, self.instrument, now, self.calibrations)
        result = readvise(frame, scene, assessment, self.instrument, full)
        event, added = add_result(self.store, result, now, self.instrument, who=self.settings.who, origin="watch")
        if not added:
            self.counts.known += 1
            return Update(file, event)
        self.counts.judged += 1
        self.counts.followed += FOLLOWED in (assessment.flags or ())
        if context.frozen:
            self.counts.frozen += 1
            self.counts.frozen_run += 1
        else:
            self.counts.frozen_run = 0
        late = self.state.follower.last_at is not None and event.at < self.state.follower.last_at - timedelta(seconds=5)
        self.state = live(self.store, now, self.calibrations) if late else with_entry(self.state, event)
        if late or time.monotonic() - self._outlook_at > OUTLOOK_EVERY_S or not self.queue:
            self._refresh(force=not self.queue or late)
        return Update(file, event, True, result)

    def _known(self, frame: Frame) -> SessionEvent | None:
        """The entry of the same picture, if the log has it."""
        from ..session.entry import event_from_row

        if frame.digest is None:
            return None
        row = self.store.row(
            "select * from log where digest = ? and kind = 'picture' and coalesce(page, 0) = ? "
            "and (taken_at is ? or file is ?) limit 1",
            (
                frame.digest,
                frame.page,
                None if frame.taken_at is None else fixed(frame.taken_at).isoformat(),
                frame.file,
            ),
        )
        return None if row is None else event_from_row(row)

    def _still_frozen(self, frame: Frame, context: Context) -> bool:
        """Whether this is one more of a run of frozen frames: counted, but not written down again."""
        latest = self.state.latest
        if context.frozen and latest is not None and latest.digest == frame.digest and "frozen" in latest.flags:
            self.counts.frozen += 1
            self.counts.frozen_run += 1
            return True
        return False

    def _refresh(self, *, force: bool = False) -> None:
        moment = time.monotonic()
        if force or moment - self._outlook_at > OUTLOOK_EVERY_S:
            self.state = looked_ahead(self.state, self.instrument, self.clock())
            self._outlook_at = moment

    def _warn(self) -> None:
        self.warnings = tuple(reasons(self, self.clock()))
        here = self.state.standing
        fields = {} if self.state.last is None else dict(self.state.last.values)
        if self.state.last is not None and too_old(self.state.last, self.instrument, self.clock()):
            fields = {k: v for k, v in fields.items() if k != "verdict" and not k.startswith("nudge_")}
        if here is not None and here.check_at is not None:
            fields["check_by"] = here.check_at.isoformat()
        self.alarm.update(self.warnings, fields)


def reasons(watcher: Watcher, now: datetime) -> Iterator[Reminder]:
    """The reasons to warn that hold now."""
    state, settings = watcher.state, watcher.settings
    here = state.standing
    if watcher.counts.frozen_run >= 2:
        yield Reminder(
            "frozen", f"The last {watcher.counts.frozen_run + 1} pictures are the same frame: look at the camera."
        )
    last = state.last
    if last is not None and "stale" in last.flags:
        pass  # old when it came: nobody's beam is about to cross a limit
    elif last is not None and last.get("verdict") in (Verdict.NUDGE, Verdict.AUTO) and not _moved_since(state, last):
        if too_old(last, watcher.instrument, now):
            said = f"The last picture said {last.get('verdict')} and is too old to act on by now. Take a new picture."
        else:
            said = f"The last picture says {last.get('verdict')}: {_why(last)}."
        yield Reminder("crossed", said)
    elif here is not None and here.outlook.basis == "pictures" and here.outlook.early_h is not None:
        shifted = here.outlook.early_h - (now - here.now).total_seconds() / 3600.0
        if 60 * shifted <= settings.lead_min:
            yield Reminder("soon", here.sentences[0])
    if settings.silent_min is not None:
        since = max(watcher.started, state.latest.at if state.latest is not None else watcher.started)
        silent = (now - since).total_seconds() / 60.0
        if silent > settings.silent_min:
            yield Reminder("silent", f"No new picture for {age_words(silent)}.")


def _why(last: SessionEvent) -> str:
    """What stands behind a verdict to move, in a few words."""
    reasons = set(str(last.get("reasons") or "").split(";"))
    if reasons & {"offset-over-leave", "gap-under-limit", "half-cut", "score-under-leave"}:
        return "the beam is off its limits"
    if "crosses-within-work" in reasons:
        return "it will be off its limits within the planned work"
    return "it may not be left as it is"


def _moved_since(state: Live, last: SessionEvent) -> bool:
    moving = (EventKind.NUDGE, EventKind.ROUTINE_END, EventKind.RECALL)
    return any(e.kind in moving and (e.at, e.id) > (last.at, last.id) for e in state.recent)


def done_before(store: Store, folder: Path, *, existing: bool, now: datetime) -> Callable[[Path, os.stat_result], bool]:
    """For files that are there when the watch starts: whether they need no judging.

    A watch that was here before takes up where it ended: files newer than ten minutes before its last entry are looked
    at again (the log knows those it has). A first watch leaves what is there alone, unless asked (``existing``).
    """
    like = str(folder).replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
    row = store.row(
        "select added_at from log where origin = 'watch' and file like ? escape '\\' order by id desc limit 1", (like,)
    )
    if existing:
        since = float("-inf")
    elif row is None:
        since = now.timestamp() - 2.0
    else:
        since = datetime.fromisoformat(row["added_at"]).timestamp() - 600.0

    def done(_path: Path, about: os.stat_result) -> bool:
        # A file moved in keeps its old time of change; where the system tells when it arrived, that counts.
        arrived = max(about.st_mtime, about.st_ctime) if sys.platform != "win32" else about.st_mtime
        return arrived < since

    return done


__all__ = ["Counts", "Settings", "Update", "Watcher", "done_before", "reasons"]
