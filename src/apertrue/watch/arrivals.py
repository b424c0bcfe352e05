"""Which pictures of a folder are new and whole: the system's notices plus looking again and again.

Notices (watchdog) are quick but do not come from network shares; looking again finds everything, a little later. A file
counts as whole when its size and time stand still between two looks, or when the system says that its writer closed it.
"""

import contextlib
import hashlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import ReadError
from ..readers import looks_like_picture
from ..readers.registry import ENDINGS, named_as_other

#: Endings under which programs write what is not finished.
_UNFINISHED = (".tmp", ".part", ".partial", ".crdownload", ".filepart", ".swp", ".lock")
#: A file must stand still for this long between two looks, s.
SETTLE_S = 0.25
#: A new file that can't be read yet is tried again for this long after its last change, s.
PATIENCE_S = 10.0


@dataclass(slots=True)
class _Growing:
    """A file that is being written: its size and time at the last look, since when they stand still."""

    size: int
    mtime_ns: int
    since: float
    closed: bool = False


class Arrivals:
    """New pictures in a folder, each once, oldest first.

    Args:
        folder: what is watched.
        recursive: subfolders too.
        notices: use the system's notices besides looking.
        poll_s: how often the whole folder is looked through, s.
        is_done: tells for a file already there at the start whether it was handled earlier.
        clock: seconds that never run backward.
    """

    def __init__(
        self,
        folder: Path,
        *,
        recursive: bool = False,
        notices: bool = True,
        poll_s: float = 1.0,
        is_done: Callable[[Path, os.stat_result], bool] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if not folder.is_dir():
            raise ReadError(str(folder), "there is no such folder", "Name the folder into which pictures are saved")
        self.folder, self.recursive, self.poll_s = folder, recursive, poll_s
        self._clock = clock
        self._is_done = is_done
        self._first = True
        # A number for each handled file, about 70 bytes: a day of 100 000 pictures stays under ten megabytes.
        self._handled: set[int] = set()
        self._growing: dict[str, _Growing] = {}
        self._told: deque[tuple[str, bool]] = deque(maxlen=100_000)
        self._lost = False
        self._next_scan = -1.0
        self.wake = threading.Event()
        self._observer = _observe(folder, recursive, self._notice) if notices else None

    def _notice(self, path: str, closed: bool) -> None:
        if len(self._told) == self._told.maxlen:
            self._lost = True
        self._told.append((path, closed))
        self.wake.set()

    @property
    def has_notices(self) -> bool:
        """Whether the system's notices are in use."""
        return self._observer is not None

    @property
    def waiting(self) -> int:
        """Files that are still being written."""
        return len(self._growing)

    def ready(self) -> list[Path]:
        """Files that are new and whole now, oldest first; never waits."""
        now = self._clock()
        if now >= self._next_scan or self._lost:
            self._lost = False
            self._next_scan = now + self.poll_s
            for entry in self._scan():
                self._look(entry.path, entry, now)
            self._first = False
        while self._told:
            path, closed = self._told.popleft()
            self._look(path, None, now, closed)
        out = [p for p, g in self._growing.items() if self._whole(p, g, now)]
        found = []
        for path in out:
            g = self._growing.pop(path)
            self._handled.add(_key(path, g.size, g.mtime_ns))
            found.append((g.mtime_ns, path))
        return [Path(p) for _, p in sorted(found)]

    def again(self, path: Path) -> bool:
        """Put back a file that could not be read yet; false when its patience is over."""
        try:
            about = path.stat()
        except OSError:
            return False
        age = time.time() - about.st_mtime
        if not -PATIENCE_S < age < PATIENCE_S:
            return False
        self._handled.discard(_key(str(path), about.st_size, about.st_mtime_ns))
        self._growing[str(path)] = _Growing(about.st_size, about.st_mtime_ns, self._clock() + 2 * SETTLE_S)
        return True

    def wait(self, seconds: float) -> None:
        """Wait for a notice, at most this long; shorter while files are being written."""
        limit = min(seconds, max(self._next_scan - self._clock(), 0.0))
        if self._growing:
            limit = min(limit, SETTLE_S / 2)
        self.wake.wait(max(limit, 0.005))
        self.wake.clear()

    def close(self) -> None:
        """End the system's notices."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(timeout=5)
            self._observer = None

    def _scan(self) -> Iterator[os.DirEntry[str]]:
        folders = [str(self.folder)]
        while folders:
            try:
                with os.scandir(folders.pop()) as entries:
                    for entry in entries:
                        with contextlib.suppress(OSError):
                            if entry.is_dir(follow_symlinks=False):
                                if self.recursive and not entry.name.startswith("."):
                                    folders.append(entry.path)
                            elif _may_be_picture(entry.name):
                                yield entry
            except OSError:
                continue  # a share that is gone for a moment; the next look will tell

    def _look(self, path: str, entry: os.DirEntry[str] | None, now: float, closed: bool = False) -> None:
        if entry is None and not _may_be_picture(os.path.basename(path)):  # noqa: PTH119 hot path
            return
        try:
            # A directory entry's own size may be stale on some systems while a file grows.
            about = os.stat(path)  # noqa: PTH116 hot path
        except OSError:
            self._growing.pop(path, None)
            return
        key = _key(path, about.st_size, about.st_mtime_ns)
        if key in self._handled:
            return
        if self._first and self._is_done is not None and self._is_done(Path(path), about):
            self._handled.add(key)
            return
        growing = self._growing.get(path)
        if growing is None or (growing.size, growing.mtime_ns) != (about.st_size, about.st_mtime_ns):
            self._growing[path] = _Growing(about.st_size, about.st_mtime_ns, now, closed)
        elif closed:
            growing.closed = True

    def _whole(self, path: str, growing: _Growing, now: float) -> bool:
        if growing.size == 0 or (now - growing.since < SETTLE_S and not growing.closed):
            return False
        try:
            about = os.stat(path)  # noqa: PTH116 hot path
        except OSError:
            return False
        if (about.st_size, about.st_mtime_ns) != (growing.size, growing.mtime_ns):
            growing.size, growing.mtime_ns, growing.since, growing.closed = about.st_size, about.st_mtime_ns, now, False
            return False
        return os.path.splitext(path)[1].lower() in ENDINGS or looks_like_picture(path)  # noqa: PTH122 hot path


def _key(path: str, size: int, mtime_ns: int) -> int:
    data = f"{path}\0{size}\0{mtime_ns}".encode("utf-8", "surrogatepass")
    return int.from_bytes(hashlib.blake2b(data, digest_size=7).digest(), "little")


def _may_be_picture(name: str) -> bool:
    """Whether a name can be a finished picture's; the content decides later where the ending does not."""
    lower = name.lower()
    if lower.startswith((".", "~")) or lower.endswith(_UNFINISHED):
        return False
    return not named_as_other(lower)


def _observe(folder: Path, recursive: bool, notice: Callable[[str, bool], None]) -> Any:
    """Start watchdog's observer; ``None`` where the system has no notices left (then looking again must do)."""
    from watchdog.events import FileSystemEvent, FileSystemEventHandler
    from watchdog.observers import Observer

    class Handler(FileSystemEventHandler):
        """Passes names on; anything slower would lose notices in a burst."""

        def on_created(self, event: FileSystemEvent) -> None:
            self._pass(event.src_path, event.is_directory, False)

        def on_modified(self, event: FileSystemEvent) -> None:
            self._pass(event.src_path, event.is_directory, False)

        def on_closed(self, event: FileSystemEvent) -> None:
            self._pass(event.src_path, event.is_directory, True)

        def on_moved(self, event: FileSystemEvent) -> None:
            self._pass(event.dest_path, event.is_directory, True)

        def _pass(self, path: bytes | str, is_folder: bool, closed: bool) -> None:
            if not is_folder and path:
                notice(os.fsdecode(path), closed)

    observer = Observer()
    try:
        observer.schedule(Handler(), str(folder), recursive=recursive)
        observer.start()
    except OSError:
        return None
    return observer
