"""Side by side with pipelines put together from general-purpose libraries: accuracy, failures and time, in one run.

The same pictures go to apertrue and to each pipeline of :mod:`benchmarks.peers_pipelines`. Error: length of (found −
true) offset, % of the aperture radius; its median and 95 % quantile over the pictures answered. ``none`` = no answer,
``bad`` = off by more than 5 %, from which on an operator would act wrongly. Time: median processor time of one picture,
one thread. Sets: clean pictures of both readable kinds (those of the Cramér–Rao study, 512² to 2048²), and pictures with
one nuisance.

Run: python -m benchmarks.peers [--quick] [--n N] [--set NAME …] [--pipeline WORD …] [--json FILE]
"""

import argparse
import json
import math
import sys
import time
import warnings
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from apertrue.frame import Frame, as_frame
from apertrue.pipeline import judge

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # run as a script, too
from benchmarks import cramer_rao
from benchmarks.cramer_rao_bound import truths
from benchmarks.one_thread import elsewhere
from benchmarks.peers_pipelines import PIPELINES, Found
from benchmarks.scenes import samplers

#: Beyond this error (% of the aperture radius) an answer misleads.
BAD = 5.0
#: Nuisances that leave gray levels linear and the picture readable.
NUISANCES = ("blur", "correlated-noise", "bad-pixels", "domed", "tilted-light", "ringed-light", "fringes", "grain",
             "bar", "dirt", "vignetting", "cut-by-frame", "faint-halo", "saturation", "glare")  # fmt: skip


@dataclass
class Row:
    """What one pipeline did on one set.

    Attributes:
        errors: of the offset, % of the aperture radius.
        aperture, beam: errors of the radii, px.
        none: pictures without an answer.
        seconds: one a picture.
    """

    errors: list[float] = field(default_factory=list)
    aperture: list[float] = field(default_factory=list)
    beam: list[float] = field(default_factory=list)
    none: int = 0
    seconds: list[float] = field(default_factory=list)


def with_apertrue(frame: Frame) -> Found:
    """Our answer in the pipelines' terms."""
    a = judge(frame).assessment
    if a.offset_x_percent is None or a.aperture_radius_px is None or a.beam_radius_px is None:
        return Found()
    assert a.aperture_x_px is not None
    assert a.aperture_y_px is not None
    assert a.beam_x_px is not None
    assert a.beam_y_px is not None
    return Found((a.aperture_x_px, a.aperture_y_px, a.aperture_radius_px), (a.beam_x_px, a.beam_y_px, a.beam_radius_px))


def pictures(name: str, n: int) -> Iterator[tuple[Frame, dict[str, float]]]:
    """Pictures of a set and their truths."""
    if name in cramer_rao.ROWS:
        for k in range(n):
            recipe, rng = cramer_rao.scene(name, k)
            yield cramer_rao.picture(recipe, rng), truths(recipe)
        return
    each = max(1, round(n / len(NUISANCES)))
    for nuisance in NUISANCES:
        for case in samplers.one_nuisance(nuisance, each, seed=71):
            yield case.frame(), dict(case.truth)


SETS = ("both-edges", "clipped", "nuisances")


def measure(find: Callable[[Frame], Found], frame: Frame, truth: dict[str, float], row: Row, repeat: int = 1) -> None:
    """One picture through one pipeline."""
    best = math.inf
    found = Found()
    for _ in range(repeat):
        start = time.process_time()
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                found = find(frame)
        except Exception:  # whatever a library raises on a picture it can't do, its user has no answer
            found = Found()
        best = min(best, time.process_time() - start)
    row.seconds.append(best)
    if found.offset is None or not np.isfinite(found.offset).all():
        row.none += 1
        return
    assert found.aperture is not None
    assert found.beam is not None
    dx, dy = found.offset[0] - truth["offset_x_percent"], found.offset[1] - truth["offset_y_percent"]
    row.errors.append(math.hypot(dx, dy))
    row.aperture.append(abs(found.aperture[2] - truth["aperture_radius_px"]))
    row.beam.append(abs(found.beam[2] - truth["beam_radius_px"]))


def table(name: str, rows: dict[str, Row]) -> list[dict[str, Any]]:
    """Print a set's table; returns it as records."""
    print(f"\n{name}\n{'pipeline':42} {'n':>4} {'none':>5} {'bad':>4} {'median %':>9} {'95 % under':>10} {'÷ ours':>7} "
          f"{'R_a px':>7} {'R_b px':>7} {'ms':>7} {'÷ ours':>7}")  # fmt: skip
    out = []
    ours = rows["apertrue"]
    for pipeline, row in rows.items():
        errors = np.array(row.errors) if row.errors else np.array([math.nan])
        median, most = float(np.median(errors)), float(np.quantile(errors, 0.95))
        ms = 1000 * float(np.median(row.seconds))
        record = {
            "set": name, "pipeline": pipeline, "n": len(row.seconds), "none": row.none,
            "bad": int((errors > BAD).sum()), "median_percent": median, "q95_percent": most,
            "median_ratio": median / float(np.median(ours.errors or [math.nan])),
            "aperture_px": float(np.median(row.aperture or [math.nan])),
            "beam_px": float(np.median(row.beam or [math.nan])),
            "ms": ms, "time_ratio": ms / (1000 * float(np.median(ours.seconds))),
        }  # fmt: skip
        out.append(record)
        print(f"{pipeline:42} {record['n']:4} {row.none:5} {record['bad']:4} {median:9.4f} {most:10.3f} "
              f"{record['median_ratio']:7.1f} {record['aperture_px']:7.3f} {record['beam_px']:7.3f} "
              f"{ms:7.0f} {record['time_ratio']:7.2f}")  # fmt: skip
    return out


def run(name: str, n: int, pipelines: dict[str, Callable[[np.ndarray], Found]]) -> dict[str, Row]:
    """All pipelines on one set; each picture goes to all of them in turn, so that they meet the same machine load."""
    rows: dict[str, Row] = defaultdict(Row)
    warm, _ = next(pictures(name, n))
    with_apertrue(as_frame(warm))
    for find in pipelines.values():  # imports and caches are not the picture's time
        measure(lambda f, find=find: find(f.pixels), warm, defaultdict(float), Row())
    for frame, truth in pictures(name, n):
        measure(with_apertrue, frame, truth, rows["apertrue"])
        for pipeline, find in pipelines.items():
            measure(lambda f, find=find: find(f.pixels), frame, truth, rows[pipeline])
    return rows


def main(argv: list[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few pictures")
    parser.add_argument("--n", type=int, default=0, help="pictures a set (100)")
    parser.add_argument("--set", action="append", default=[], choices=SETS, help="only this set (may be repeated)")
    parser.add_argument("--pipeline", action="append", default=[], help="only pipelines with this word in their name")
    parser.add_argument("--json", type=Path, default=None, help="file to which the tables are appended, one row a line")
    args = parser.parse_args(argv)
    status = elsewhere("benchmarks.peers", argv)
    if status is not None:
        return status
    n = args.n or (6 if args.quick else 100)
    chosen = {k: v for k, v in PIPELINES.items() if not args.pipeline or any(w in k for w in args.pipeline)}
    for name in args.set or SETS:
        records = table(name, run(name, n, chosen))
        if args.json is not None:
            with args.json.open("a", encoding="utf-8") as file:
                file.writelines(json.dumps(r) + "\n" for r in records)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
