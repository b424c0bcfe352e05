"""Audits at scale: time against a loop that only decodes, memory, kills, a cluster, needles in a haystack.

    python benchmarks/audit.py [--quick] [--only time,memory,kills,cluster,needles]

Each part prints a line; figures in the documentation come from here. Pictures are made in a temporary folder.
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
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import tifffile

from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, Progress, run_audit
from apertrue.runner import cores, run
from apertrue.simulate import Recipe, simulate
from apertrue.store import open_store

sys.path.insert(0, str(Path(__file__).parents[1]))  # run as a script, too
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
    folder: Path, store: Path, limits: Limits, on_progress: Callable[[Progress], None] | None = None
) -> tuple[float, Path]:
    """(seconds, CSV) of an audit of ``folder``."""
    start = time.perf_counter()
    with open_store(store, migrations=MIGRATIONS, durable=False) as opened:
        number = run_audit([str(folder)], opened, settings=ZONE, limits=limits, on_progress=on_progress)
        seconds = time.perf_counter() - start
        return seconds, Audit(opened, number).write_csv(store.with_suffix(".csv"))


def sha(path: Path) -> str:
    """Hash of a file, short."""
    return hashlib.sha256(path.read_bytes()).hexdigest()[:12]


def part_time(work: Path, quick: bool) -> None:
    """Total time against the decoding loop on the same workers."""
    count, side = (300, 512) if quick else (2000, 1024)
    for compression in ("zlib", None):
        folder = work / f"time-{compression}"
        fill(folder, count, side, share=0.1, compression=compression)
        paths = [str(p) for p in sorted(folder.rglob("*.tif"))]
        start = time.perf_counter()
        assert all(o.failure is None for o in run(decode_only, paths))
        decode = time.perf_counter() - start
        seconds, _ = audit(folder, work / f"time-{compression}.sqlite", Limits())
        again, _ = audit(folder, work / f"time-{compression}.sqlite", Limits())
        print(
            f"time: {count} {compression or 'raw'} pictures of {side} px on {cores()} cores: decode {decode:.1f} s, "
            f"audit {seconds:.1f} s, ratio {seconds / decode:.2f}; nothing changed {again:.2f} s"
        )


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


_CHILD = """
import sys
from pathlib import Path
from benchmarks.audit import audit
from apertrue.audit import Limits
if __name__ == "__main__":
    audit(Path(sys.argv[1]), Path(sys.argv[2]), Limits(workers=2), lambda p: print(p.done, flush=True))
"""


def part_kills(work: Path, quick: bool) -> None:
    """Random kills of the whole process (its workers die with it) on real pictures; the end is the same to the byte."""
    kills, count = (8, 120) if quick else (120, 700)
    folder = work / "kills"
    fill(folder, count, 128, share=0.5)
    (folder / "broken.tif").write_bytes(b"II*\0broken")
    _, whole = audit(folder, work / "whole.sqlite", Limits())
    store, chance, done = work / "killed.sqlite", random.Random(4), 0
    script = work / "child.py"
    script.write_text(_CHILD, encoding="utf-8")
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    stored: list[int] = []
    while done < kills:
        child = subprocess.Popen(
            [sys.executable, str(script), str(folder), str(store)], env=environment, stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        for _ in range(chance.randrange(5)):  # each line follows something stored, however slow the machine is
            child.stdout.readline()
        time.sleep(chance.uniform(0.0, 0.5))
        if child.poll() is None:
            os.kill(child.pid, getattr(signal, "SIGKILL", signal.SIGTERM))
            done += 1
        child.communicate()
        if store.exists():
            with open_store(store, migrations=MIGRATIONS) as opened:
                stored.append(opened.value("select count(*) from audit_pictures"))
        if stored and stored[-1] > count:  # all done: begin anew, so that kills keep hitting work
            for end in ("", "-wal", "-shm"):
                Path(str(store) + end).unlink(missing_ok=True)
    _, resumed = audit(folder, store, Limits())
    same = "the same bytes" if sha(whole) == sha(resumed) else "DIFFERENT BYTES"
    print(f"kills: {done} kills over {count + 1} files, rows after each {stored[:12]}…: {same} ({sha(resumed)})")


def part_cluster(work: Path, quick: bool) -> None:
    """A local Dask cluster, one worker killed on the way: same bytes; time with one and two workers."""
    from distributed import Client, LocalCluster

    count = 60 if quick else 400
    folder = work / "cluster"
    fill(folder, count, 256, share=0.5)
    _, near = audit(folder, work / "near.sqlite", Limits())
    times = {}
    for workers in (1, 2):
        with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None, silence_logs=50) as cluster:
            limits = Limits(scheduler=cluster.scheduler_address)
            audit(folder, work / f"warm{workers}.sqlite", limits)
            times[workers], far = audit(folder, work / f"far{workers}.sqlite", limits)
            assert sha(near) == sha(far), "a cluster gave other bytes"
            if workers == 2:
                with Client(cluster.scheduler_address, set_as_default=False) as client:
                    pid = next(iter(client.run(os.getpid).values()))
                subprocess.Popen([sys.executable, "-c", f"import os, time; time.sleep(1); os.kill({pid}, 9)"])
                _, killed = audit(folder, work / "killed-worker.sqlite", limits)
                assert sha(near) == sha(killed), "a killed worker changed bytes"
    efficiency = times[1] / (2 * times[2])
    print(
        f"cluster: {count} pictures, one worker {times[1]:.1f} s, two {times[2]:.1f} s, efficiency {efficiency:.2f}; "
        f"one killed on the way: the same bytes ({sha(near)})"
    )


def part_needles(work: Path, quick: bool) -> None:
    """Condenser-aperture pictures among many others: none lost, others put aside."""
    others, needles = (200, 20) if quick else (5000, 50)
    folder = work / "needles"
    total = others + needles
    names = set(fill(folder, total, 256, share=needles / total))
    with open_store(work / "needles.sqlite", migrations=MIGRATIONS, durable=False) as opened:
        start = time.perf_counter()
        number = run_audit([str(folder)], opened, settings=ZONE)
        seconds = time.perf_counter() - start
        rows = list(Audit(opened, number).rows())
    measured = {r["file"] for r in rows if r["offset_percent"] is not None}
    aside = {r["file"] for r in rows if r["scene"] in ("other-view", "dark")}
    print(
        f"needles: {len(names)} among {total - len(names)} others in {seconds:.0f} s: lost {len(names - measured)}, "
        f"others given an offset {len(measured - names)}, put aside {len(aside - names)}"
    )


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
    options = parser.parse_args(arguments)
    for name in options.only.split(","):
        sys.stdout.flush()
        with tempfile.TemporaryDirectory() as folder:
            PARTS[name](Path(folder), options.quick)


if __name__ == "__main__":
    main()
