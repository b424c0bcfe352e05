"""Behind the audit widget: the audit command started from the window, how far it is, its rows, a row's picture. No Qt.

The command runs as a process of its own: the window stays quick, a file that crashes a decoder can't take the window
along, and stopping is safe at any moment. All that the window knows it reads from the store that the command writes.
"""

import json
import os
import signal
import subprocess  # our own command, never through a shell
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import cos, radians, sin, sqrt
from pathlib import Path
from typing import Any

from ..assessment import Assessment
from ..audit import Audit, AuditSettings, Progress
from ..audit.reporting import write_audit_report
from ..audit.tables import DONE
from ..audit.work import PUT_ASIDE
from ..errors import ApertrueError, ReadError, StoreError
from ..frame import Frame
from ..instrument import find_instrument
from ..readers import ReadOptions, read_frame
from ..registry import FLAGS, REASONS, VERDICT_WORDS, SceneKind, Verdict
from ..registry.format import format_value
from ..report.sketch import Outline, sketch_from_json
from ..runner import cores
from ..scene import Edge, Scene
from ..store import Store, assessment_from_row, open_store

#: The command's own name for the store when none is given.
STORE_NAME = "apertrue-audit.sqlite"
#: Between two looks at how far the command is, s.
POLL_S = 0.25
#: A command that was asked to stop is ended after this, s.
_PATIENCE_S = 5.0
#: What a row can be, in the order of the filter.
KINDS = ("leave", "nudge", "auto", "retake", "aside", "error")
#: Reasons told of a row; those that come later bear on what to do next, which an old picture does not ask.
_REASONS = 3
KIND_WORDS = {"aside": "put aside", "error": "not read"}


class AuditError(ApertrueError, ValueError):
    """The audit can't be started or shown; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What to audit.

    Attributes:
        folder: with the pictures.
        store: where results are kept: the same file, the same audit as the command's.
        sheet: a session sheet with readings.
        workers: processes; ``None`` = all cores but one, which is the window's.
    """

    folder: Path
    store: Path
    sheet: Path | None = None
    workers: int | None = None

    def command(self) -> list[str]:
        """The words of the command that does it."""
        workers = max(1, cores() - 1) if self.workers is None else self.workers
        out = [
            "audit",
            str(self.folder.absolute()),
            "--store",
            str(self.store.absolute()),
            "--workers",
            str(workers),
            "--quiet",
        ]
        return out if self.sheet is None else [*out, "--sheet", str(self.sheet.absolute())]


@dataclass(frozen=True, slots=True)
class Row:
    """One picture of the table.

    Attributes:
        id: in the store.
        file, page: which picture; ``page`` is ``None`` for a file that could not be read.
        kind: its verdict, ``aside`` or ``error``.
        taken_at: ISO 8601; ``None`` = unknown.
        offset, score: (value, 1σ) of the offset in % of the aperture radius and of the working score; ``None`` = not
            measured.
        session: its session's name.
    """

    id: int
    file: str
    page: int | None
    kind: str
    taken_at: str | None
    offset: tuple[float, float | None] | None
    score: tuple[float, float | None] | None
    session: str | None

    @property
    def name(self) -> str:
        """File and, in a stack, page."""
        return f"{self.file}, page {self.page}" if self.page else self.file


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a store holds of an audit.

    Attributes:
        number: of the audit.
        rows: all pictures, by file and page.
        counts: rows of each kind.
        unfinished: files that are still to be read.
    """

    number: int
    rows: tuple[Row, ...]
    counts: dict[str, int]
    unfinished: int

    def words(self) -> str:
        """How many of what, in one line."""
        n = len(self.rows)
        if not n:
            return "No picture found in this folder."
        parts = [f"{v} {KIND_WORDS.get(k, k)}" for k, v in self.counts.items() if v]
        rest = f" {self.unfinished} files are still to be read: Start goes on." if self.unfinished else ""
        return f"{n} picture{'s' if n > 1 else ''}: {', '.join(parts)}.{rest}"


@dataclass(frozen=True, slots=True, eq=False)
class Opened:
    """A row's picture with what the audit measured in it.

    Attributes:
        frame: the picture.
        scene: the edges that the audit found.
        assessment: its numbers.
        sentences: what to say of it.
    """

    frame: Frame
    scene: Scene
    assessment: Assessment
    sentences: tuple[str, ...]


def default_store() -> Path:
    """Where the command keeps results when none is named; the home folder where that can't be written."""
    here = Path.cwd()
    return (here if os.access(here, os.W_OK) else Path.home()) / STORE_NAME


