"""Whether the stated doubt is true, and whether anything is said that the picture does not bear.

For each set of scenes: how often intervals of 1σ, 2σ and 3σ hold the truth, how many numbers are false (beyond both a
limit and 4σ), how many readable pictures are refused, and how often kind and flags are right.

Run: python -m benchmarks.honesty [--quick] [--set NAME …] [--n N] [--list-bad]
"""

import argparse
import itertools
import math
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from apertrue.pipeline import judge
from apertrue.scene import Hints

from .scenes.case import NUMBERS, Case

#: A number is false when it is off by more than this and by more than 4σ. ``R`` = share of the aperture radius, in px.
LIMITS = {
    "aperture_x_px": "R", "aperture_y_px": "R", "aperture_radius_px": "R",
    "beam_x_px": "R", "beam_y_px": "R", "beam_radius_px": "R",
    "offset_x_px": "R", "offset_y_px": "R",
    "offset_x_percent": 1.0, "offset_y_percent": 1.0, "offset_percent": 1.0, "gap_percent": 1.0,
    "clipped_fraction": 0.005, "score": 0.5, "working_score": 0.5,
}  # fmt: skip
#: Directions (deg, period): false when off by more than the angle that 1 % of the radius makes, and 4σ.
ANGLES = {
    "offset_direction_deg": 360.0,
    "move_direction_deg": 360.0,
    "aperture_axis_deg": 180.0,
    "beam_axis_deg": 180.0,
}
#: Fields whose coverage is counted.
COVERED = (*LIMITS, "aperture_edge_px", "beam_edge_px", "aperture_ellipticity", "beam_ellipticity", "halo_fraction",
           "unevenness_percent", *ANGLES)  # fmt: skip
#: Fields near a bound are tested one-sided when value or truth is within 2σ of it.
BOUNDS = {"score": 100.0, "working_score": 100.0, "clipped_fraction": 0.0, "aperture_ellipticity": 0.0,
          "beam_ellipticity": 0.0, "offset_percent": 0.0}  # fmt: skip


@dataclass
class Row:
    """Counts of one group."""

    n: int = 0
    refused: int = 0
    readable: int = 0
    kind_right: int = 0
    flags_right: int = 0
    flags_total: int = 0
    false: Counter = field(default_factory=Counter)
    z: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    sigma_offset: list[float] = field(default_factory=list)
    bad: list[str] = field(default_factory=list)
    missed_flags: Counter = field(default_factory=Counter)
    extra_flags: Counter = field(default_factory=Counter)
    kinds: Counter = field(default_factory=Counter)
    seconds: float = 0.0


def count(case: Case, row: Row) -> None:
    """Judge one case and count."""
    frame = case.frame()
    start = time.perf_counter()
    result = judge(frame, hints=Hints(**case.hints) if case.hints else None)
    row.seconds += time.perf_counter() - start
    a = result.assessment
    residual = result.scene.extra.get("residual")
    start_bad = len(row.bad)
    row.n += 1
    right = a.scene in case.allowed
    row.kind_right += right
    if not right:
        row.kinds[f"{'/'.join(case.allowed)} → {a.scene}"] += 1
        row.bad.append(f"{case.name}: {a.scene}, allowed {case.allowed}")
    readable = "offset_x_percent" in case.truth and "offset_percent" not in case.must_be_null
    if readable:
        row.readable += 1
        if a.offset_x_percent is None and "offset_x_percent" not in case.must_be_null:
            row.refused += 1
            row.bad.append(f"{case.name}: refused as {a.scene} {a.reasons}")
    flags = set(a.flags or ())
    for f in case.must_flags:
        row.flags_total += 1
        row.flags_right += f in flags
        if f not in flags:
            row.missed_flags[f] += 1
            row.bad.append(f"{case.name}: flag {f} missed")
    for f in flags - set(case.must_flags) - set(case.may_flags):
        row.flags_total += 1
        row.extra_flags[f] += 1
        row.bad.append(f"{case.name}: flag {f} raised")
    for name in case.must_be_null:
        if getattr(a, name) is not None:
            row.false[f"{name} (must be null)"] += 1
            row.bad.append(f"{case.name}: {name} = {getattr(a, name)} must be null")
    radius = case.truth.get("aperture_radius_px", 100.0)
    if a.offset_percent_sigma is not None:
        row.sigma_offset.append(max(a.offset_x_percent_sigma or 0.0, a.offset_y_percent_sigma or 0.0))
    for name in COVERED:
        value, sigma = getattr(a, name), getattr(a, name + "_sigma")
        if value is None or name in case.must_be_null:
            continue
        if name not in case.truth:
            continue
        truth = case.truth[name]
        error = value - truth
        if name in ANGLES:
            period = ANGLES[name]
            error = (error + period / 2) % period - period / 2
        z = error / sigma if sigma > 0 else math.inf * np.sign(error)
        limit = LIMITS.get(name)
        if limit == "R":
            limit = 0.01 * radius
        if limit is not None and abs(error) > limit and abs(z) > 4:
            row.false[name] += 1
            row.bad.append(f"{case.name}: {name} = {value:.5g} ± {sigma:.2g}, true {truth:.5g} (z {z:.1f})")
        if name in BOUNDS and abs(truth - BOUNDS[name]) < 3 * sigma:
            z *= 0.5 if abs(value - BOUNDS[name]) < 3 * sigma else 1.0
        row.z[name].append(float(z))
    if len(row.bad) > start_bad and residual is not None:
        row.bad.append(f"{case.name}: mean squared residual {residual:.2f}")


