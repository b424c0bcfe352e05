"""Small pictures of the virtual microscope, and a watcher whose steps a test takes by hand."""

import os
import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import tifffile

from apertrue.instrument import Instrument
from apertrue.microscope import VirtualMicroscope
from apertrue.session import open_log
from apertrue.watch import Alarm, Arrivals, Settings, Watcher, done_before


@pytest.fixture(scope="session")
def pictures(tmp_path_factory):
    """Twelve different small pictures as files, all of one microscope."""
    folder = tmp_path_factory.mktemp("pictures")
    scope = VirtualMicroscope(seed=11, size=128)
    out = []
    for i in range(12):
        file = folder / f"{i:02d}.tif"
        tifffile.imwrite(file, scope.snapshot().pixels)
        out.append(file)
    return out


@pytest.fixture
def copy_to():
    """Put a picture into a folder at once whole, with a time of its own."""

    def copy(source, target, at=None):
        part = target.with_suffix(".part")
        part.write_bytes(source.read_bytes())
        if at is not None:
            os.utime(part, (at, at))
        part.rename(target)

    return copy


@pytest.fixture
def watch_here(tmp_path):
    """Make a watcher on tmp_path/in; gives (watcher, list of updates so far, run until n files were handled)."""
    made = []

    def make(*, existing=True, command=None, log="log.sqlite", notices=False, **settings):
        folder = tmp_path / "in"
        folder.mkdir(exist_ok=True)
        store = open_log(tmp_path / log, durable=False)
        now = datetime.now(UTC)
        arrivals = Arrivals(
            folder,
            notices=notices,
            poll_s=0.02,
            is_done=done_before(store, folder, existing=existing, now=now),
        )
        rung = []
        watcher = Watcher(
            store,
            Instrument(name="room 12"),
            arrivals,
            Settings(folder, workers=0, **settings),
            Alarm(command, ring=lambda: rung.append(1)),
            clock=lambda: datetime.now(UTC) + offset[0],
        )
        updates = []

        def run(n, seconds=30.0):
            end = time.monotonic() + seconds
            while len(updates) < n and time.monotonic() < end:
                updates.extend(watcher.step())
                arrivals.wait(0.02)
            return updates

        made.append((watcher, store))
        return watcher, updates, run, rung

    offset = [timedelta(0)]
    make.offset = offset
    yield make
    for watcher, store in made:
        watcher.close()
        store.close()


@pytest.fixture
def flat_picture():
    """Pixels without anything in them."""
    return np.full((128, 128), 100, np.uint16)
