"""Thousands of broken files against the readers and the main line: none may crash, hang, swell or show a traceback.

    python benchmarks/fuzz.py [--quick] [--cases 12000] [--seed 0] [--workers 2] [--keep FOLDER]
    python benchmarks/fuzz.py --only 1234 [--seed 0]        one case again, with its traceback

Cases are numbered; a seed and a number give the same file again. Each file is used as a user would: recognized,
counted, read, judged (pictures), loaded (sheets, instrument files, calibrations), opened and written (logs). Workers
may take 1 GiB of address space over what they need after warming up, and 5 s of processor time a file. What goes wrong
is kept in ``--keep`` as a file with its number. Limits on memory need a POSIX system; elsewhere only time is limited.
"""

import argparse
import contextlib
import json
import multiprocessing
import os
import sys
import tempfile
import time
from collections import Counter
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("MALLOC_ARENA_MAX", "2")
sys.path.insert(0, str(Path(__file__).parents[1]))  # run as a script, too
from benchmarks.faults.attack import Case, attack, attacked, case
from benchmarks.faults.seeds import seeds

MEMORY, SECONDS = 2**30, 5.0
#: One picture in so many is also judged; the others are only read.
JUDGED = 4
#: A file that takes this long hangs: processor time and, however busy the machine is, time on the wall, s.
HANG_PROCESSOR, HANG_WALL = 15.0, 600.0


def _status(field: str) -> int:
    """A figure of /proc/self/status, bytes; 0 where there is none."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0
    return next((1024 * int(line.split()[1]) for line in lines if line.startswith(f"{field}:")), 0)


def _limit() -> None:
    """No more address space than what is in use now and 1 GiB."""
    with contextlib.suppress(ImportError):
        import resource

        top = _status("VmSize") + MEMORY
        if top > MEMORY:
            resource.setrlimit(resource.RLIMIT_AS, (top, top))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def work(pipe: Connection, seed: int, folder: str) -> None:
    """Take case numbers from the pipe until it is closed; answer each with what came of it."""
    place = Path(folder)
    said = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process
    os.dup2(said.fileno(), 1)
    os.dup2(said.fileno(), 2)
    for warm in range(len(seeds())):  # every library loaded before the limit is set
        one = Case(list(seeds())[warm], "none", list(seeds().values())[warm])
        path = place / f"warm.{one.name}"
        path.write_bytes(one.data)
        attacked(path)
        path.unlink(missing_ok=True)
    sys.stdout.flush()
    sys.stderr.flush()
    said.seek(0)
    said.truncate()
    _limit()
    used = _status("VmRSS")
    while True:
        try:
            number = pipe.recv()
        except EOFError:
            return
        one = case(number, seed)
        path = place / one.name
        path.write_bytes(one.data)
        with contextlib.suppress(OSError):
            Path("/proc/self/clear_refs").write_text("5", encoding="ascii")  # the peak counts from here
        pipe.send(("begun", number))  # the clock starts
        start = time.process_time()
        outcome = attacked(path, judge=number % JUDGED == 0)
        spent = time.process_time() - start
        sys.stdout.flush()
        sys.stderr.flush()
        noise = said.tell()
        if noise and not outcome.startswith("fault"):
            said.seek(0)
            outcome = f"fault: it printed {said.read()[:300]!r}"
        said.seek(0)
        said.truncate()
        path.unlink(missing_ok=True)
        pipe.send((number, one.name, one.way, outcome, spent, max(_status("VmHWM") - used, 0)))


class Worker:
    """A process that can be killed and begun anew."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.folder = tempfile.TemporaryDirectory()
        self.begin()

    def begin(self) -> None:
        """Start the process."""
        context = multiprocessing.get_context("spawn")
        self.pipe, other = context.Pipe()
        self.process = context.Process(target=work, args=(other, self.seed, self.folder.name), daemon=True)
        self.process.start()
        other.close()
        self.number: int | None = None
        self.working = False
        self.since, self.spent = time.monotonic(), 0.0

    def hangs(self) -> bool:
        """Whether the file at hand takes too long."""
        return self.processor() - self.spent > HANG_PROCESSOR or time.monotonic() - self.since > HANG_WALL

    def processor(self) -> float:
        """Processor time of the process so far, s; 0 where the system does not tell."""
        try:
            about = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        except OSError:
            return 0.0
        return (int(about[11]) + int(about[12])) / os.sysconf("SC_CLK_TCK")

    def begun(self) -> None:
        """The file at hand begins now."""
        self.since, self.spent = time.monotonic(), self.processor()
        self.working = True

    def give(self, number: int) -> None:
        """Hand out a case."""
        self.number = number
        self.pipe.send(number)

    def end(self) -> None:
        """Kill the process."""
        self.process.kill()
        self.process.join()
        self.pipe.close()


