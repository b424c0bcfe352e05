"""Does the watch keep up, and does it stay small.

    python benchmarks/watch.py [--quick] [--only live,alone,around,parts,soak] [--rate 30] [--seconds 20] [--side 1024] ...

Live: another process saves pictures of a virtual microscope at a rate; printed are how many were judged while they
came, how long they waited, and the CPU a picture took, with the start of the worker processes and in the last two thirds.
Alone: the same, no picture followed from the last. Around: the same with the first picture's measurement standing for
all, so that everything around the engine has to keep up by itself: finding, reading, advising, logging (each commit waits
for the disk), forecasting, and the panel. Parts: CPU of each part for one picture after another. Soak: many small
pictures, one after another; printed is the memory of the watching process along the way, and the CPU a picture takes.
There, too, the first picture's measurement stands for all (measuring keeps nothing from one picture to the next);
finding, reading, advising, logging and forecasting are done for each.
"""

import argparse
import inspect
import io
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import tifffile
from rich.console import Console
from rich.live import Live

from apertrue.frame import Frame, as_frame
from apertrue.instrument import Instrument
from apertrue.microscope import VirtualMicroscope
from apertrue.pipeline import Result, judge
from apertrue.readers import read_frames
from apertrue.session import open_log
from apertrue.watch import Alarm, Arrivals, Settings, Watcher, done_before, engine
from apertrue.watch.view import Panel

#: The microscope: one whose pictures take the engine about as long as those of most.
SEED = 1

FEEDER = """
import sys, time
from pathlib import Path
source, target, rate, count = Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
data = [bytearray(p.read_bytes()) for p in sorted(source.glob("*.tif"))]
start = time.monotonic()
for i in range(count):
    time.sleep(max(0.0, start + i / rate - time.monotonic()))
    blob = data[i % len(data)]
    blob[-2] = i % 251  # one pixel differs: no frozen frame
    blob[-4] = i // 251 % 251
    (target / f"{i:06d}.tif").write_bytes(blob)
"""


def make_watcher(folder: Path, log: Path, workers: int | None, *, follow: bool = True) -> tuple[Watcher, object]:
    store = open_log(log)
    done = done_before(store, folder, existing=True, now=datetime.now(UTC))
    arrivals = Arrivals(folder, notices=True, poll_s=1.0, is_done=done)
    watcher = Watcher(
        store, Instrument(), arrivals, Settings(folder, workers=workers, follow=follow), Alarm(bell=False)
    )
    return watcher, store


def saved(folder: Path, side: int, count: int = 8) -> Path:
    """Pictures of a virtual microscope whose beam creeps by 0.1 % a picture, there and back, as files."""
    folder.mkdir()
    scope = VirtualMicroscope(seed=SEED, size=side)
    for i in range(count):
        scope.misalign(2.0 + 0.1 * min(i, count - i), 40.0)
        tifffile.imwrite(folder / f"{i}.tif", scope.snapshot().pixels)
    return folder


