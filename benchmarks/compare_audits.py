"""How honest the comparison of two audits is: made-up audits of the same instrument, and of a worse one.

Sessions differ from each other more than pictures within one, as in life. Prints how often any of the five questions finds a
difference where there is none (5 % is due), how often a t test over single pictures would, and how often a real one is found.

    python benchmarks/compare_audits.py [--pairs 400] [--quick]
"""

import argparse
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from scipy.stats import ttest_ind

from apertrue.audit import EXPORT_COLUMNS
from apertrue.audit.comparison import compare_audits
from apertrue.audit.pictures import Picture, pictures_of

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


def audit(rng: np.random.Generator, sessions: int, scale: float = 1.0) -> list[Picture]:
    """An audit of ``sessions`` sessions of six pictures; offsets and drift grow with ``scale``."""
    rows: list[dict[str, Any]] = []
    for s in range(sessions):
        start, speed = scale * rng.normal(0, 5.0, 2), scale * rng.normal(0, 1.5, 2)
        for k in range(6):
            x, y = start + speed * 0.5 * k + rng.normal(0, 0.3, 2)
            d = float(np.hypot(x, y))
            when = START + timedelta(days=s, minutes=30 * k)
            rows.append(
                dict.fromkeys(EXPORT_COLUMNS)
                | {
                    "file": f"{s}/{k}.tif",
                    "taken_at": when.isoformat(),
                    "session": f"session {s}",
                    "scene": "both-edges",
                    "verdict": "leave" if d <= 5 else "nudge",
                    "offset_percent": d,
                    "offset_x_percent": float(x),
                    "offset_y_percent": float(y),
                    "working_score": 100 - 0.4 * d,
                    "gun_shift_x": 1.0,
                    "gun_shift_y": 1.0,
                }
            )
    return pictures_of(rows)


def found(pairs: int, sessions: int, scale: float, rng: np.random.Generator) -> tuple[float, float]:
    """Share of pairs in which ours finds any difference, and a t test over pictures one in the offset."""
    ours = naive = 0
    for _ in range(pairs):
        a, b = audit(rng, sessions), audit(rng, sessions, scale)
        ours += any(r.finding in ("better", "worse") for r in compare_audits(a, b, rng).rows)
        naive += ttest_ind([p.offset for p in a], [p.offset for p in b]).pvalue < 0.05
    return ours / pairs, naive / pairs


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Honesty of the comparison of two audits.")
    parser.add_argument("--pairs", type=int, default=400)
    parser.add_argument("--quick", action="store_true", help="forty pairs")
    options = parser.parse_args()
    pairs = 40 if options.quick else options.pairs
    rng = np.random.default_rng(5)
    print(f"{'sessions each':>13} {'second audit':>22} {'ours, any':>10} {'t test, pictures':>17}   ({pairs} pairs)")
    for sessions in (6, 15):
        for scale, words in ((1.0, "the same"), (1.5, "half as far off again"), (2.5, "2.5 times as far off")):
            ours, naive = found(pairs, sessions, scale, rng)
            print(f"{sessions:>13} {words:>22} {100 * ours:>8.1f} % {100 * naive:>15.1f} %")


if __name__ == "__main__":
    main()