def run(cases: Iterable[Case]) -> dict[str, Row]:
    """Count all cases by group."""
    rows: dict[str, Row] = defaultdict(Row)
    for case in cases:
        count(case, rows[case.group])
    return rows


def report(rows: dict[str, Row], *, list_bad: bool = False, detail: bool = False) -> None:
    """Print the table."""
    print(f"{'group':34} {'n':>5} {'refused':>7} {'kind %':>7} {'flags %':>7} {'false':>5} "
          f"{'1σ %':>6} {'2σ %':>6} {'3σ %':>6} {'med σ %':>8} {'ms':>6}")  # fmt: skip
    total = Row()
    for name, row in rows.items():
        _line(name, row)
        total.n += row.n
        total.refused += row.refused
        total.readable += row.readable
        total.kind_right += row.kind_right
        total.flags_right += row.flags_right
        total.flags_total += row.flags_total
        total.false.update(row.false)
        total.seconds += row.seconds
        total.sigma_offset += row.sigma_offset
        for k, v in row.z.items():
            total.z[k] += v
    if len(rows) > 1:
        _line("all", total)
    for name, row in rows.items():
        for what, counter in (
            ("false", row.false),
            ("kinds", row.kinds),
            ("missed", row.missed_flags),
            ("extra", row.extra_flags),
        ):
            if counter:
                print(f"  {name}: {what}: " + ", ".join(f"{k} {v}" for k, v in counter.most_common()))
    if detail:
        for name, z in total.z.items():
            a = np.abs(np.array(z))
            print(f"  {name:24} n {len(a):5}  1σ {np.mean(a < 1):.3f}  2σ {np.mean(a < 2):.3f}  3σ {np.mean(a < 3):.3f}"
                  f"  robust sd {np.median(a) / 0.6745:.2f}")  # fmt: skip
    if list_bad:
        for row in rows.values():
            for text in row.bad:
                print("   ", text)


def _line(name: str, row: Row) -> None:
    zs = [
        np.abs(np.array(row.z[k]))
        for k in ("offset_x_percent", "offset_y_percent", "aperture_radius_px", "beam_radius_px")
        if k in row.z
    ]
    a = np.concatenate(zs) if zs else np.array([np.nan])
    held = [100 * float(np.mean(a < k)) for k in (1, 2, 3)]
    flags = 100 * row.flags_right / row.flags_total if row.flags_total else float("nan")
    sigma = float(np.median(row.sigma_offset)) if row.sigma_offset else float("nan")
    right, each_ms = 100 * row.kind_right / max(row.n, 1), 1000 * row.seconds / max(row.n, 1)
    print(
        f"{name:34} {row.n:5} {row.refused:3}/{row.readable:<4}{right:6.1f} {flags:7.1f} {sum(row.false.values()):5} "
        f"{held[0]:6.1f} {held[1]:6.1f} {held[2]:6.1f} {sigma:8.3f} {each_ms:6.0f}"
    )


def sets(n: int) -> dict[str, Iterator[Case]]:
    """All sets of scenes by name."""
    from apertrue.simulate import NUISANCES

    from .scenes import arcs, bright, drawn, glowing, independent, layered, samplers, unsmooth, wave, worn

    out: dict[str, Iterator[Case]] = {
        "clean": samplers.clean(n),
        "mixed": samplers.mixed(n),
        "kinds": samplers.all_kinds(n),
        "hard": samplers.hard(max(3, n // 30)),
        "independent": independent.scenes(n),
        "drawn": drawn.scenes(n),
        "worn": worn.scenes(n),
        "arcs": arcs.scenes(n),
        "glowing": glowing.scenes(n),
        "bright": bright.scenes(n),
        "unsmooth": unsmooth.scenes(n),
        "layered": layered.scenes(n),
        "wave": wave.scenes(max(8, n // 8)),
    }
    out["nuisances"] = itertools.chain(*(samplers.one_nuisance(name, max(10, n // 20)) for name in NUISANCES))
    try:
        from .scenes import real, unreadable

        out["real"] = real.scenes()
        out["unreadable"] = unreadable.scenes(n)
    except (ImportError, AttributeError):
        pass
    return out


def main(argv: list[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="few scenes")
    parser.add_argument("--set", action="append", default=[], help="only this set (may be repeated)")
    parser.add_argument("--n", type=int, default=0, help="scenes a set")
    parser.add_argument("--list-bad", action="store_true", help="name every wrong answer")
    args = parser.parse_args(argv)
    n = args.n or (60 if args.quick else 1000)
    for name, cases in sets(n).items():
        if args.set and name not in args.set:
            continue
        print(f"\n{name}")
        report(run(cases), list_bad=args.list_bad, detail=True)
        sys.stdout.flush()
    return 0


assert set(NUMBERS)  # the fields that an unreadable picture must not have are the sets' own

if __name__ == "__main__":
    raise SystemExit(main())