# --- running -------------------------------------------------------------------------------------------------------------
def running(choice: Choice, stop: Callable[[], bool]) -> Iterator[Progress]:
    """Run the command until it ends or ``stop`` says so; yields how far it is, the last time with phase ``done``.

    Raises:
        AuditError: the folder is missing, or the command ended with a message.
    """
    if not choice.folder.is_dir():
        raise AuditError(f"{choice.folder}: there is no such folder. Choose the folder with the pictures.")
    if not choice.store.absolute().parent.is_dir():
        raise AuditError(f"{choice.store}: there is no folder for it. Choose another place for the results.")
    if not sys.executable:
        raise AuditError("This program can't start a second one. Use the command: apertrue audit FOLDER")
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(
            [sys.executable, "-m", "apertrue", *choice.command()],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=said,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
        try:
            yield Progress("find")
            follow = _Follower(choice)
            while process.poll() is None and not stop():
                time.sleep(POLL_S)
                progress = follow.look()
                if progress is not None:
                    yield progress
        finally:
            _end(process)
        if process.returncode not in (0, 1) and not stop():
            said.seek(0)
            text = said.read().decode("utf-8", "replace").strip()
            raise AuditError(text or f"The audit ended unexpectedly (status {process.returncode}). Start goes on.")
    last = follow.look()
    yield Progress("done") if last is None else _ended(last)


def _ended(p: Progress) -> Progress:
    return Progress("done", p.found, p.total, p.done, p.failed, p.known, p.seconds)


def _end(process: "subprocess.Popen[bytes]") -> None:
    """Stop the command: by Ctrl-C where that can be sent, which lets it close its store; what was judged is kept."""
    if process.poll() is not None:
        return
    if sys.platform == "win32":
        process.terminate()
    else:
        process.send_signal(signal.SIGINT)
    try:
        process.wait(_PATIENCE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


class _Follower:
    """Reads from the store how far the command is."""

    def __init__(self, choice: Choice) -> None:
        self._choice = choice
        self._key = _settings().key
        self._before: int | None = None
        self._since = time.monotonic()

    def look(self) -> Progress | None:
        """How far it is; ``None`` while there is no store yet."""
        try:
            with open_store(self._choice.store, read_only=True, timeout_s=2.0) as store:
                number = _number(store, self._choice.folder, self._key)
                if number is None:
                    return None
                found, done = _counted(store, number)
                failed = store.value(
                    "select count(*) from audit_pictures where audit = ? and error is not null", (number,)
                )
        except StoreError:
            return None
        if self._before is None or not done:
            self._before, self._since = done, time.monotonic()
        fresh = done - self._before
        return (
            Progress("judge", found, found, done, int(failed), self._before, time.monotonic() - self._since)
            if (fresh or done)
            else Progress("find", found)
        )


def _counted(store: Store, number: int) -> tuple[int, int]:
    """Files found and files finished."""
    rows = store.all("select state, count(*) as n from audit_files where audit = ? group by state", (number,))
    return sum(r["n"] for r in rows), sum(r["n"] for r in rows if r["state"] == DONE)


def progress_words(p: Progress) -> str:
    """How far it is, in one line."""
    if p.phase == "find":
        return f"finding files: {p.found}" if p.found else "finding files…"
    words = [f"{p.done} of {p.total} files"]
    fresh = p.done - p.known
    if p.phase != "done" and fresh > 0 and p.seconds > 1:
        rate = fresh / p.seconds
        left = (p.total - p.done) / rate
        words.append(f"{rate:.1f} a second")
        words.append(f"{left:.0f} s left" if left < 100 else f"{left / 60:.0f} min left")
    if p.failed:
        words.append(f"{p.failed} not read")
    return ", ".join(words)


# --- results -------------------------------------------------------------------------------------------------------------
def load(choice: Choice) -> Loaded:
    """The rows that the store holds of this folder.

    Raises:
        AuditError: there are none.
        StoreError: the file is no store of ours.
    """
    if not choice.store.is_file():
        raise AuditError(f"{choice.store}: there are no results yet. Choose a folder, then Start.")
    with open_store(choice.store, read_only=True) as store:
        number = _number(store, choice.folder, _settings().key)
        if number is None:
            raise AuditError(f"{choice.store} holds no audit of {choice.folder}. Start makes one.")
        audit = Audit(store, number)
        rows = tuple(
            Row(
                r["rowid"],
                r["file"],
                r["page"],
                "error" if r["error"] is not None else "aside" if r["scene"] in PUT_ASIDE else r["verdict"],
                r["taken_at"],
                _with_sigma(r, "offset_percent"),
                _with_sigma(r, "working_score"),
                r["session"],
            )
            for r in store.rows(
                "select rowid, file, page, error, scene, verdict, taken_at, session, offset_percent, "
                "offset_percent_sigma, working_score, working_score_sigma from audit_pictures "
                "where audit = ? order by key, place",
                (number,),
            )
        )
        return Loaded(number, rows, audit.counts(), audit.unfinished)


def _with_sigma(row: Any, name: str) -> tuple[float, float | None] | None:
    return None if row[name] is None else (row[name], row[f"{name}_sigma"])


def opened(choice: Choice, row: Row) -> Opened:
    """A row's picture and what was found in it. Slow: call it in a worker.

    Raises:
        ReadError: the picture can't be read (any more).
        AuditError: the row is gone, or says why its file could not be read.
    """
    with open_store(choice.store, read_only=True) as store:
        found = store.row(
            "select p.*, f.path as file_path from audit_pictures p join audit_files f on f.audit = p.audit and "
            "f.key = p.key where p.rowid = ?",
            (row.id,),
        )
    if found is None:
        raise AuditError(f"{row.name}: its row was made anew. Show the results again.")
    assessment = assessment_from_row(found)
    if assessment.error is not None:
        raise AuditError(assessment.error)
    path = json.loads(found["file_path"])
    settings = _settings()
    try:
        frame = read_frame(path, row.page or 0, options=ReadOptions(timezone=settings.zone))
    except OSError as error:
        raise ReadError(str(path), f"it can't be opened ({error.strerror})", "Was the archive moved?") from error
    kind = assessment.scene or SceneKind.OTHER_VIEW
    scene = scene_of(found["outlines"], str(kind), frame.shape)
    return Opened(frame, scene, assessment, words_of(assessment))


def scene_of(outlines: str | None, kind: str, shape: tuple[int, int]) -> Scene:
    """The edges that the store keeps of a picture; no edges of ``None``."""
    found: dict[str, Any] = {}
    remembered = False
    if outlines is not None:
        for o in sketch_from_json(outlines, None).outlines:
            found[o.role] = edge_of(o)
            remembered |= o.remembered
    return Scene(SceneKind(kind), 1.0, shape, aperture_remembered=remembered, **found)


def edge_of(o: Outline) -> Edge:
    """The edge of an outline: :class:`apertrue.scene.Edge` says what e1 and e2 are."""
    e = (o.major - o.minor) / (o.major + o.minor)
    turn = radians(-2.0 * o.axis_deg)
    return Edge(o.x, o.y, sqrt(o.major * o.minor), e * cos(turn), e * sin(turn), arcs=o.arcs)


def words_of(a: Assessment) -> tuple[str, ...]:
    """What to say of a row: verdict, numbers, reasons, flags."""
    verdict = "" if a.verdict is None else f"{str(a.verdict).upper()}: {VERDICT_WORDS[Verdict(a.verdict)]}."
    numbers = [
        f"{label} {format_value(name, getattr(a, name), getattr(a, f'{name}_sigma'))}"
        for name, label in (("offset_percent", "Offset"), ("working_score", "working score"))
        if getattr(a, name) is not None
    ]
    why = [REASONS[r].sentence for r in a.reasons or () if r in REASONS]
    flags = [FLAGS[f].sentence for f in a.flags or () if f in FLAGS]
    return tuple(s for s in (verdict, f"{', '.join(numbers)}." if numbers else "", *flags, *why[:_REASONS]) if s)


def write_report(choice: Choice, *, mask_names: bool) -> Path:
    """Write the same report as the command's beside the store; returns where. Slow: call it in a worker.

    Raises:
        AuditError: there is nothing to report.
        StoreError: the file is no store of ours.
    """
    if not choice.store.is_file():
        raise AuditError("There are no results yet. Choose a folder, then Start.")
    settings = _settings()
    with open_store(choice.store, read_only=True) as store:
        number = _number(store, choice.folder, settings.key)
        if number is None:
            raise AuditError(f"{choice.store} holds no audit of {choice.folder}. Start makes one.")
        return write_audit_report(
            choice.store.with_suffix(".html").absolute(),
            Audit(store, number),
            sources=[str(choice.folder)],
            mask_names=mask_names,
            instrument=settings.instrument,
        )


def _settings() -> AuditSettings:
    """As the command makes them of the same instrument file."""
    return AuditSettings(find_instrument()[0])


def _number(store: Store, folder: Path, key: str) -> int | None:
    """The audit of a folder under the present settings; ``None`` when there is none."""
    if "audit/0001-pictures" not in store.migrations:
        return None
    found = store.value(
        "select id from audit_runs where sources = ? and settings_key = ?", (json.dumps([str(folder.absolute())]), key)
    )
    return None if found is None else int(found)
