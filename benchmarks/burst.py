"""Frames of one scene, combined: how the doubt falls, whether it holds the truth, and the jitter apart from the noise.

Random scenes (peak 30–3 000 electrons, beam 0.6–1.1 of the aperture, also clipped) of 16 frames each, still and with
known movement from frame to frame; the first four frames and all sixteen are combined.

    python benchmarks/burst.py [--quick] [--n SCENES]
"""

import argparse
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from apertrue.burst import combine
from apertrue.frame import Frame
from apertrue.judging import Setup, judge_frame
from apertrue.simulate import Recipe, simulate, truth_of

FRAMES = 16
SIZE = 192


@dataclass(frozen=True, slots=True)
class Movement:
    """How the scene moves from frame to frame: 1σ an axis, px; ``creep``: px a frame in one direction."""

    name: str
    view: float = 0.0
    beam: float = 0.0
    creep: float = 0.0
    dim: bool = False


MOVEMENTS = (
    Movement("still"),
    Movement("still, 2–5 electrons", dim=True),
    Movement("view shaken, 0.3 px", view=0.3),
    Movement("beam shaken, 0.5 px", beam=0.5),
    Movement("both shaken, 3 px", view=3.0, beam=3.0),
    Movement("beam creeps, 0.1 px a frame", creep=0.1),
)


def scene(rng: np.random.Generator, movement: Movement) -> Recipe:
    """A random scene whose halo can be seen."""
    radius = float(rng.uniform(0.3, 0.4) * SIZE)
    low, high = (2.0, 5.0) if movement.dim else (30.0, 3000.0)
    while True:
        ratio, offset = float(rng.uniform(0.6, 1.1)), float(rng.uniform(0, 30))
        edge = ratio + offset / 100
        # Where the edges all but touch, it takes more than noise to tell how well they can be read.
        if abs(edge - 1.0) > 0.07 and (ratio < 0.95 or offset > 8):
            break
    t = float(rng.uniform(0, 2 * np.pi))
    return Recipe(
        rows=SIZE,
        columns=SIZE,
        aperture_radius_px=radius,
        aperture_edge_px=float(rng.uniform(0.8, 2.0)),
        beam_edge_px=float(rng.uniform(1.0, 3.0)),
        beam_ratio=ratio,
        offset_x_percent=offset * float(np.cos(t)),
        offset_y_percent=offset * float(np.sin(t)),
        peak_electrons=float(np.exp(rng.uniform(np.log(low), np.log(high)))),
        halo_level=float(rng.uniform(0.2, 0.3) if movement.dim else rng.uniform(0.05, 0.15)),
        dome=float(rng.uniform(0, 0.2)),
    )


def frames(recipe: Recipe, movement: Movement, rng: np.random.Generator) -> list[Frame]:
    """The scene's frames, each with its own noise and place."""
    out = []
    for i in range(FRAMES):
        view, beam = rng.normal(0, movement.view, 2), rng.normal(0, movement.beam, 2)
        beam[0] += movement.creep * (i - (FRAMES - 1) / 2)
        out.append(simulate(recipe.displaced(view, beam), rng).frame)
    return out


@dataclass
class Row:
    """Counts of one movement and number of frames."""

    n: int = 0
    read: int = 0
    z: list[float] = field(default_factory=list)
    gain: list[float] = field(default_factory=list)
    error: list[float] = field(default_factory=list)
    jitter: list[float] = field(default_factory=list)
    jitter_held: list[bool] = field(default_factory=list)
    creeping: int = 0
    false: int = 0


COVERED = ("offset_x_percent", "offset_y_percent", "aperture_radius_px", "beam_radius_px")


def count(row: Row, recipe: Recipe, movement: Movement, judged: list, truth: dict[str, float]) -> None:
    """Combine and count."""
    a = combine(judged, Setup()).result.assessment
    row.n += 1
    row.creeping += "creeping" in (a.flags or ())
    if a.offset_x_percent is None:
        return
    row.read += 1
    for name in COVERED:
        error = getattr(a, name) - truth[name]
        z = error / getattr(a, name + "_sigma")
        row.z.append(abs(z))
        row.false += abs(z) > 4 and abs(error) > (1.0 if "percent" in name else 0.01 * recipe.aperture_radius_px)
    single = [r.assessment.offset_x_percent_sigma for r in judged if r.assessment.offset_x_percent_sigma is not None]
    if single:
        row.gain.append(float(np.mean(single)) / a.offset_x_percent_sigma)
    row.error += [a.offset_x_percent - truth["offset_x_percent"], a.offset_y_percent - truth["offset_y_percent"]]
    if a.beam_jitter_px is not None:
        moved = np.sqrt(2) * np.hypot(movement.view, movement.beam)
        if movement.creep:
            moved = movement.creep * np.std(np.arange(len(judged)), ddof=1)
        row.jitter.append(a.beam_jitter_px)
        row.jitter_held.append(abs(a.beam_jitter_px - moved) <= 2 * a.beam_jitter_px_sigma)


def run(n: int, seed: int = 41, movements: Sequence[Movement] = MOVEMENTS) -> dict[tuple[str, int], Row]:
    """``n`` scenes a movement."""
    rows: dict[tuple[str, int], Row] = {}
    for k, movement in enumerate(movements):
        for child in np.random.SeedSequence((seed, k)).spawn(n):
            rng = np.random.default_rng(child)
            recipe = scene(rng, movement)
            truth = vars_of(truth_of(recipe))
            judged = [judge_frame(f, Setup()) for f in frames(recipe, movement, rng)]
            for m in (1, 4, FRAMES) if movement.name.startswith("still") else (4, FRAMES):
                row = rows.setdefault((movement.name, m), Row())
                # The mean of the first m frames of a creeping beam lies before that of all.
                behind = 100 * movement.creep * (FRAMES - m) / 2 / recipe.aperture_radius_px
                there = {**truth, "offset_x_percent": truth["offset_x_percent"] - behind}
                count(row, recipe, movement, judged[:m], there)
    return rows


def vars_of(truth: object) -> dict[str, float]:
    """Truth under the registry's names."""
    return {name: float(getattr(truth, name)) for name in COVERED}


def report(rows: dict[tuple[str, int], Row]) -> None:
    """Print the table."""
    print("| scene | frames | bursts read | 1σ | 2σ | 3σ | false | σ of one frame ÷ σ together | beam's jitter, median (true) "
          "| held within 2σ | called creeping |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    for (name, m), row in rows.items():
        movement = next(x for x in MOVEMENTS if x.name == name)
        z = np.array(row.z)
        inside = " | ".join(f"{100 * np.mean(z < k):.1f} %" if len(z) else "–" for k in (1, 2, 3))
        gain = f"{np.median(row.gain):.2f}" if row.gain and m > 1 else "–"
        moved = np.sqrt(2) * np.hypot(movement.view, movement.beam)
        if movement.creep:
            moved = movement.creep * np.std(np.arange(m), ddof=1) if m > 1 else 0.0
        found = f"{np.median(row.jitter):.2f} px ({moved:.2f})" if row.jitter else "–"
        held = f"{100 * np.mean(row.jitter_held):.0f} %" if row.jitter else "–"
        creep = f"{100 * row.creeping / row.n:.0f} %" if m > 1 else "–"
        print(f"| {name} | {m} | {row.read}/{row.n} | {inside} | {row.false} | {gain} | {found} | {held} | {creep} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few scenes")
    parser.add_argument("--n", type=int, help="scenes a row")
    options = parser.parse_args()
    report(run(options.n or (3 if options.quick else 60)))


if __name__ == "__main__":
    main()
