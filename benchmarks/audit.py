"""Audits at scale: time against a loop that only decodes, memory, kills, a cluster, needles in a haystack.

    python benchmarks/audit.py [--quick] [--only time,memory,kills,cluster,needles] [--work FOLDER]

Each part prints a line; figures in the documentation come from here. Pictures are made in a temporary folder, or in
FOLDER, where a needle search that was stopped goes on.
"""

import argparse
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from apertrue.assessment import Assessment
from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, Progress, run_audit
from apertrue.audit.work import COLUMNS, PUT_ASIDE, FileTask, FileWork, PictureRow
from apertrue.frame import Frame
from apertrue.runner import cores, run
from apertrue.simulate import Recipe, simulate
from apertrue.store import open_store, row_from_assessment

sys.path.insert(0, str(Path(__file__).parents[1]))  # run as a script, too
from benchmarks import audit_others
from benchmarks.audit_archive import lattice

ZONE = AuditSettings(timezone="UTC")


def decode_only(path: str) -> int:
    """What the loop that audits are compared with does: decode, nothing else."""
    return int(tifffile.imread(path).nbytes)


def fill(folder: Path, count: int, side: int, *, share: float = 0.2, compression: str | None = "zlib") -> list[str]:
    """``count`` pictures, ``share`` of them with a condenser aperture; returns the names of those.

    Few different ones are made and copied under many names with a changed corner pixel: making them is not measured.
    """
    rng = np.random.default_rng(3)
    folder.mkdir(parents=True, exist_ok=True)
    wanted = [
        simulate(
            Recipe(
                rows=side,
                columns=side,
                aperture_radius_px=side * float(rng.uniform(0.25, 0.42)),
                offset_x_percent=float(rng.normal(0, 9)),
                offset_y_percent=float(rng.normal(0, 9)),
                beam_ratio=float(rng.uniform(0.7, 0.95)),
            ),
            rng,
        ).picture
        for _ in range(8)
    ]
    others = [lattice(rng, side) for _ in range(16)]
    names = []
    for i in range(count):
        is_wanted = (i + 1) * share // 1 > i * share // 1
        pixels = (wanted if is_wanted else others)[i % (8 if is_wanted else 16)].copy()
        pixels[0, 0] = i % 60_000
        name = f"{i % 50:02d}/p{i:06d}.tif"
        (folder / name).parent.mkdir(exist_ok=True)
        tifffile.imwrite(folder / name, pixels, compression=compression, metadata=None)
        if is_wanted:
            names.append(name)
    return names


def audit(
    folder: Path,
    store: Path,
    limits: Limits,
    on_progress: Callable[[Progress], None] | None = None,
    work: FileWork | None = None,
) -> tuple[float, Path]:
    """(seconds, CSV) of an audit of ``folder``."""
    start = time.perf_counter()
    with open_store(store, migrations=MIGRATIONS, durable=False) as opened:
        number = run_audit([str(folder)], opened, settings=ZONE, limits=limits, on_progress=on_progress, work=work)
        seconds = time.perf_counter() - start
        return seconds, Audit(opened, number).write_csv(store.with_suffix(".csv"))


def sha(path: Path) -> str:
    """Hash of a file, short."""
    return hashlib.sha256(path.read_bytes()).hexdigest()[:12]


class WithoutEngine(FileWork):
    """All that an audit does with a file but judge it: what lies around the engine."""

    def _judged(self, task: FileTask, frame: Frame) -> PictureRow:
        row = row_from_assessment(Assessment(file=task.name, page=frame.page, scene="other-view", flags=(), reasons=()))
        return PictureRow(frame.page, None, None, None, tuple(row[c] for c in COLUMNS), frame.digest)


def cpu() -> float:
    """CPU of this process and of the workers that ended, s: on a shared machine truer than the clock."""
    t = os.times()
    return t.user + t.system + t.children_user + t.children_system


