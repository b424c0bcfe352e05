"""The regret on virtual microscopes: the same hidden truth, each way tried, against what apertrue advised.

Each virtual microscope is set up anew for each way (everything follows from its seed), so that all ways start from the
same misalignment. What each really costs comes from its clock and its hidden truth, the drift to come included; a hang,
which is luck, counts with its probability. Measured either by pictures through the engine, or, for many microscopes, by
the truth plus noise.
"""

from dataclasses import dataclass, replace
from math import atan2, degrees, hypot

import numpy as np

from apertrue.advice import Advice, Context
from apertrue.advise import advise
from apertrue.assessment import Assessment
from apertrue.calibration.learn import Learner, learner
from apertrue.calibration.model import Calibration
from apertrue.calibration.nudge import next_move, nudge_for
from apertrue.calibration.points import point_from
from apertrue.errors import CalibrationError
from apertrue.instrument import Costs, Instrument, Limits
from apertrue.microscope import VirtualMicroscope
from apertrue.pipeline import judge
from apertrue.registry import SceneKind
from apertrue.scene import BeamProfile, Edge, Scene

#: What the virtual microscope's clock takes: a move with its picture; the routine.
COSTS = Costs(nudge_min=0.7, auto_min=1.7, hang_probability=0.05, hang_min=15.0, planned_min=120.0)
MOST_MOVES = 8
#: 1σ of the stand-in for the engine, % of the aperture radius.
NOISE = 0.05


@dataclass(frozen=True, slots=True)
class Row:
    """One microscope.

    Attributes:
        seed, offset, calibrated: what it was.
        costs: true minutes of each way.
        expected: the budget's minutes of each way.
        chosen: apertrue's way; ``table``: that of the limits alone; ``never``: the same without the routine.
        within: the cheapest way that the limits leave, truth known.
        moves, moves_expected: by hand.
        routine_left: offset that the routine left, %.
    """

    seed: int
    offset: float
    calibrated: bool
    costs: dict[str, float]
    expected: dict[str, float]
    chosen: str
    table: str
    never: str
    within: str
    moves: int
    moves_expected: float
    routine_left: float

    def regret(self, policy: str) -> float:
        """Minutes beyond the cheapest way."""
        way = getattr(self, policy) if policy in ("chosen", "table", "never", "within") else policy
        return self.costs[way] - min(self.costs.values())

    def regret_within(self, policy: str) -> float:
        """Minutes beyond the cheapest way that the limits leave, truth known; may be negative."""
        return self.regret(policy) - self.regret("within")


class Looking:
    """How a microscope is measured: by pictures through the engine, or by its truth plus noise."""

    def __init__(self, pictures: bool, rng: np.random.Generator) -> None:
        self.pictures, self.rng = pictures, rng

    def look(self, scope: VirtualMicroscope) -> tuple[Assessment, Scene]:
        """What is measured now; takes no time."""
        if self.pictures:
            result = judge(scope.frame())
            return result.assessment, result.scene
        true = scope.truth()
        x, y = (v + float(self.rng.normal(0.0, NOISE)) for v in (true.offset_x_percent, true.offset_y_percent))
        offset = hypot(x, y)
        direction = degrees(atan2(-y, x)) % 360.0 if offset > 2.0 * NOISE else None
        ratio = true.beam_ratio
        assessment = Assessment(
            scene="both-edges",
            flags=(),
            taken_at=scope.now.isoformat(),
            aperture_radius_px=150.0,
            beam_radius_px=150.0 * ratio,
            offset_percent=offset,
            offset_percent_sigma=NOISE,
            offset_x_percent=x,
            offset_x_percent_sigma=NOISE,
            offset_y_percent=y,
            offset_y_percent_sigma=NOISE,
            offset_xy_correlation=0.0,
            offset_direction_deg=direction,
            offset_direction_deg_sigma=None if direction is None else degrees(NOISE / offset),
            move_direction_deg=None if direction is None else (direction + 180.0) % 360.0,
            gap_percent=100.0 * (1.0 - ratio) - offset,
            gap_percent_sigma=NOISE,
            clipped_fraction=true.clipped_fraction,
            clipped_fraction_sigma=0.001,
            score=true.score,
            score_sigma=0.1,
            working_score=true.working_score,
            working_score_sigma=0.3 if offset > 1.0 else 0.1,
            gun_shift_x=scope.shift[0],
            gun_shift_y=scope.shift[1],
        )
        side = scope.hidden.side("positive" if scope.focus >= 0 else "negative")
        scene = Scene(
            SceneKind.BOTH_EDGES,
            0.99,
            (512, 512),
            aperture=Edge(256.0, 256.0, 150.0, width=1.2),
            beam=Edge(256.0, 256.0, 150.0 * ratio, width=2.0),
            profile=BeamProfile(1000.0, (side.rim,)),
        )
        return assessment, scene


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


def by_hand(scope: VirtualMicroscope, calibration: Calibration | None, looking: Looking) -> tuple[float, int]:
    """Center by hand with advice; minutes and moves."""
    began = scope.minutes
    known: Learner = learner(calibration, step=scope.console.shift_step)
    moves = 0
    while True:
        if moves:
            scope.wait(0.3)  # the picture after a move
        try:
            known = known.observe(point_from(looking.look(scope)[0], minutes=scope.minutes))
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


