"""A whole day at the instrument, watched: does the watch stay small, and does it keep up.

    python benchmarks/watch_day.py [--quick] [--hours 24] [--speed 60] [--side 256]

A virtual microscope drifts for a day; another process saves one picture a virtual minute, now and then a burst of
twenty as a live camera writes them, a frozen frame, a dark one, a broken file. The watch runs with the engine, the log
and the panel, on a clock that runs ``--speed`` times as fast; when the beam is off by 4 %, it is centered and the log
gets the entry, as an operator would do. Printed are memory, open files and threads of the watching
process along the day, and at its end what was judged, how long pictures waited and the size of the log.
"""

import argparse
import io
import multiprocessing
import os
import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import psutil
import tifffile
from rich.console import Console
from rich.live import Live

from apertrue.instrument import Instrument
from apertrue.microscope import VirtualMicroscope
from apertrue.session import EventKind, add_event, open_log
from apertrue.watch import Alarm, Arrivals, Settings, Watcher, done_before
from apertrue.watch.view import Panel

#: The operator centers from this offset on, % of the aperture radius.
OFF = 4.0
#: So many minutes between bursts, and so many pictures in one.
BURST_EVERY, BURST = 120, 20


def feed(folder: Path, minutes: int, speed: float, side: int, begin: datetime, said: Connection) -> None:
    """Save the day's pictures at their times; what comes through the pipe centers the beam."""
    scope = VirtualMicroscope(seed=8, size=side)
    scope.misalign(2.0, 30.0)
    folder.mkdir(exist_ok=True)
    rng = np.random.default_rng(3)
    start, last, number = time.monotonic(), None, 0

    def save(pixels: np.ndarray | None, at: datetime) -> None:
        nonlocal number
        part = folder / f"{number:06d}.part"
        if pixels is None:
            part.write_bytes(rng.bytes(3000))
        else:
            tifffile.imwrite(part, pixels, datetime=at)
        part.replace(part.with_suffix(".tif"))
        number += 1

    for minute in range(minutes):
        time.sleep(max(0.0, start + 60.0 * minute / speed - time.monotonic()))
        while said.poll():
            said.recv()
            scope.misalign(1.5, 360.0 * rng.random())
        scope.minutes = float(minute)
        at = begin + timedelta(minutes=minute)
        if minute % 97 == 96 and last is not None:
            save(last, at)  # the camera shows the same once more
        elif minute % 301 == 300:
            save(rng.poisson(20, (side, side)).astype(np.uint16), at)
        elif minute % 251 == 250:
            save(None, at)
        else:
            last = scope.frame().pixels
            save(last, at)
        if minute % BURST_EVERY == BURST_EVERY // 2:
            for second in range(BURST):
                save(scope.frame().pixels, at + timedelta(seconds=1 + second))
    said.send(number)
    while said.poll(None) and said.recv() != "end":
        pass


def handles(process: psutil.Process) -> int:
    """Open files, pipes and the like of a process."""
    return process.num_fds() if hasattr(process, "num_fds") else process.num_handles()


def day(hours: float, speed: float, side: int, work: Path, say: Callable[[str], None]) -> None:
    folder, log = work / "day", work / "day.sqlite"
    folder.mkdir()
    begin, zero = datetime.now().astimezone().replace(microsecond=0), time.monotonic()

    def clock() -> datetime:
        return begin + timedelta(seconds=speed * (time.monotonic() - zero))

    store = open_log(log)
    arrivals = Arrivals(folder, is_done=done_before(store, folder, existing=True, now=begin))
    watcher = Watcher(store, Instrument(), arrivals, Settings(folder), Alarm(bell=False), clock=clock)
    panel = Panel(watcher, live=False)
    drawn = io.StringIO()
    console = Console(file=drawn, force_terminal=True)
    panel._live = Live(console=console, refresh_per_second=4, redirect_stdout=False, redirect_stderr=False)
    panel._live.start()
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    feeder = multiprocessing.get_context("spawn").Process(
        target=feed, args=(folder, round(60 * hours), speed, side, clock(), theirs), daemon=True
    )
    feeder.start()
    theirs.close()
    process, start = psutil.Process(), time.monotonic()
    waits: list[float] = []
    seen = moved = 0
    given: int | None = None
    every = max(hours / 12.0, 0.05)
    following = every
    say(f"a day of {hours:g} h at {speed:g} times its speed, pictures of {side}²")
    say("| hour | pictures | memory, MB | open files | threads |\n|---|---|---|---|---|")
    while given is None or seen < given:
        for update in watcher.step():
            seen += 1
            waits.append(time.time() - update.file.stat().st_mtime)
            panel.update(update, clock())
            off = None if update.result is None else update.result.assessment.offset_percent
            if off is not None and off > OFF and given is None:
                add_event(store, EventKind.NUDGE, clock(), values={"nudge_x": 1.0, "nudge_y": 0.0})
                ours.send("center")
                moved += 1
        panel.refresh(clock())
        drawn.seek(0)
        drawn.truncate()  # what a terminal would have shown
        hour = speed * (time.monotonic() - start) / 3600.0
        if hour >= following:
            memory = process.memory_info().rss / 1e6
            say(f"| {hour:.1f} | {seen} | {memory:.0f} | {handles(process)} | {process.num_threads()} |")
            following += every
        if given is None and ours.poll():
            given = int(ours.recv())
        watcher.arrivals.wait(0.2)
    c, cpu = watcher.counts, sum(process.cpu_times()[:2])
    say(
        f"{given} files: {c.judged} judged, {c.frozen} frozen, {c.unread} unreadable, {c.known} known; {moved} moves\n"
        f"wait of a picture, s: median {np.median(waits):.2f}, largest {max(waits):.2f}; "
        f"CPU of the watching process {cpu:.0f} s, {1e3 * cpu / seen:.0f} ms a picture"
    )
    ours.send("end")
    panel._live.stop()
    watcher.close()
    store.close()
    say(f"log: {log.stat().st_size / 1e6:.1f} MB")
    feeder.join()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="an hour and a half at 300 times its speed, 128²")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--speed", type=float, default=60.0)
    parser.add_argument("--side", type=int, default=256)
    args = parser.parse_args()
    hours, speed, side = (1.5, 300.0, 128) if args.quick else (args.hours, args.speed, args.side)
    with tempfile.TemporaryDirectory() as work:
        day(hours, speed, side, Path(work), lambda text: print(text, flush=True))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