def timed(function: Callable[[], Any]) -> tuple[float, float]:
    """(seconds by the clock, CPU seconds)."""
    start, spent = time.perf_counter(), cpu()
    function()
    return time.perf_counter() - start, cpu() - spent


def part_time(work: Path, quick: bool) -> None:
    """Total time against the decoding loop on the same workers, and how much of it is the engine."""
    count, side = (300, 512) if quick else (2000, 1024)
    for compression in ("zlib", None):
        folder, name = work / f"time-{compression}", f"{count} {compression or 'raw'} pictures of {side} px"
        fill(folder, count, side, share=0.1, compression=compression)
        paths = [str(p) for p in sorted(folder.rglob("*.tif"))]
        if len(paths) != count:
            raise SystemExit(f"{folder} holds other files, too")
        print(f"time: {name} on {cores()} cores, load {os.getloadavg()[0]:.1f}")
        decode = timed(lambda paths=paths: [None for o in run(decode_only, paths) if o.failure])
        store = work / f"time-{compression}.sqlite"
        around = timed(lambda f=folder, s=store: audit(f, s.with_suffix(".around"), Limits(), work=WithoutEngine(ZONE)))
        whole = timed(lambda f=folder, s=store: audit(f, s, Limits()))
        again = timed(lambda f=folder, s=store: audit(f, s, Limits()))
        for what, (seconds, spent) in (("decoding", decode), ("all but the engine", around), ("audit", whole)):
            print(
                f"  {what:20} {seconds:7.1f} s, CPU {spent:7.1f} s ({1e3 * spent / count:.1f} ms a picture); "
                f"ratio to decoding {seconds / decode[0]:.2f} by the clock, {spent / decode[1]:.2f} in CPU"
            )
        share = 1 - around[1] / whole[1]
        print(f"  the engine's share {100 * share:.0f} %; nothing changed: {again[0]:.2f} s", flush=True)


