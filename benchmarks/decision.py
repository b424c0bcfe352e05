"""Is the decision worth its name? The sweep over all rules, and the regret against knowing the truth.

    python benchmarks/decision.py [--quick] [--episodes N] [--microscopes N] [--pictures N] [--first SEED]

Regret: expected minutes of a policy − expected minutes of the cheapest way, had one known offset, drift, light and
calibration exactly; mean over episodes, in % of the mean cost of that way. It is given twice: against the cheapest of
all ways, and against the cheapest of those that the limits of the instrument file leave (what a decision that keeps the
limits can be held to; the difference of both is the price of the limits). The policies see the same picture.
"""

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from apertrue.advise import advise
from decision_sweep import report
from decision_truth import Episode, episode


def limits_alone(e: Episode) -> str:
    """The table of limits without minutes."""
    offset, score = e.assessment.offset_percent or 0.0, e.assessment.working_score or 0.0
    limits = e.instrument.limits
    if offset > limits.offset_nudge or score < limits.score_nudge:
        return "auto"
    return "leave" if offset <= limits.offset_leave and score >= limits.score_leave else "nudge"


def never_auto(e: Episode) -> str:
    """By the limits, but always by hand."""
    wish = limits_alone(e)
    return "nudge" if wish == "auto" else wish


def decided(e: Episode) -> str:
    """What apertrue advises."""
    return str(advise(e.assessment, e.scene, e.instrument, e.context).verdict)


def truth_within_limits(e: Episode) -> str:
    """The cheapest way that the limits leave, had one known the truth."""
    limits = e.instrument.limits
    allowed = {"auto"}
    if e.offset <= limits.offset_nudge and e.working_score >= limits.score_nudge:
        allowed.add("nudge")
    if e.offset <= limits.offset_leave and e.working_score >= limits.score_leave:
        allowed.add("leave")
    return min(allowed, key=lambda k: e.costs[k])


#: The policy that keeps the limits and knows the truth: the reference of the second regret.
WITHIN = "(truth known, within the limits)"
POLICIES = {
    "apertrue": decided,
    "limits alone": limits_alone,
    "always the routine": lambda _: "auto",
    "never the routine": never_auto,
    "always by hand": lambda _: "nudge",
    "always leave": lambda _: "leave",
    WITHIN: truth_within_limits,
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a policy did: mean cost and both regrets (min), those in % of their reference's cost with 1σ over the draw."""

    cost: float
    regret: float
    percent: float
    sigma: float
    within: float
    within_percent: float
    within_sigma: float
    shares: str


def regret(episodes: list[Episode]) -> dict[str, Outcome]:
    """Policy → how it did."""
    best = np.array([min(e.costs.values()) for e in episodes])
    within = np.array([e.costs[truth_within_limits(e)] for e in episodes])
    rng = np.random.default_rng(0)
    out = {}
    for name, policy in POLICIES.items():
        chosen = [policy(e) for e in episodes]
        cost = np.array([e.costs[c] for e, c in zip(episodes, chosen, strict=True)])
        draws = rng.integers(0, len(episodes), (300, len(episodes)))
        figures: list[float] = []
        for reference in (best, within):
            extra = cost - reference
            ratio = extra[draws].mean(axis=1) / reference[draws].mean(axis=1)
            figures += [extra.mean(), 100 * extra.mean() / reference.mean(), 100 * ratio.std()]
        shares = ", ".join(f"{v} {100 * chosen.count(v) / len(chosen):.0f} %" for v in ("leave", "nudge", "auto"))
        out[name] = Outcome(float(cost.mean()), *map(float, figures), shares)
    return out


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a tenth of the work")
    parser.add_argument("--episodes", type=int, default=6000)
    parser.add_argument(
        "--microscopes", type=int, default=1000, help="virtual microscopes, measured by truth plus noise"
    )
    parser.add_argument("--pictures", type=int, default=100, help="virtual microscopes, measured by pictures")
    parser.add_argument("--first", type=int, default=1000, help="seed of the first virtual microscope")
    args = parser.parse_args()
    good = report(args.quick)
    n = args.episodes // 10 if args.quick else args.episodes
    seeds = np.random.SeedSequence(2026).spawn(n)
    episodes = [episode(np.random.default_rng(s)) for s in seeds]
    best = float(np.mean([min(e.costs.values()) for e in episodes]))
    print(f"\nRegret over {n} episodes; the cheapest way, truth known, costs {best:.2f} min on average")
    print(f"  {'policy':34s} {'cost, min':>9s} {'regret, min':>11s} {'%':>13s}  within limits, min and %  verdicts")
    table = regret(episodes)
    for name, o in table.items():
        print(
            f"  {name:34s} {o.cost:9.2f} {o.regret:11.2f} {o.percent:6.1f} ± {o.sigma:3.1f} % "
            f"{o.within:8.2f} {o.within_percent:6.1f} ± {o.within_sigma:3.1f} %  {o.shares}"
        )
    ours = table["apertrue"].percent
    rivals = [table[p].percent for p in POLICIES if p not in ("apertrue", WITHIN)]
    good = good and ours <= 10.0 and ours < min(rivals)
    print(f"  at most 10 % and below all others: {'yes' if ours <= 10.0 and ours < min(rivals) else 'NO'}")
    shown = ("apertrue", "limits alone", "never the routine", WITHIN)
    print(f"\nWork of other lengths, a quarter of the episodes each; regret in min (and %): {', '.join(shown)}")
    for minutes in (20.0, 40.0, 60.0, 480.0):
        table = regret([episode(np.random.default_rng(s), minutes) for s in seeds[: n // 4]])
        figures = ", ".join(f"{table[p].regret:.2f} ({table[p].percent:.1f})" for p in shown)
        print(f"  {minutes:3.0f} min, against all ways: {figures}")
        figures = ", ".join(
            f"{table[p].within:.2f} ({table[p].within_percent:.1f} ± {table[p].within_sigma:.1f})" for p in shown[:3]
        )
        print(f"           within the limits: {figures}")
    from decision_microscope import report as on_microscopes

    for count, pictures in ((args.microscopes, False), (args.pictures, True)):
        some = max(count // 10, 3) if args.quick else count
        if count:
            good = on_microscopes(some, pictures, args.first) and good
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