def one(seed: int, pictures: bool) -> Row | None:
    """Costs of the three ways and the advice on one microscope; ``None`` when its picture can't tell."""
    rng = np.random.default_rng([7, seed])
    spread = float(rng.choice([1.5, 4.0, 12.0, 30.0], p=[0.3, 0.3, 0.25, 0.15]))
    offset, direction = spread * float(np.hypot(*rng.normal(0, 0.7071, 2))), float(rng.uniform(0, 360))
    scope = microscope(seed, offset, direction)
    calibrated = bool(rng.random() < {1.5: 0.7, 4.0: 0.7, 12.0: 0.5, 30.0: 0.2}[spread])
    doubt = float(rng.uniform(0.03, 0.15))
    calibration = calibration_of(scope, doubt, rng) if calibrated else None
    looking = Looking(pictures, rng)
    instrument = replace(Instrument(), costs=COSTS)
    a, scene = looking.look(scope)
    if a.offset_percent is None:
        return None
    context = Context(age_min=0.5)
    if calibration is not None:
        point = point_from(a, minutes=scope.minutes)
        context = replace(context, nudge=nudge_for(point, calibration, scope.console))
    advice: Advice = advise(a, scene, instrument, context)
    costs = {"leave": work(microscope(seed, offset, direction), COSTS.planned_min)}
    hand = microscope(seed, offset, direction)
    minutes, moves = by_hand(hand, calibration, looking)
    costs["nudge"] = minutes + work(hand, COSTS.planned_min)
    auto = microscope(seed, offset, direction)
    minutes = auto.run_automatic(can_hang=False).minutes
    left = auto.truth()
    costs["auto"] = minutes + COSTS.hang_probability * COSTS.hang_min + work(auto, COSTS.planned_min)
    score = a.working_score if a.working_score is not None else 100.0
    true = microscope(seed, offset, direction).truth()
    table = left_by_limits(a.offset_percent, score, instrument.limits)[-1]
    allowed = left_by_limits(true.offset_percent, true.working_score, instrument.limits)
    return Row(
        seed,
        offset,
        calibrated,
        costs,
        {str(o.verdict): o.minutes for o in advice.options},
        str(advice.verdict),
        table,
        "nudge" if table == "auto" else table,
        min(allowed, key=lambda way: costs[way]),
        moves,
        advice.options[1].terms["moves"] / COSTS.nudge_min,
        hypot(left.offset_x_percent, left.offset_y_percent),
    )


def left_by_limits(offset: float, score: float, limits: Limits) -> tuple[str, ...]:
    """The ways that the table of limits leaves, the mildest last."""
    if offset > limits.offset_nudge or score < limits.score_nudge:
        return ("auto",)
    if offset > limits.offset_leave or score < limits.score_leave:
        return "auto", "nudge"
    return "auto", "nudge", "leave"


POLICIES = (
    ("apertrue", "chosen"),
    ("limits alone", "table"),
    ("always the routine", "auto"),
    ("never the routine", "never"),
    ("always by hand", "nudge"),
    ("always leave", "leave"),
    ("(truth known, within the limits)", "within"),
)


def report(count: int, pictures: bool, first: int = 1000) -> bool:
    """Print the table; whether the regret is at most 10 % and below all other policies."""
    rows = [r for seed in range(first, first + count) if (r := one(seed, pictures)) is not None]
    how = "with pictures" if pictures else f"truth plus noise of {NOISE:g} % in place of pictures"
    best = np.array([min(r.costs.values()) for r in rows])
    draws = np.random.default_rng(0).integers(0, len(rows), (500, len(rows)))

    within = np.array([r.costs[r.within] for r in rows])

    def ratio(extra: np.ndarray, reference: np.ndarray = best) -> tuple[float, float]:
        """Mean, in % of a reference's cost (the cheapest way's), and its 1σ over the draw of microscopes."""
        value = 100 * float(extra.mean() / reference.mean())
        return value, 100 * float((extra[draws].mean(axis=1) / reference[draws].mean(axis=1)).std())

    print(f"\nVirtual microscopes, {how}: {len(rows)} of {count} could be judged; cheapest way {best.mean():.2f} min")
    extra = {name: np.array([r.regret(key) for r in rows]) for name, key in POLICIES}
    for name, key in POLICIES:
        percent, sigma = ratio(extra[name])
        more, more_sigma = ratio(extra[name] - extra["apertrue"])
        kept, kept_sigma = ratio(np.array([r.regret_within(key) for r in rows]), within)
        ways = [getattr(r, key) if key in Row.__dataclass_fields__ else key for r in rows]
        shares = ", ".join(f"{w} {100 * ways.count(w) / len(ways):.0f} %" for w in ("leave", "nudge", "auto"))
        print(
            f"  {name:34s} regret {extra[name].mean():5.2f} min, {percent:6.1f} ± {sigma:4.1f} %; "
            f"within the limits {kept:6.1f} ± {kept_sigma:4.1f} %; "
            f"more than apertrue {more:+6.1f} ± {more_sigma:4.1f} %  {shares}"
        )
    for state, flag in (("with a calibration", True), ("without", False)):
        some = [r for r in rows if r.calibrated == flag and r.moves > 0]
        if some:
            taken, expected = np.mean([r.moves for r in some]), np.mean([r.moves_expected for r in some])
            print(f"  moves by hand {state}: {taken:.2f}, expected {expected:.2f}")
    rms = float(np.sqrt(np.mean([r.routine_left**2 for r in rows])))
    print(f"  the routine leaves {rms:.1f} % (root mean square)")
    for way in ("leave", "nudge", "auto"):
        off = np.array([r.expected[way] - r.costs[way] for r in rows])
        print(f"  budget − truth, {way:5s}: {off.mean():+5.2f} ± {off.std():.2f} min")
    rivals = [n for n, _ in POLICIES[1:-1]]
    good = ratio(extra["apertrue"])[0] <= 10.0 and all(extra["apertrue"].mean() < extra[n].mean() for n in rivals)
    print(f"  at most 10 % and below all others: {'yes' if good else 'NO'}")
    return good
