"""The closed loop on unseen virtual microscopes: centered by advice alone, beside a current-maximizing search.

Counts as centered: true offset ≤ max(1 % of the aperture radius, 2σ of the last picture), after at most 2 nudges with a
calibration (made by the guided steps two hours before) and at most 5 snapshots without; from a beam that crept off by
8–60 % and from one that the aperture cuts by half. Every picture goes through the engine as a user's would.

    python benchmarks/closed_loop.py                 # 300 microscopes, about a quarter of an hour on two cores
    python benchmarks/closed_loop.py --quick         # two microscopes
    python benchmarks/closed_loop.py --truth 0.1     # truth plus noise of 0.1 % instead of the engine (development)
"""

import argparse
import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from apertrue.calibration import Calibration
from apertrue.errors import CalibrationError
from apertrue.microscope import VirtualMicroscope
from apertrue.practice.advised import Measure, calibrate, center, judge_snapshot, truth_and_noise

#: Seeds from here on were never looked at while developing.
UNSEEN = 7_000_000

CASES = (
    ("nudges, crept off", "calibrated, crept off 8–60 %: ≤ 2 nudges"),
    ("nudges, half cut", "calibrated, half cut: ≤ 2 nudges"),
    ("trials, crept off", "no calibration, crept off 8–60 %: ≤ 5 snapshots"),
    ("trials, half cut", "no calibration, half cut: ≤ 5 snapshots"),
    ("current, crept off", "current-maximizing search, crept off 8–60 %"),
    ("current, half cut", "current-maximizing search, half cut"),
)


@dataclass(frozen=True, slots=True)
class Run:
    """One centering."""

    case: str
    seed: int
    offset_percent: float
    sigma_percent: float | None
    looks: int
    moves: int
    minutes: float
    ok: bool
    note: str = ""


def half_cut(scope: VirtualMicroscope, direction_deg: float) -> None:
    """Misalign until the aperture cuts half of the beam."""
    for offset in np.arange(70.0, 110.0, 2.0):
        scope.misalign(float(offset), direction_deg)
        if scope.truth().clipped_fraction >= 0.5:
            return


def one(seed: int, sigma: float | None = None) -> list[Run]:
    """All cases on one microscope."""
    rng = np.random.default_rng([seed, 1])
    measure: Measure = judge_snapshot if sigma is None else truth_and_noise(sigma, rng)
    direction, other, creep = (float(v) for v in rng.uniform([0, 0, 8], [360, 360, 60]))
    out = []
    for cut in (False, True):
        name = "half cut" if cut else "crept off"
        scope = VirtualMicroscope(seed)
        half_cut(scope, direction) if cut else scope.misalign(creep, direction)
        run = center(scope, measure)
        out.append(
            _run(f"trials, {name}", seed, run.offset_percent, run.sigma_percent, run.snapshots, run.moves, run.minutes)
        )
        scope = VirtualMicroscope(seed)
        half_cut(scope, direction) if cut else scope.misalign(creep, direction)
        auto = scope.run_automatic(can_hang=False)
        left = scope.truth().offset_percent
        out.append(_run(f"current, {name}", seed, left, None, auto.readings, auto.readings, auto.minutes))
    scope = VirtualMicroscope(seed)
    scope.misalign(min(creep, 30.0), direction)
    known: Calibration | None = None
    try:
        known = calibrate(scope, measure)
    except CalibrationError as error:
        out += [Run(c, seed, float("nan"), None, 0, 0, 0.0, False, str(error)) for c, _ in CASES[:2]]
    if known is not None:
        for cut in (False, True):
            scope.wait(120.0)
            half_cut(scope, other) if cut else scope.misalign(creep, other)
            run = center(scope, measure, calibration=known, most_moves=2, most_snapshots=4)
            name = f"nudges, {'half cut' if cut else 'crept off'}"
            out.append(_run(name, seed, run.offset_percent, run.sigma_percent, run.snapshots, run.moves, run.minutes))
    return out


def _run(case: str, seed: int, offset: float, sigma: float | None, looks: int, moves: int, minutes: float) -> Run:
    measured = sigma is not None or case.startswith("current")
    ok = measured and offset <= max(1.0, 2.0 * (sigma or 0.0))
    return Run(case, seed, offset, sigma, looks, moves, minutes, ok)