_PEAK = """
import resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from audit_samples import QuickWork
from apertrue.audit import MIGRATIONS, AuditSettings, Limits, run_audit
from apertrue.store import open_store
with open_store(sys.argv[2], migrations=MIGRATIONS, durable=False) as s:
    run_audit([sys.argv[1]], s, settings=AuditSettings(timezone="UTC"), limits=Limits(workers=0), work=QuickWork())
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def part_memory(work: Path, quick: bool) -> None:
    """Peak memory of the auditing process over the number of entries."""
    samples = Path(__file__).parents[1] / "tests" / "audit"
    for count in (1000, 10_000) if quick else (1000, 10_000, 100_000):
        folder = work / f"memory-{count}"
        for i in range(count):
            below = folder / f"{i % 100:02d}"
            below.mkdir(parents=True, exist_ok=True)
            (below / f"{i}.tif").write_bytes(b"%d" % i)
        arguments = [sys.executable, "-c", _PEAK, str(folder), str(work / f"memory-{count}.sqlite"), str(samples)]
        start = time.perf_counter()
        peak = float(subprocess.run(arguments, check=True, capture_output=True, text=True).stdout)
        print(f"memory: {count} entries: peak {peak:.0f} MB, {count / (time.perf_counter() - start):.0f} entries/s")
        shutil.rmtree(folder)


def killed(folder: Path, store: Path, chance: random.Random, workers: int) -> bool:
    """Start an audit in a process of its own and kill it at a random moment; whether it was killed before its end.

    The process is forked from this one, which has everything loaded, so that kills fall on the work, not on imports.
    """
    told, tell = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(told)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # what workers cry that lose their parent while they start
        try:
            audit(folder, store, Limits(workers=workers), lambda _: os.write(tell, b"."))
        finally:
            os._exit(0)
    os.close(tell)
    with os.fdopen(told, "rb", buffering=0) as stream:
        for _ in range(chance.randrange(5)):  # each follows something stored, however slow the machine is
            stream.read(1)
        time.sleep(chance.uniform(0.0, 0.4))
        alive = os.waitpid(pid, os.WNOHANG) == (0, 0)
        if alive:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
    return alive


def part_kills(work: Path, quick: bool) -> None:
    """Random kills of the whole process (its workers die with it) on real pictures; the end is the same to the byte."""
    kills, count = (12, 40) if quick else (120, 160)
    folder = work / "kills"
    fill(folder, count, 128, share=0.5)
    (folder / "broken.tif").write_bytes(b"II*\0broken")
    _, whole = audit(folder, work / "whole.sqlite", Limits())
    chance, done, with_workers, rounds, grown = random.Random(4), 0, 0, 0, 0
    same = True
    store = work / "killed-0.sqlite"
    while done < kills:
        workers = 2 if done % 10 == 9 else 0  # workers have to start first; one in ten is enough
        was_killed = killed(folder, store, chance, workers)
        done += was_killed
        with_workers += was_killed and workers > 0
        with open_store(store, migrations=MIGRATIONS) as opened:
            assert opened.value("select count(*) from audit_runs") == 1
            assert opened.value("pragma integrity_check") == "ok"
            rows = opened.value("select count(*) from audit_pictures")
        assert rows >= grown, "something that was stored got lost"
        grown = rows
        if not was_killed or done == kills:  # it came to its end between two kills: look at it, begin anew
            _, resumed = audit(folder, store, Limits())
            same &= sha(whole) == sha(resumed)
            rounds, grown = rounds + 1, 0
            store = work / f"killed-{rounds}.sqlite"
    print(
        f"kills: {done} kills ({with_workers} with worker processes) over {count + 1} files, {rounds} times to the end: "
        f"{'the same bytes' if same else 'DIFFERENT BYTES'} ({sha(whole)})"
    )
    sys.stdout.flush()


class Waiting(WithoutEngine):
    """Work that takes a tenth of a second without a core: what a cluster of more machines than this one would see."""

    def _judged(self, task: FileTask, frame: Frame) -> PictureRow:
        time.sleep(0.1)
        return super()._judged(task, frame)


def part_cluster(work: Path, quick: bool) -> None:
    """A local Dask cluster, one worker killed on the way: same bytes; how it scales with the number of workers.

    With real pictures the workers share this machine's cores; with work that only waits they don't, so that what is
    lost is lost to the scheduling, the rows' way back, and the store.
    """
    from distributed import Client, LocalCluster

    count = 60 if quick else 400
    folder = work / "cluster"
    fill(folder, count, 256, share=0.5)
    _, near = audit(folder, work / "near.sqlite", Limits())
    times, waiting = {}, {}
    for workers in (1, 2, 4, 8):
        with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None, silence_logs=50) as cluster:
            limits = Limits(scheduler=cluster.scheduler_address)
            call = Waiting(ZONE)
            audit(folder, work / f"warm{workers}.sqlite", limits, work=call)
            waiting[workers], _ = audit(folder, work / f"waiting{workers}.sqlite", limits, work=call)
            if workers > 2:
                continue
            audit(folder, work / f"warm-engine{workers}.sqlite", limits)
            times[workers], far = audit(folder, work / f"far{workers}.sqlite", limits)
            assert sha(near) == sha(far), "a cluster gave other bytes"
            if workers == 2:
                with Client(cluster.scheduler_address, set_as_default=False) as client:
                    pid = next(iter(client.run(os.getpid).values()))
                subprocess.Popen([sys.executable, "-c", f"import os, time; time.sleep(1); os.kill({pid}, 9)"])
                _, killed_one = audit(folder, work / "killed-worker.sqlite", limits)
                assert sha(near) == sha(killed_one), "a killed worker changed bytes"
    print(f"cluster: {count} pictures; one worker killed on the way: the same bytes ({sha(near)})")
    efficiency = times[1] / (2 * times[2])
    print(
        f"  real work: one worker {times[1]:.1f} s, two {times[2]:.1f} s, efficiency {efficiency:.2f} on {cores()} cores"
    )
    for workers, seconds in waiting.items():
        print(
            f"  work of 0.1 s that needs no core, {workers} workers: efficiency {count * 0.1 / workers / seconds:.2f}"
        )
    sys.stdout.flush()


def part_needles(work: Path, quick: bool) -> None:
    """Condenser-aperture pictures among many others of all kinds: none lost, the others put aside."""
    others, needles = (280, 28) if quick else (5000, 200)
    folder, side = work / "needles", 192
    rng = np.random.default_rng(12)
    kinds: dict[str, str] = {}
    wanted = audit_others.needles(rng, needles, side)
    haystack = audit_others.others(rng, others, side)
    for i in range(others + needles):
        is_needle = i % ((others + needles) // needles) == 7
        kind, pixels = next(wanted if is_needle else haystack, (None, None))
        if pixels is None:
            continue
        name = f"{i % 50:02d}/p{i:06d}.tif"
        kinds[name] = f"needle {kind}" if is_needle else kind
        if not (folder / name).exists():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            tifffile.imwrite(
                folder / name, pixels, compression="zlib", photometric="minisblack" if pixels.ndim == 2 else "rgb"
            )
    with open_store(work / "needles.sqlite", migrations=MIGRATIONS, durable=False) as opened:
        spent = timed(lambda: run_audit([str(folder)], opened, settings=ZONE))
        number = run_audit([str(folder)], opened, settings=ZONE)
        rows = [r for r in Audit(opened, number).rows() if r["file"] in kinds]
    tell_needles(rows, kinds, spent)


def tell_needles(rows: Sequence[dict[str, Any]], kinds: dict[str, str], spent: tuple[float, float]) -> None:
    """The outcome, kind by kind."""
    outcome: dict[str, Counter[str]] = {}
    for row in rows:
        kind = kinds[row["file"]].split(" ")[0] if kinds[row["file"]].startswith("needle") else kinds[row["file"]]
        word = "error" if row["error"] else "aside" if row["scene"] in PUT_ASIDE else "kept"
        word = "offset" if row["offset_percent"] is not None else word
        outcome.setdefault(kind, Counter())[word] += 1
    found = outcome.pop("needle", Counter())
    print(
        f"needles: {found.total()} among {sum(c.total() for c in outcome.values())} others in {spent[0]:.0f} s "
        f"(CPU {1e3 * spent[1] / max(len(rows), 1):.0f} ms a picture): lost {found['aside'] + found['error']}, "
        f"measured {found['offset']}, kept without an offset {found['kept']}"
    )
    print("  kind of others         number   put aside   kept for a look   given an offset")
    for kind, c in sorted(outcome.items()):
        print(f"  {kind:20} {c.total():8d} {c['aside']:11d} {c['kept'] + c['error']:17d} {c['offset']:17d}")
    for row in rows:
        kind = kinds[row["file"]]
        put_aside = row["scene"] in PUT_ASIDE or row["error"]
        if put_aside if kind.startswith("needle") else row["offset_percent"] is not None:
            print(f"  {kind}, {row['file']}: {row['scene']}, offset {row['offset_percent']}")
    sys.stdout.flush()


PARTS = {
    "time": part_time,
    "memory": part_memory,
    "kills": part_kills,
    "cluster": part_cluster,
    "needles": part_needles,
}


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the parts that are asked for."""
    parser = argparse.ArgumentParser(description="Audits at scale.")
    parser.add_argument("--quick", action="store_true", help="small numbers, a few minutes")
    parser.add_argument("--only", default=",".join(PARTS), help="parts, comma-separated")
    parser.add_argument("--work", type=Path, help="a folder to keep; a temporary one when left out")
    options = parser.parse_args(arguments)
    for name in options.only.split(","):
        sys.stdout.flush()
        with tempfile.TemporaryDirectory() as folder:
            PARTS[name](options.work or Path(folder), options.quick)


if __name__ == "__main__":
    main()
