"""Are the drift forecast's intervals true? One independent forecast a simulated day.

    python benchmarks/drift.py [--quick] [--days N]

Prints how often the 90 % intervals of the offset held at fixed horizons, whether crossing times fall where they should
(censored ones count by a random draw from what is left of their distribution), each against the two-sided 99.9 %
binomial band, and the same for two laws of drift that the model does not have (the virtual microscope's, and a room
whose temperature swings).
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).parent))

from apertrue.drift import Bank, offset_forecast, passage_times
from drift_days import Day, day

HORIZONS_H = (0.25, 0.5, 1.0, 2.0, 4.0)
LIMIT = 5.0
LOOK_AHEAD_H = 12.0


def band(n: int, p: float = 0.90) -> tuple[int, int]:
    """Two-sided 99.9 % acceptance of hit counts."""
    return int(binom.ppf(0.0005, n, p)), int(binom.ppf(0.9995, n, p))


def crossing_rank(truth: float, times: np.ndarray, rng: np.random.Generator) -> float:
    """Where the true crossing lies in its forecast distribution, 0–1; uniform when the forecast is true.

    Where truth and forecast share a lump (crossed already; not within the horizon), a random place within it.
    """
    if truth > LOOK_AHEAD_H:
        truth = np.inf
    below, upto = np.mean(times < truth), np.mean(times <= truth)
    return float(rng.uniform(below, upto))


def judge_day(one: Day, rng: np.random.Generator) -> dict[str, float]:
    bank = Bank.of(one.events)
    out: dict[str, float] = {"unexplained": len(bank.unexplained)}
    for h in HORIZONS_H:
        f = offset_forecast(bank, one.now_h + h, rng, n=2000)
        truth = one.at(h)
        out[f"x {h:g} h"] = f.x_interval[0] <= truth[0] <= f.x_interval[1]
        out[f"y {h:g} h"] = f.y_interval[0] <= truth[1] <= f.y_interval[1]
        out[f"length {h:g} h"] = f.length_interval[0] <= np.hypot(*truth) <= f.length_interval[1]
        out[f"beyond {h:g}"] = np.hypot(*truth) > f.length_interval[1]
        out[f"width {h:g}"] = f.x_interval[1] - f.x_interval[0]
    times = passage_times(bank, LIMIT, rng, horizon_h=LOOK_AHEAD_H)
    truth_h = one.crossing_h(LIMIT)
    rank = crossing_rank(truth_h, times, rng)
    out["crossing time"] = 0.05 <= rank <= 0.95
    out["crossing not early"] = rank >= 0.05
    out["censored"] = truth_h > LOOK_AHEAD_H
    mean, cov = bank.velocity().moments
    out["rate x"] = abs(one.rate[0] - mean[0]) <= 1.6448536 * np.sqrt(cov[0, 0])
    return out


def study(kind: str, days: int, seed: int) -> dict[str, np.ndarray]:
    """One forecast a day; each day has its own random numbers, so that days are independent and repeatable."""
    rows = []
    for child in np.random.SeedSequence(seed).spawn(days):
        rng = np.random.default_rng(child)
        rows.append(judge_day(day(rng, kind=kind), rng))
    return {k: np.array([r[k] for r in rows], dtype=float) for k in rows[0]}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="200 days")
    parser.add_argument("--days", type=int, default=1500)
    args = parser.parse_args()
    days = 200 if args.quick else args.days
    bad = 0
    for kind in ("assumed", "microscope", "thermal"):
        start = time.perf_counter()
        found = study(kind, days, 20)
        low, high = band(days)
        print(f"\n{kind}: {days} days, {time.perf_counter() - start:.0f} s; band of 90 %: {low}–{high}")
        print(f"{'quantity':22}  hits   share")
        names = [f"{q} {h:g} h" for h in HORIZONS_H for q in ("x", "y", "length")] + ["crossing time", "rate x"]
        for name in names:
            hits = int(found[name].sum())
            ok = low <= hits <= high
            bad += kind == "assumed" and not ok
            print(f"{name:22} {hits:5d}  {hits / days:6.3f}  {'' if ok else 'OUTSIDE'}")
        early = int(found["crossing not early"].sum())
        e_low, e_high = band(days, 0.95)
        bad += kind == "assumed" and not e_low <= early <= e_high
        print(f"{'not before «early»':22} {early:5d}  {early / days:6.3f}  (band {e_low}–{e_high})")
        print(
            f"censored crossings {found['censored'].mean():.2f}; days with an unexplained move "
            f"{np.mean(found['unexplained'] > 0):.3f}"
        )
        print(
            "farther off than the interval's upper end (5 % are due), %: "
            + ", ".join(f"{h:g} h {100 * found[f'beyond {h:g}'].mean():.1f}" for h in HORIZONS_H)
        )
        print(
            "median width of the 90 % interval, %: "
            + ", ".join(f"{h:g} h {np.median(found[f'width {h:g}']):.1f}" for h in HORIZONS_H)
        )
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
