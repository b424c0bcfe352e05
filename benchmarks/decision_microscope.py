"""The regret with pictures: the same microscope, the same hidden truth, each way tried, against what apertrue advised.

Each virtual microscope is set up anew for each way (everything follows from its seed), so that all ways start from the
same misalignment. What each really costs comes from its clock and its hidden truth; a hang, which is luck, counts with
its probability.
"""

from dataclasses import replace
from math import hypot

import numpy as np

from apertrue.advice import Context
from apertrue.calibration.learn import Learner, learner
from apertrue.calibration.model import Calibration
from apertrue.calibration.nudge import next_move, nudge_for
from apertrue.calibration.points import point_from
from apertrue.errors import CalibrationError
from apertrue.instrument import Costs, Instrument
from apertrue.microscope import VirtualMicroscope
from apertrue.pipeline import judge

#: What the virtual microscope's clock takes: a move with its picture; the routine.
COSTS = Costs(nudge_min=0.7, auto_min=1.7, hang_probability=0.05, hang_min=15.0, planned_min=120.0)
MOST_MOVES = 8


def microscope(seed: int, offset: float, direction: float) -> VirtualMicroscope:
    scope = VirtualMicroscope(seed)
    scope.misalign(offset, direction)
    return scope


def calibration_of(scope: VirtualMicroscope, doubt: float, rng: np.random.Generator) -> Calibration:
    """The true matrix with an error of the stated relative doubt."""
    a = scope.true_matrix()
    sigma = doubt * float(np.hypot(*a[:, 0])) / np.sqrt(2)
    wrong = a + rng.normal(0.0, sigma, (2, 2))
    matrix = ((float(wrong[0, 0]), float(wrong[0, 1])), (float(wrong[1, 0]), float(wrong[1, 1])))
    return Calibration(matrix, tuple(tuple(row) for row in np.eye(4) * sigma**2), step=scope.console.shift_step)


def work(scope: VirtualMicroscope, planned: float) -> float:
    """Minutes lost over the planned work at the present readings, by the hidden truth."""
    lost = []
    start = scope.minutes
    for minutes in np.linspace(0.0, planned, 13):
        scope.wait(max(start + float(minutes) - scope.minutes, 0.0))
        lost.append(1.0 - scope.truth().working_score / 100.0)
    f = min(float(np.mean(lost)), 0.99)
    return planned * f / (1.0 - f)


def by_hand(scope: VirtualMicroscope, calibration: Calibration | None) -> tuple[float, int]:
    """Center by hand with advice; minutes and moves."""
    began = scope.minutes
    known: Learner = learner(calibration, step=scope.console.shift_step)
    moves = 0
    first = True
    while True:
        frame = scope.frame() if first else scope.snapshot()
        first = False
        try:
            known = known.observe(point_from(judge(frame).assessment, minutes=scope.minutes))
            move = next_move(known, scope.console)
        except CalibrationError:
            break
        if move.kind == "centered" or moves >= MOST_MOVES or move.nudge.centered:
            break
        scope.set_shift(move.shift_x, move.shift_y)
        moves += 1
        if move.kind == "nudge" and (move.nudge.offset_after_percent or 0.0) <= 2.0:
            scope.wait(0.3)  # the picture that confirms it
            break
    return scope.minutes - began, moves