def clopper_pearson(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact interval of a binomial share (C. J. Clopper & E. S. Pearson, Biometrika 26:404, 1934; from memory)."""
    from scipy.special import betaincinv

    tail = (1.0 - confidence) / 2.0
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - tail))
    return low, high


def table(runs: Sequence[Run]) -> str:
    """The figures that the docs quote, as a Markdown table."""
    lines = [
        "| case | n | centered | 95 % interval | looks (mean, most) | moves | minutes | offset %: median, 99 %, most |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for case, words in CASES:
        mine = [r for r in runs if r.case == case]
        if not mine:
            continue
        k, n = sum(r.ok for r in mine), len(mine)
        low, high = clopper_pearson(k, n)
        offset = np.array([r.offset_percent for r in mine])
        offset = np.where(np.isfinite(offset), offset, np.inf)
        looks = [r.looks for r in mine]
        lines.append(
            f"| {words} | {n} | {k} ({100 * k / n:.1f} %) | {100 * low:.1f}–{100 * high:.1f} % | {np.mean(looks):.1f}, "
            f"{max(looks)} | {np.mean([r.moves for r in mine]):.1f} | {np.mean([r.minutes for r in mine]):.1f} | "
            f"{np.median(offset):.2f}, {np.quantile(offset, 0.99, method='higher'):.2f}, {offset.max():.2f} |"
        )
    return "\n".join(lines)


def read_runs(file: Path | None) -> list[Run]:
    """The runs of earlier, perhaps broken-off benchmarks; a line that was cut short is left out, doubles count once."""
    if file is None or not file.is_file():
        return []
    found: dict[tuple[int, str], Run] = {}
    for line in file.read_text(encoding="utf-8").splitlines():
        try:
            runs = [Run(**run) for run in json.loads(line)]
        except (ValueError, TypeError):
            continue
        for run in runs:
            found.setdefault((run.seed, run.case), run)
    return list(found.values())


def kept(runs: list[Run], file: Path | None) -> list[Run]:
    """The same runs, added to the file: one microscope a line, so that several benchmarks may share it."""
    if file is not None:
        whole = not file.is_file() or file.read_bytes()[-1:] in (b"", b"\n")
        with file.open("a", encoding="utf-8") as out:
            out.write(("" if whole else "\n") + json.dumps([asdict(r) for r in runs]) + "\n")
    return runs


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Closed loop on unseen virtual microscopes.")
    parser.add_argument("--quick", action="store_true", help="two microscopes, one process")
    parser.add_argument("--microscopes", type=int, default=300)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--first", type=int, default=UNSEEN, help="first seed")
    parser.add_argument("--truth", type=float, default=None, metavar="SIGMA", help="truth plus noise, %% (1σ)")
    parser.add_argument("--json", type=Path, default=None, help="add all runs to this file; go on from what it holds")
    options = parser.parse_args(arguments)
    n = 2 if options.quick else options.microscopes
    seeds = range(options.first, options.first + n)
    runs = read_runs(options.json)
    runs = [r for r in runs if r.seed in seeds]
    done = {r.seed for r in runs}
    todo = [seed for seed in seeds if seed not in done]
    if options.quick or options.workers == 1:
        for seed in todo:
            runs += kept(one(seed, options.truth), options.json)
    elif todo:
        with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
            for some in pool.map(one, todo, [options.truth] * len(todo)):
                runs += kept(some, options.json)
    if options.json is not None:
        runs = [r for r in read_runs(options.json) if r.seed in seeds]
    how = "the engine" if options.truth is None else f"truth plus noise of {options.truth:g} %"
    count, last = len({r.seed for r in runs}), options.first + n - 1
    print(f"Closed loop on {count} virtual microscopes (seeds {options.first} to {last}), measured by {how}.")
    print("Looks: pictures, or current readings for the search. Minutes are virtual.\n")
    print(table(runs))
    failed = [r for r in runs if not r.ok and not r.case.startswith("current")]
    for r in failed:
        print(f"not centered: {r.case}, seed {r.seed}: {r.offset_percent:.2f} % ± {r.sigma_percent} {r.note}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
