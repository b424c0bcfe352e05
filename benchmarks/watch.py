"""Does the watch keep up, and does it stay small.

    python benchmarks/watch.py [--quick] [--rate 30] [--seconds 20] [--side 1024] [--soak 100000]

Live: another process saves pictures of a virtual microscope at a rate; printed are how many were judged while they
came, how long they waited, and the CPU a picture took. Soak: many small pictures, one after another; printed is the
memory of the watching process along the way. In the soak the first picture's measurement stands for all (measuring
keeps nothing from one picture to the next); finding, reading, advising, logging and forecasting are done for each.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import psutil
import tifffile

from apertrue.frame import Frame, as_frame
from apertrue.instrument import Instrument
from apertrue.microscope import VirtualMicroscope
from apertrue.pipeline import Result, judge
from apertrue.session import open_log
from apertrue.session.stand import standing
from apertrue.watch import Alarm, Arrivals, Settings, Watcher, done_before, engine

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


def make_watcher(folder: Path, log: Path, workers: int | None) -> tuple[Watcher, object]:
    store = open_log(log)
    done = done_before(store, folder, existing=True, now=datetime.now(UTC))
    arrivals = Arrivals(folder, notices=True, poll_s=1.0, is_done=done)
    watcher = Watcher(store, Instrument(), arrivals, Settings(folder, workers=workers), Alarm(bell=False))
    return watcher, store


def live(rate: float, seconds: float, side: int, work: Path) -> None:
    source, target = work / "source", work / "live"
    source.mkdir()
    target.mkdir()
    scope = VirtualMicroscope(seed=8, size=side)
    for i in range(8):
        scope.misalign(2.0 + i, 40.0 * i)
        tifffile.imwrite(source / f"{i}.tif", scope.snapshot().pixels)
    watcher, store = make_watcher(target, work / "live.sqlite", None)
    count = int(rate * seconds)
    feeder = subprocess.Popen([sys.executable, "-c", FEEDER, str(source), str(target), str(rate), str(count)])
    start, cpu = time.monotonic(), _cpu()
    judged, ended, at_end = 0, None, 0
    waits = []
    while judged < count:
        for update in watcher.step():
            judged += update.added
            waits.append(time.time() - update.file.stat().st_mtime)
            if ended is None and feeder.poll() is not None:
                ended, at_end = time.monotonic(), judged
        if time.monotonic() - start > 20 * seconds:
            break
        watcher.arrivals.wait(0.1)
    took = time.monotonic() - start
    cpu = _cpu() - cpu
    watcher.close()
    print(f"live: {count} pictures of {side}² at {rate:g}/s, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    print(f"  judged {judged} in {took:.1f} s ({judged / took:.1f}/s); {at_end} while they came")
    print(f"  wait of a picture, s: median {np.median(waits):.2f}, largest {max(waits):.2f}")
    each = 1e3 * cpu / max(judged, 1)
    print(f"  CPU a picture {each:.0f} ms (all processes): {2e3 / each:.0f}/s on two free cores")
    here = standing(store, Instrument(), datetime.now(UTC))
    print(f"  {here.sentences[0]}")
    store.close()


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
    first = judge(as_frame(base))

    def measured(frame: Frame, **_: object) -> Result:
        about = {"file": frame.file, "page": frame.page, "taken_at": frame.taken_at.isoformat()}
        return replace(first, frame=frame, assessment=replace(first.assessment, **about))

    engine.judge = measured
    process = psutil.Process()
    print(f"soak: {count} pictures of 96²\n  pictures   memory, MB   pictures/s")
    done, start, before = 0, time.monotonic(), 0
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
            print(f"  {done:8d}   {process.memory_info().rss / 1e6:8.0f}     {rate:6.1f}", flush=True)
        before = done
    watcher.close()
    store.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--rate", type=float, default=30.0)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--side", type=int, default=1024)
    parser.add_argument("--soak", type=int, default=100_000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as work:
        if args.seconds > 0:
            live(args.rate, 5.0 if args.quick else args.seconds, args.side, Path(work))
        soak(min(args.soak, 500) if args.quick else args.soak, Path(work))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
