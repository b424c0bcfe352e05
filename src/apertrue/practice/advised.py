"""The closed loop: a virtual microscope centered by nothing but pictures, readings and the advice.

The benchmark measures it, practice compares the operator with it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..assessment import Assessment
from ..calibration import (
    Calibration,
    Guide,
    Learner,
    StateKey,
    from_estimate,
    learner,
    next_move,
    plan_nudge,
    point_from,
)
from ..errors import CalibrationError
from ..microscope import VirtualMicroscope

#: Takes a picture of the microscope and measures it.
Measure = Callable[[VirtualMicroscope], Assessment]

#: A move contradicts the calibration when its p-value falls below this.
CONTRADICTS = 1e-6
#: Scenes whose remedy is another spread of the beam, and the share of the focus that it is set to.
SPREAD_REMEDY, SPREAD_LESS = ("one-edge", "overfilled"), 0.96


@dataclass(frozen=True, slots=True)
class Step:
    """One picture and what was done after it.

    Attributes:
        kind: ``nudge``, ``trial``, ``spread`` (a picture with one edge: the beam spread a little less, and looked
            again), ``back`` (after another picture that could not tell), ``centered`` or ``stopped``.
        shift: readings at the picture; ``to``: readings set after it.
        offset_percent, sigma_percent: as measured; ``None`` when the picture could not tell.
        sentences: the advice in words.
    """

    kind: str
    shift: tuple[float, float]
    to: tuple[float, float]
    offset_percent: float | None
    sigma_percent: float | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AdvisedRun:
    """What came of it.

    Attributes:
        steps: in order.
        snapshots, moves: pictures taken and moves made.
        minutes: virtual time.
        offset_percent: the true offset at the end, % of the aperture radius.
        sigma_percent: 1σ of the last measured offset, %; ``None`` when it could not be measured.
        known: what was learned.
        centered: whether the last picture said so.
    """

    steps: tuple[Step, ...]
    snapshots: int
    moves: int
    minutes: float
    offset_percent: float
    sigma_percent: float | None
    known: Learner
    centered: bool


def judge_snapshot(scope: VirtualMicroscope) -> Assessment:
    """Take a picture and measure it with the engine: the figure that counts."""
    from ..pipeline import judge

    return judge(scope.snapshot()).assessment


def center(
    scope: VirtualMicroscope,
    measure: Measure = judge_snapshot,
    *,
    calibration: Calibration | None = None,
    most_moves: int = 4,
    most_snapshots: int = 5,
) -> AdvisedRun:
    """Center the beam by advice.

    Args:
        scope: where its knobs are turned.
        measure: takes a picture and measures it.
        calibration: valid for the present state; ``None`` = learn by trial.
        most_moves: moves (nudges and trials together) after which to stop.
        most_snapshots: pictures after which to stop.
    """
    known = learner(calibration, step=scope.console.shift_step)
    steps: list[Step] = []
    began, trusted = scope.minutes, calibration
    snapshots = moves = 0
    sigma: float | None = None
    centered = spread = False
    while True:
        here = scope.shift
        assessment = measure(scope)
        snapshots += 1
        may_move = moves < most_moves and snapshots < most_snapshots
        try:
            point = point_from(assessment, shift_x=here[0], shift_y=here[1])
        except CalibrationError as error:
            sigma = None
            if not spread and assessment.scene in SPREAD_REMEDY and snapshots < most_snapshots:
                spread = True
                scope.set_focus(SPREAD_LESS * scope.focus)
                steps.append(Step("spread", here, here, None, None, (str(error),)))
                continue
            if not known.points or not may_move:
                steps.append(Step("stopped", here, here, None, None, (str(error),)))
                break
            last = known.points[-1]
            to = ((last.shift_x + here[0]) / 2.0, (last.shift_y + here[1]) / 2.0)
            scope.set_shift(*to)
            moves += 1
            steps.append(Step("back", here, scope.shift, None, None, (str(error),)))
            continue
        known = known.observe(point)
        if known.surprise is not None and known.surprise < CONTRADICTS and trusted is not None:
            # The calibration does not hold: learn from the pictures of this centering alone.
            trusted = None
            known = learner(None, step=scope.console.shift_step, points=known.points)
        sigma = assessment.offset_percent_sigma
        offset = assessment.offset_percent
        if trusted is not None and len(known.points) == 1:
            move = plan_nudge(known.points[-1], trusted, scope.console)
        else:
            move = next_move(known, scope.console)
        if move.kind == "centered" or not may_move:
            centered = move.kind == "centered"
            kind = "centered" if centered else "stopped"
            steps.append(Step(kind, here, here, offset, sigma, move.sentences if centered else ()))
            break
        scope.set_shift(move.shift_x, move.shift_y)
        moves += 1
        steps.append(Step(move.kind, here, scope.shift, offset, sigma, move.sentences))
    return AdvisedRun(
        tuple(steps),
        snapshots,
        moves,
        scope.minutes - began,
        scope.truth().offset_percent,
        sigma,
        known,
        centered,
    )


def calibrate(scope: VirtualMicroscope, measure: Measure = judge_snapshot) -> Calibration:
    """Calibrate a microscope as the guided steps say.

    A picture with one edge asks for another spread; as a calibration holds for one focus, it then begins anew, once.

    Raises:
        CalibrationError: the beam could not be measured, or the points do not suffice.
    """
    guide, spread = Guide(scope.console), False
    while True:
        seen = measure(scope)
        if seen.offset_percent is None and seen.scene in SPREAD_REMEDY and not spread:
            spread, guide = True, Guide(scope.console)
            scope.set_focus(SPREAD_LESS * scope.focus)
            continue
        guide = guide.add(point_from(seen, shift_x=scope.shift[0], shift_y=scope.shift[1]))
        following = guide.suggestion()
        if following.shift_x is None or following.shift_y is None:
            break
        scope.set_shift(following.shift_x, following.shift_y)
    return from_estimate(guide.estimate(), StateKey.of(scope.state()), scope.now)


def truth_and_noise(sigma_percent: float, rng: np.random.Generator) -> Measure:
    """A stand-in for the engine: the truth plus normal noise of 1σ ``sigma_percent`` in x and y."""

    def measure(scope: VirtualMicroscope) -> Assessment:
        frame_time, state = scope.now, scope.state()
        scope.wait(0.3)
        scope.snapshots += 1
        true = scope.truth()
        x = true.offset_x_percent + float(rng.normal(0.0, sigma_percent))
        y = true.offset_y_percent + float(rng.normal(0.0, sigma_percent))
        return replace(
            Assessment(),
            scene="both-edges",
            taken_at=frame_time.isoformat(),
            offset_x_percent=x,
            offset_x_percent_sigma=sigma_percent,
            offset_y_percent=y,
            offset_y_percent_sigma=sigma_percent,
            offset_xy_correlation=0.0,
            offset_percent=float(np.hypot(x, y)),
            offset_percent_sigma=sigma_percent,
            gun_shift_x=state.gun_shift_x,
            gun_shift_y=state.gun_shift_y,
        )

    return measure
