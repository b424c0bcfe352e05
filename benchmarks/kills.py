"""The commands `watch` and `session add` killed (−9) at random moments: is anything lost, is anything counted twice.

    python benchmarks/kills.py [--quick] [--kills 120]      so many kills of each of the two

The commands run as they are, each in a process forked from one that has everything loaded, so that the moments of the
kills fall on the work and not on imports. What a command has reported before its end must be in the log; once all is
done, each picture must be there exactly once. The writers of the log alone: watch_kills.py; the audit: audit.py.
Needs fork and SIGKILL (POSIX).
"""

import argparse
import contextlib
import json
import multiprocessing
import os
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import tifffile

from apertrue.cli import main as apertrue_command
from apertrue.session import EventKind, events, open_log
from apertrue.simulate import Recipe, simulate


def pictures(count: int) -> list[np.ndarray]:
    """``count`` small pictures, each another one."""
    rng = np.random.default_rng(5)
    few = [
        simulate(Recipe(rows=96, columns=96, aperture_radius_px=36, offset_x_percent=2.0 * k), rng) for k in range(6)
    ]
    out = []
    for k in range(count):
        picture = few[k % 6].picture.copy()
        picture[0, 0], picture[0, 1] = k % 251, k // 251
        out.append(picture)
    return out


def run(arguments: list[str], said: Path) -> None:
    """One command in this process, its output in a file, written line by line."""
    with said.open("a", encoding="utf-8", buffering=1) as out:
        sys.stdout = sys.stderr = out
        apertrue_command(arguments)


def begin(arguments: list[str], said: Path) -> multiprocessing.process.BaseProcess:
    process = multiprocessing.get_context("fork").Process(target=run, args=(arguments, said))
    process.start()
    return process


def told(said: Path) -> set[str]:
    """Names of the entries that were reported, in whole lines."""
    uids = set()
    with contextlib.suppress(FileNotFoundError):
        for line in said.read_text(encoding="utf-8").split("\n")[:-1]:
            with contextlib.suppress(ValueError, KeyError):
                uids.add(json.loads(line)["uid"])
    return uids


def checked(log: Path, promised: set[str], files: set[str], what: str, kills: int) -> bool:
    """Print and return whether the log holds what it must."""
    with open_log(log) as store:
        found = events(store, kinds=[EventKind.PICTURE])
        whole = store.value("pragma integrity_check")
    times = Counter(Path(str(e.get("file"))).name for e in found)
    lost, twice = promised - {e.uid for e in found}, {f: n for f, n in times.items() if n > 1}
    missing = files - set(times)
    print(
        f"{what}: {kills} kills, {len(promised)} entries reported, {len(files)} pictures; "
        f"lost: {len(lost)}; twice: {len(twice)}; never seen: {len(missing)}; integrity: {whole}",
        flush=True,
    )
    return not lost and not twice and not missing and whole == "ok"


def part_watch(work: Path, kills: int, rng: random.Random) -> bool:
    """Pictures keep coming while the watch is killed and begun again."""
    folder, log, said = work / "in", work / "watch.sqlite", work / "watch.jsonl"
    folder.mkdir()
    stock = pictures(kills * 3)
    command = ["watch", str(folder), "--log", str(log), "--existing", "--json", "--poll", "0.1", "--workers", "0"]
    given = 0
    for _ in range(kills):
        process = begin(command, said)
        end = time.monotonic() + rng.uniform(0.05, 1.2)
        while time.monotonic() < end:
            if given < len(stock) and rng.random() < 0.3:
                part = folder / f"{given:05d}.part"
                tifffile.imwrite(part, stock[given])
                part.replace(folder / f"{given:05d}.tif")
                given += 1
            time.sleep(0.02)
        process.kill()
        process.join()
    process = begin([*command, "--until-idle", "2"], said)
    process.join()
    return checked(log, told(said), {f"{k:05d}.tif" for k in range(given)}, "watch", kills)


def part_session(work: Path, kills: int, rng: random.Random) -> bool:
    """Several pictures a call; after each kill the same call again, as an operator would."""
    folder, log, said = work / "saved", work / "session.sqlite", work / "session.jsonl"
    folder.mkdir()
    count = 8 * max(kills // 4, 1)
    for k, picture in enumerate(pictures(count)):
        tifffile.imwrite(folder / f"{k:05d}.tif", picture)
    done, start, fresh = 0, 0, 0
    while done < kills:
        names = [str(folder / f"{k:05d}.tif") for k in range(start, min(start + 8, count))]
        process = begin(["session", "add", "--log", str(log), "--json", *names], said)
        process.join(rng.uniform(0.02, 1.0))
        if process.is_alive():
            process.kill()
            process.join()
            done, fresh = done + 1, fresh + 1
        if process.exitcode == 0 or fresh >= 6:  # on to the next ones; what is left comes at the end
            start, fresh = (start + 8) % count, 0
    process = begin(["session", "add", "--log", str(log), "--json", str(folder)], said)
    process.join()
    return checked(log, told(said), {f"{k:05d}.tif" for k in range(count)}, "session add", kills)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="8 kills of each")
    parser.add_argument("--kills", type=int, default=120)
    args = parser.parse_args()
    if not hasattr(os, "fork"):
        print("this system has no fork; nothing done")
        return 0
    kills = 8 if args.quick else args.kills
    rng = random.Random(21)
    with tempfile.TemporaryDirectory() as folder:
        good = [part(Path(folder), kills, rng) for part in (part_watch, part_session)]
    return 0 if all(good) else 1


if __name__ == "__main__":
    raise SystemExit(main())