def run(numbers: range, seed: int, workers: int, keep: Path | None, show: bool) -> dict[str, Any]:
    """All cases; the tally and what went wrong."""
    crew = [Worker(seed) for _ in range(workers)]
    todo = iter(numbers)
    tally: Counter[str] = Counter()
    kinds: dict[str, Counter[str]] = {}
    faults: list[dict[str, Any]] = []
    slowest, largest = (0.0, ""), (0, "")
    for worker in crew:
        number = next(todo, None)
        if number is not None:
            worker.give(number)

    def blame(number: int, outcome: str) -> None:
        one = case(number, seed)
        faults.append({"case": number, "seed": seed, "name": one.name, "way": one.way, "outcome": outcome})
        tally["fault"] += 1
        print(json.dumps(faults[-1]), flush=True)
        if keep is not None:
            keep.mkdir(parents=True, exist_ok=True)
            (keep / f"{seed}-{number}-{one.name}").write_bytes(one.data)

    while any(w.number is not None for w in crew):
        ready = wait([w.pipe for w in crew if w.number is not None], timeout=1.0)
        for worker in crew:
            number = worker.number
            if number is None:
                continue
            answer: Any = None
            if worker.pipe in ready:
                try:
                    answer = worker.pipe.recv()
                except (EOFError, ConnectionResetError):
                    worker.process.join(5)
                    blame(number, f"fault: crash, exit status {worker.process.exitcode}")
            elif worker.working and worker.hangs():
                blame(number, "fault: hang")
            else:
                continue
            if answer is not None and answer[0] == "begun":
                worker.begun()
                continue
            worker.working = False
            if answer is None:
                worker.end()
                worker.begin()
            else:
                _, name, way, outcome, spent, memory = answer
                if not outcome.startswith("fault") and spent > SECONDS:
                    outcome = f"fault: {spent:.1f} s of processor time"
                if not outcome.startswith("fault") and memory > MEMORY:
                    outcome = f"fault: {memory / 2**20:.0f} MiB of memory"
                if outcome.startswith("fault"):
                    blame(number, outcome)
                else:
                    tally[outcome] += 1
                    kinds.setdefault(Path(name).suffix, Counter())[outcome] += 1
                slowest = max(slowest, (spent, f"case {number}, {name}, {way}"))
                largest = max(largest, (memory, f"case {number}, {name}, {way}"))
            following = next(todo, None)
            worker.number = None
            if following is not None:
                worker.give(following)
                if show and following % 1000 == 0:
                    print(f"… {following}", flush=True)
    for worker in crew:
        worker.end()
    return {"tally": tally, "kinds": kinds, "faults": faults, "slowest": slowest, "largest": largest}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="600 cases")
    parser.add_argument("--cases", type=int, default=12000)
    parser.add_argument("--start", type=int, default=0, help="number of the first case")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, default=None, help="where files that did harm are kept")
    parser.add_argument("--only", type=int, default=None, help="this case alone, in this process")
    args = parser.parse_args()
    if args.only is not None:
        one = case(args.only, args.seed)
        print(f"{one.name}, {one.way}, {len(one.data)} bytes")
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / one.name
            path.write_bytes(one.data)
            print(attack(path))
        return 0
    count = 600 if args.quick else args.cases
    begun = time.monotonic()
    found = run(range(args.start, args.start + count), args.seed, args.workers, args.keep, show=not args.quick)
    tally, faults = found["tally"], found["faults"]
    print("| kind | read | refused with a message |\n|---|---|---|")
    for kind, outcomes in sorted(found["kinds"].items()):
        print(f"| {kind} | {outcomes['read']} | {outcomes['refused']} |")
    print(f"| all | {tally['read']} | {tally['refused']} |\n")
    print(f"{count} files in {time.monotonic() - begun:.0f} s; faults: {len(faults)}")
    print(f"slowest: {found['slowest'][0]:.2f} s of processor time ({found['slowest'][1]})")
    print(f"largest: {found['largest'][0] / 2**20:.0f} MiB over the resting process ({found['largest'][1]})")
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
