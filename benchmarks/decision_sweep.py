"""A sweep of the decision over offsets, scenes, flags, states and costs: every verdict and rule must be reached."""

from collections import Counter
from dataclasses import replace
from itertools import product
from math import atan2, cos, degrees, radians, sin

import numpy as np

from apertrue.advice import Advice, Context, Nudge
from apertrue.advise import advise
from apertrue.advise.budget import disc_lost
from apertrue.assessment import Assessment
from apertrue.instrument import Costs, Instrument
from apertrue.registry import SceneKind, Verdict
from apertrue.scene import Edge, Scene

#: Rules of the ``never`` kind and limits, each of which must take its option away somewhere in the sweep.
NEVER_LEAVE = (
    "picture-stale",
    "picture-frozen",
    "aperture-unconfirmed",
    "no-reference",
    "straddles-limit",
    "state-changed",
    "crosses-within-work",
    "current-down",
    "afterglow-seen",
    "offset-over-leave",
    "score-under-leave",
    "gap-under-limit",
)
NEVER_NUDGE = ("offset-over-nudge", "score-under-nudge", "half-cut", "nudges-failed", "no-direction")
NEVER_AUTO = ("no-auto-in-the-way", "no-auto-hung-twice")
ALWAYS_RETAKE = ("one-edge-only", "spread-less", "no-beam", "not-this-view", "spread-more", "not-measured")

OFFSETS = (0.3, 1.5, 3.0, 4.6, 4.95, 7.0, 15.0, 24.0, 40.0, 110.0)
MOVE = Nudge(3.0, -1.0, 0.2, 0.2)
CONTEXTS = (
    Context(age_min=1.0),
    Context(age_min=1.0, nudge=MOVE),
    Context(age_min=60.0),
    Context(age_min=1.0, frozen=True),
    Context(age_min=1.0, aperture_confirmed=False),
    Context(age_min=1.0, state_changed=("kv",), nudge=MOVE),
    Context(age_min=1.0, minutes_to_limit=(10.0, 40.0, 90.0)),
    Context(age_min=1.0, current_expected_pa=(120.0, 4.0)),
    Context(age_min=1.0, nudges_failed=2, nudge=MOVE),
    Context(age_min=1.0, hangs_today=2),
    Context(age_min=1.0, drift_percent_per_h=(6.0, 2.0), nudge=MOVE),
)
FLAGS = ((), ("in-the-way",), ("afterglow",), ("nonlinear",))
COSTS = (
    Costs(),
    Costs(in_alignment_view=False),
    Costs(planned_min=10.0),
    Costs(planned_min=480.0, dose="current"),
    Costs(hang_probability=0.4),
)
KINDS = tuple(SceneKind)


def picture(
    offset: float,
    kind: SceneKind,
    flags: tuple[str, ...],
    sigma: float,
    direction_known: bool = True,
    ratio: float = 0.9,
) -> tuple[Assessment, Scene]:
    """Numbers of two even discs, in closed form."""
    d, toward = np.asarray(offset / 100.0), 40.0
    told = offset > 2 * sigma and direction_known
    linear = "nonlinear" not in flags
    score, working = (100 * (1 - float(disc_lost(d, r))) for r in (ratio, 1.0))
    assessment = Assessment(
        scene=str(kind),
        flags=flags,
        taken_at="2026-05-04T10:00:00+00:00",
        aperture_radius_px=180.0,
        beam_radius_px=180.0 * ratio,
        offset_percent=offset,
        offset_percent_sigma=sigma,
        offset_x_percent=offset * cos(radians(toward)),
        offset_y_percent=-offset * sin(radians(toward)),
        offset_direction_deg=toward if told else None,
        offset_direction_deg_sigma=degrees(atan2(sigma, offset)) if told else None,
        move_direction_deg=toward + 180 if told else None,
        gap_percent=100 * (1 - ratio) - offset,
        gap_percent_sigma=sigma,
        clipped_fraction=1 - score / 100 if linear else None,
        clipped_fraction_sigma=0.001 if linear else None,
        score=score if linear else None,
        working_score=working if linear else None,
        working_score_sigma=0.05 if linear else None,
        current_pa=100.0 * score / 100.0,
    )
    edge = Edge(256.0, 256.0, 180.0)
    return assessment, Scene(kind, 0.99, (512, 512), flags, aperture=edge, beam=Edge(256.0, 256.0, 180.0 * ratio))


def sweep(quick: bool = False) -> tuple[Counter[str], Counter[str], int]:
    """Counts of verdicts, of reasons that took an option away or asked for another picture, and of cases."""
    verdicts: Counter[str] = Counter()
    reached: Counter[str] = Counter()
    n = 0

    def count(made: Advice) -> None:
        nonlocal n
        n += 1
        verdicts[str(made.verdict)] += 1
        if made.verdict is Verdict.RETAKE:
            reached.update(made.reasons)
        for option in made.options:
            reached.update(option.barred_by)
            if not option.allowed and option.verdict is Verdict.LEAVE:
                assert made.verdict is not Verdict.LEAVE
            if not option.allowed and option.verdict is Verdict.AUTO:
                assert made.verdict is not Verdict.AUTO

    offsets = (*OFFSETS[::3], OFFSETS[-1]) if quick else OFFSETS
    for offset, kind, flags, context, costs in product(offsets, KINDS, FLAGS, CONTEXTS, COSTS):
        for sigma, direction in ((0.05, True), (0.4, True), (0.05, False)):
            a, scene = picture(offset, kind, flags, sigma, direction)
            count(advise(a, scene, replace(Instrument(), costs=costs), context))
    for kind in (SceneKind.BOTH_EDGES, SceneKind.CLIPPED):
        a, scene = picture(5.0, kind, (), 0.05)
        count(advise(replace(a, offset_percent=None), scene, Instrument(), Context()))
    return verdicts, reached, n


def report(quick: bool = False) -> bool:
    """Print the tables; whether all was reached."""
    verdicts, reached, n = sweep(quick)
    print(f"Sweep: {n} cases")
    print("  verdicts: " + ", ".join(f"{v} {verdicts[str(v)]}" for v in Verdict))
    complete = all(verdicts[str(v)] for v in Verdict)
    for title, rules in (
        ("takes leave away", NEVER_LEAVE),
        ("takes the nudge away", NEVER_NUDGE),
        ("takes auto away", NEVER_AUTO),
        ("asks for another picture", ALWAYS_RETAKE),
    ):
        print(f"  {title}: " + ", ".join(f"{r} {reached[r]}" for r in rules))
        complete = complete and all(reached[r] for r in rules)
    print(f"  every verdict and rule reached: {'yes' if complete else 'NO'}")
    return complete
