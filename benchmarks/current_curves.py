"""Do the intervals of the current curves hold the truth? Coverage and widths over simulated instruments.

Each instrument has its own profile, sides, emission wander, crossover wander and meter; the curves are fitted to 1 to 8
sessions and asked about a new one. Run: python benchmarks/current_curves.py [--quick]
"""

import argparse
import importlib.util
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads only get in each other's way

import numpy as np
from scipy.stats import binom

from apertrue.current.answers import current_at, focus_for, off_curve
from apertrue.current.curve import fit_current
from apertrue.current.pairs import pairs_from_records


def load_truth():
    path = Path(__file__).parent.parent / "tests" / "current" / "current_truth.py"
    spec = importlib.util.spec_from_file_location("current_truth", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def study(truth, n, radii):
    hits = {name: [] for name in ("current 68", "current 95", "focus 68", "focus 95", "today 95")}
    widths, unanswered, asked, seconds = [], 0, 0, 0.0
    for seed in range(n):
        rng = np.random.default_rng([seed, int(radii)])
        instrument = truth.TrueInstrument.drawn(rng)
        sessions = int(rng.integers(1, 9))
        found = pairs_from_records(instrument.records(rng, sessions, radii=radii))
        start = time.process_time()
        model = fit_current(found.pairs, found.radii, rng=np.random.default_rng(seed))
        seconds += time.process_time() - start
        crossover, gain = instrument.session(rng)
        # One question a model, on a random side: questions of one model are not independent.
        name = str(rng.choice(list(model.curves)))
        curve, side = model.curves[name], instrument.sides[name]
        distance = rng.uniform(*curve.reach)
        focus, true = crossover + side.sign * distance, side.current(distance, gain)
        a, b = current_at(model, focus, name), focus_for(model, true, name)
        asked += 1
        if a.interval_68 and a.interval_95:
            hits["current 68"].append(a.interval_68[0] <= true <= a.interval_68[1])
            hits["current 95"].append(a.interval_95[0] <= true <= a.interval_95[1])
        if b.focus is None or b.interval_68 is None or b.interval_95 is None:
            unanswered += 1
        else:
            hits["focus 68"].append(b.interval_68[0] <= focus <= b.interval_68[1])
            hits["focus 95"].append(b.interval_95[0] <= focus <= b.interval_95[1])
            widths.append((sessions, 100 * a.sigma_pa / a.current_pa, 100 * b.sigma / distance))
        read = {
            "gun_focus": focus,
            "focus_side": name,
            "current_pa": true * float(np.exp(rng.normal(0, instrument.meter))),
            "score": 100.0,
            "score_sigma": 0.2,
            "kv": 200.0,
            "aperture_um": 70.0,
            "session": "new",
        }
        off = off_curve(model, pairs_from_records([read]).pairs)
        if off is not None:
            hits["today 95"].append(not off.unusual)
    return hits, np.array(widths), unanswered, asked, seconds / n


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="60 instruments instead of 500")
    n = 60 if parser.parse_args().quick else 500
    truth = load_truth()
    for radii in (True, False):
        hits, widths, unanswered, asked, seconds = study(truth, n, radii)
        word = "with" if radii else "without"
        print(f"\n{word} pictures that tell the crossover, {asked} instruments, one question each")
        print("| interval | hits | of | share | 99.9 % binomial band | within |")
        print("|---|---|---|---|---|---|")
        for name, found in hits.items():
            share = 0.6827 if name.endswith("68") else 0.95
            low, high = binom.interval(0.999, len(found), share)
            k = sum(found)
            # Wider than promised is no false promise: only the lower end is a fault, the upper one is said.
            word = "yes" if low <= k <= high else ("no: too narrow" if k < low else "wider than promised")
            print(f"| {name} % | {k} | {len(found)} | {k / len(found):.3f} | {low:.0f}–{high:.0f} | {word} |")
        print(f"\nno answer for {unanswered} of {asked}; {1000 * seconds:.0f} ms a fit on one core")
        print("| sessions | median 1σ of a current, % | median 1σ of a focus, % of the distance from crossover |")
        print("|---|---|---|")
        for low, high in ((1, 1), (2, 3), (4, 8)):
            mine = widths[(widths[:, 0] >= low) & (widths[:, 0] <= high)]
            print(f"| {low}–{high} | {np.median(mine[:, 1]):.1f} | {np.median(mine[:, 2]):.1f} |")


if __name__ == "__main__":
    main()