def one(seed: int) -> dict[str, float] | None:
    """Costs of the three ways and the advice on one microscope; ``None`` when its picture can't tell."""
    rng = np.random.default_rng([7, seed])
    spread = float(rng.choice([1.5, 4.0, 12.0, 30.0], p=[0.3, 0.3, 0.25, 0.15]))
    offset, direction = spread * float(np.hypot(*rng.normal(0, 0.7071, 2))), float(rng.uniform(0, 360))
    scope = microscope(seed, offset, direction)
    calibrated = bool(rng.random() < {1.5: 0.7, 4.0: 0.7, 12.0: 0.5, 30.0: 0.2}[spread])
    doubt = float(rng.uniform(0.03, 0.15))
    calibration = calibration_of(scope, doubt, rng) if calibrated else None
    instrument = replace(Instrument(), costs=COSTS)
    result = judge(scope.frame(), instrument=instrument)
    if result.assessment.offset_percent is None:
        return None
    context = Context(age_min=0.5)
    if calibration is not None:
        point = point_from(result.assessment, minutes=scope.minutes)
        context = replace(context, nudge=nudge_for(point, calibration, scope.console))
    advice = judge(scope.frame(), instrument=instrument, context=context).advice
    costs = {"leave": work(microscope(seed, offset, direction), COSTS.planned_min)}
    hand = microscope(seed, offset, direction)
    minutes, moves = by_hand(hand, calibration)
    costs["nudge"] = minutes + work(hand, COSTS.planned_min)
    auto = microscope(seed, offset, direction)
    minutes = auto.run_automatic(can_hang=False).minutes
    left = auto.truth()
    costs["auto"] = minutes + COSTS.hang_probability * COSTS.hang_min + work(auto, COSTS.planned_min)
    expected = {str(o.verdict): o.minutes for o in advice.options}
    a = result.assessment
    score = a.working_score if a.working_score is not None else 100.0
    limits = instrument.limits
    true = microscope(seed, offset, direction).truth()
    allowed = ["auto"]
    if true.offset_percent <= limits.offset_nudge and true.working_score >= limits.score_nudge:
        allowed.append("nudge")
    if true.offset_percent <= limits.offset_leave and true.working_score >= limits.score_leave:
        allowed.append("leave")
    if (a.offset_percent or 0) > limits.offset_nudge or score < limits.score_nudge:
        table = "auto"
    else:
        table = "leave" if (a.offset_percent or 0) <= limits.offset_leave and score >= limits.score_leave else "nudge"
    return {
        **costs,
        "chosen": costs[str(advice.verdict)],
        "table": costs[table],
        "never": costs["nudge" if table == "auto" else table],
        "best": min(costs.values()),
        "within": min(costs[k] for k in allowed),
        "moves": float(moves),
        "moves expected": advice.options[1].terms["moves"] / COSTS.nudge_min,
        "calibrated": float(calibrated),
        "routine left": hypot(left.offset_x_percent, left.offset_y_percent),
        **{f"expected {k}": v for k, v in expected.items()},
    }


def report(count: int) -> bool:
    """Print the table; whether the regret is at most 10 %."""
    rows = [r for seed in range(count) if (r := one(1000 + seed)) is not None]

    def mean(key: str) -> float:
        return float(np.mean([r[key] for r in rows]))

    best = mean("best")
    print(f"\nWith pictures: {len(rows)} of {count} virtual microscopes could be judged; cheapest way {best:.2f} min")
    for name, key in (
        ("apertrue", "chosen"),
        ("limits alone", "table"),
        ("always the routine", "auto"),
        ("never the routine", "never"),
        ("always by hand", "nudge"),
        ("always leave", "leave"),
        ("(truth, within limits)", "within"),
    ):
        extra = np.array([r[key] - r["best"] for r in rows])
        print(f"  {name:22s} regret {extra.mean():5.2f} min, {100 * extra.mean() / best:6.1f} %")
    for state, flag in (("with a calibration", 1.0), ("without", 0.0)):
        some = [r for r in rows if r["calibrated"] == flag and r["moves"] > 0]
        if some:
            taken, expected = (float(np.mean([r[k] for r in some])) for k in ("moves", "moves expected"))
            print(f"  moves by hand {state}: {taken:.2f}, expected {expected:.2f}")
    rms = float(np.sqrt(np.mean([r["routine left"] ** 2 for r in rows])))
    print(f"  the routine leaves {rms:.1f} % (root mean square)")
    for way in ("leave", "nudge", "auto"):
        off = np.array([r[f"expected {way}"] - r[way] for r in rows])
        print(f"  budget − truth, {way:5s}: {off.mean():+5.2f} ± {off.std():.2f} min")
    return 100 * float(np.mean([r["chosen"] - r["best"] for r in rows])) / best <= 10.0