def live(rate: float, seconds: float, side: int, work: Path, *, engine_too: bool, follow: bool = True) -> None:
    """Pictures that come at a rate; without the engine, in this process alone and with the panel drawn."""
    source, target = saved(work / "source", side), work / "live"
    target.mkdir()
    watcher, store = make_watcher(target, work / "live.sqlite", None if engine_too else 0, follow=follow)
    panel = None
    if not engine_too:
        first_for_all(next(iter(read_frames(source / "0.tif"))))
        panel = Panel(watcher, live=False)
        panel._live = Live(console=Console(file=io.StringIO(), force_terminal=True), refresh_per_second=4)
        panel._live.start()
    count = int(rate * seconds)
    feeder = subprocess.Popen([sys.executable, "-c", FEEDER, str(source), str(target), str(rate), str(count)])
    start, cpu = time.monotonic(), _cpu()
    judged, ended, at_end = 0, None, 0
    waits, third = [], (0, 0.0)
    while judged < count:
        for update in watcher.step():
            judged += update.added
            if judged >= count // 3 and not third[0]:
                third = judged, _cpu()
            waits.append(time.time() - update.file.stat().st_mtime)
            if panel is not None:
                panel.update(update, watcher.clock())
                panel.refresh(watcher.clock())
            if ended is None and feeder.poll() is not None:
                ended, at_end = time.monotonic(), judged
        if time.monotonic() - start > 20 * seconds:
            break
        watcher.arrivals.wait(0.1)
    took = time.monotonic() - start
    end = _cpu()
    cpu = end - cpu
    steady = 1e3 * (end - third[1]) / max(judged - third[0], 1)
    if panel is not None:
        panel._live.stop()
    watcher.close()
    what = ("live" if follow else "live, each picture by itself") if engine_too else "around the engine"
    print(f"{what}: {count} pictures of {side}² at {rate:g}/s, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    print(f"  judged {judged} in {took:.1f} s ({judged / took:.1f}/s); {at_end if ended else judged} while they came")
    print(f"  wait of a picture, s: median {np.median(waits):.2f}, largest {max(waits):.2f}")
    each = 1e3 * cpu / max(judged, 1)
    print(f"  CPU a picture {each:.0f} ms (all processes): {2e3 / each:.0f}/s on two free cores", flush=True)
    if engine_too:
        print(f"  in the last two thirds {steady:.0f} ms: {2e3 / steady:.0f}/s on two free cores")
        print(f"  {watcher.counts.followed} followed from the last picture", flush=True)
    store.close()


#: What of a watch's work belongs to which part; names in :mod:`apertrue.watch.engine`.
PARTS = {
    "reading": ("read_frames", "completed"),
    "engine": ("judge",),
    "history and advice": ("live_context", "caught_up", "with_nudge", "readvise", "with_entry"),
    "log": ("add_result",),
    "forecast": ("looked_ahead",),
}


def parts(side: int, count: int, work: Path) -> None:
    """CPU of each part, one picture after another in this process."""
    source, target = saved(work / "source", side), work / "live"
    target.mkdir()
    spent = dict.fromkeys((*PARTS, "panel"), 0.0)
    for part, names in PARTS.items():
        for name in names:
            setattr(engine, name, _timed(getattr(engine, name), part, spent))
    watcher, store = make_watcher(target, work / "live.sqlite", 0)
    panel = Panel(watcher, live=False)
    files = [p.read_bytes() for p in sorted(source.glob("*.tif"))]
    judged, all_of_it = 0, 0.0
    for i in range(count + 2):
        data = bytearray(files[i % len(files)])
        data[-2], data[-4] = i % 251, i // 251
        (target / f"{i:04d}.tif").write_bytes(data)
        if i == 2:  # imports and the first tables are over
            spent |= dict.fromkeys(spent, 0.0)
            all_of_it = time.process_time()
        while judged <= i:
            judged += len(list(watcher.step()))
            watcher.arrivals.wait(0.3)
        start = time.process_time()
        panel._render(watcher.clock())
        spent["panel"] += time.process_time() - start
    whole = time.process_time() - all_of_it
    watcher.close()
    store.close()
    spent["finding files and the rest"] = whole - sum(spent.values())
    print(f"parts: {count} pictures of {side}², CPU a picture, ms")
    for part, seconds in spent.items():
        print(f"  {part:28} {1e3 * seconds / count:7.1f}")
    around = 1e3 * (whole - spent["engine"]) / count
    print(f"  all but the engine           {around:7.1f}  ({1e3 / around:.0f}/s on one core)")
    left = 2e3 / 30.0 - around
    print(f"  30/s on two cores leaves the engine {left:.0f} ms a picture", flush=True)


def _timed(function: Callable[..., Any], part: str, spent: dict[str, float]) -> Callable[..., Any]:
    """The function with its CPU added to a part's; also what an iterator does when it is asked for the next."""

    def timed(*given: Any, **named: Any) -> Any:
        start = time.process_time()
        out = function(*given, **named)
        if inspect.isgenerator(out):
            out = _each(out, part, spent)
        spent[part] += time.process_time() - start
        return out

    return timed


def _each(items: Iterator[Any], part: str, spent: dict[str, float]) -> Iterator[Any]:
    while True:
        start = time.process_time()
        try:
            item = next(items)
        except StopIteration:
            return
        finally:
            spent[part] += time.process_time() - start
        yield item


def first_for_all(frame: Frame) -> None:
    """From now on this frame's measurement stands for that of every picture."""
    first = judge(frame)

    def measured(frame: Frame, **_: object) -> Result:
        taken = frame.taken_at.isoformat() if frame.taken_at else None
        about = {"file": frame.file, "page": frame.page, "taken_at": taken}
        return replace(first, frame=frame, assessment=replace(first.assessment, **about))

    engine.judge = measured


def _cpu() -> float:
    t = os.times()
    children = sum((sum(p.cpu_times()[:2]) for p in psutil.Process().children(recursive=True)), 0.0)
    return t.user + t.system + t.children_user + t.children_system + children


def soak(count: int, work: Path) -> None:
    folder = work / "soak"
    folder.mkdir()
    watcher, store = make_watcher(folder, work / "soak.sqlite", 0)
    rng = np.random.default_rng(1)
    scope = VirtualMicroscope(seed=8, size=96)
    scope.misalign(2.0, 30.0)
    base = scope.snapshot().pixels
    first_for_all(as_frame(base))
    process = psutil.Process()
    print(f"soak: {count} pictures of 96²\n  pictures   memory, MB   pictures/s   CPU a picture, ms")
    done, start, before, cpu = 0, time.monotonic(), 0, time.process_time()
    log = work / "soak.sqlite"
    marks = {max(1, round(count * f)) for f in (0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)}
    batch = 50
    while done < count:
        for i in range(batch):
            picture = base.copy()
            picture[:2] += rng.integers(0, 3, (2, 96)).astype(base.dtype)
            tifffile.imwrite(folder / f"{done + i:06d}.tif", picture)
        wanted, got = batch, 0
        while got < wanted:
            for update in watcher.step():
                got += 1
                update.file.unlink(missing_ok=True)
            watcher.arrivals.wait(0.05)
        done += got
        if any(before < m <= done for m in marks):
            rate = done / (time.monotonic() - start)
            each = 1e3 * (time.process_time() - cpu) / done
            print(f"  {done:8d}   {process.memory_info().rss / 1e6:8.0f}     {rate:6.1f}   {each:10.1f}", flush=True)
        before = done
    watcher.close()
    store.close()
    start = time.monotonic()
    watcher, store = make_watcher(folder, log, 0)
    print(f"  started again on this log: {time.monotonic() - start:.1f} s, {process.memory_info().rss / 1e6:.0f} MB")
    watcher.close()
    store.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", default="live,alone,around,parts,soak", help="parts, comma-separated")
    parser.add_argument("--rate", type=float, default=30.0)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--side", type=int, default=1024)
    parser.add_argument("--soak", type=int, default=100_000)
    args = parser.parse_args()
    seconds, many = (5.0, min(args.soak, 500)) if args.quick else (args.seconds, args.soak)
    todo = {
        "live": lambda work: live(args.rate, seconds, args.side, work, engine_too=True),
        "alone": lambda work: live(args.rate, seconds, args.side, work, engine_too=True, follow=False),
        "parts": lambda work: parts(args.side, 10 if args.quick else 60, work),
        "around": lambda work: live(args.rate, seconds, args.side, work, engine_too=False),
        "soak": lambda work: soak(many, work),
    }
    before = dict(vars(engine))
    for name in args.only.split(","):
        with tempfile.TemporaryDirectory() as work:
            todo[name](Path(work))
        vars(engine).update(before)  # what stood in for something is taken out again
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
