"""Episodes of known truth for the regret study: what each way to go on really costs, and what the operator sees.

An episode is a gun (speed of its drift, hangs of its routine), a beam's light, an offset, a calibration or none, and
planned work. The true cost of each way is its mean over the luck that no one can know (where the drift turns,
how each move errs, whether the routine hangs and where it stops).
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from math import atan2, degrees, hypot

import numpy as np

from apertrue.advice import Context, Nudge
from apertrue.assessment import Assessment
from apertrue.instrument import Costs, Instrument
from apertrue.model.transmission import PlaneBeam, passed_fraction
from apertrue.registry import SceneKind
from apertrue.scene import BeamProfile, Edge, Scene

GRID = np.concatenate([np.linspace(0, 0.3, 16), np.linspace(0.35, 2.2, 24)])
#: (dome, softness) of the beams that occur.
BEAMS = ((0.0, 0.01), (-0.3, 0.015), (-0.6, 0.02), (0.25, 0.01), (-0.15, 0.04))
REPLICAS = 48


@lru_cache(maxsize=64)
def lost_table(dome: float, softness: float, ratio: float) -> np.ndarray:
    """True share of the best current lost on :data:`GRID` (aperture radii), by integration."""
    passed = [passed_fraction(PlaneBeam.round(float(d), 0.0, ratio, (dome,), softness=softness)) for d in GRID]
    return np.clip(1.0 - np.array(passed) / passed[0], 0.0, 1.0)


@dataclass(frozen=True)
class Episode:
    """What is, and what the operator sees of it."""

    costs: dict[str, float]
    assessment: Assessment
    scene: Scene
    instrument: Instrument
    context: Context
    offset: float
    working_score: float


def episode(rng: np.random.Generator, work_min: float | None = None) -> Episode:
    """Draw one; with planned work of ``work_min`` where given."""
    dome, softness = BEAMS[rng.integers(len(BEAMS))]
    work = float(rng.choice([0.95, 1.0, 1.0, 1.05]))
    ratio = float(rng.uniform(0.6, 1.05))
    table = lost_table(dome, softness, work)

    def lost(d: np.ndarray) -> np.ndarray:
        return np.interp(np.abs(d) / 100.0, GRID, table)

    spread = float(rng.choice([1.5, 4.0, 12.0, 30.0], p=[0.3, 0.3, 0.25, 0.15]))
    o = rng.normal(0.0, spread / np.sqrt(2), 2)
    speed = float(np.hypot(*rng.normal(0.0, float(rng.choice([0.8, 1.6, 3.5])), 2)))
    planned = float(rng.choice([60.0, 120.0, 180.0, 240.0]))
    planned = planned if work_min is None else work_min
    dose = "counts" if rng.random() < 0.7 else "current"
    # A picture of the aperture is taken in the alignment view; now and then the operator has gone back to work since.
    in_view = bool(rng.random() < 0.95)
    hang = float(rng.beta(1.0, 19.0))
    costs = Costs(
        nudge_min=1.0,
        auto_min=float(rng.lognormal(np.log(1.5), 0.2)),
        hang_probability=0.05,
        planned_min=planned,
        dose=dose,
        in_alignment_view=in_view,
    )
    t = np.linspace(0.0, planned / 60.0, 25)

    def work_cost(start: np.ndarray) -> float:
        """Mean over replicas (rows of ``start``) and directions of the drift of T·loss along the way."""
        turn = rng.uniform(0, 2 * np.pi) + np.arange(REPLICAS) * (2 * np.pi / REPLICAS)
        drift = speed * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        path = start[:, None, :] + t[None, :, None] * drift[:, None, :]
        f = np.minimum(lost(np.hypot(path[..., 0], path[..., 1])).mean(axis=1), 0.99)
        per = f / (1 - f) if dose == "counts" else f
        return float(planned * per.mean())

    # Large offsets come with gun changes and recalls, after which no calibration holds (common practice, no source).
    calibrated = bool(rng.random() < {1.5: 0.7, 4.0: 0.7, 12.0: 0.5, 30.0: 0.2}[spread])
    stated = float(rng.uniform(0.03, 0.2)) if calibrated else 0.1
    sigma = float(np.exp(rng.uniform(np.log(0.02), np.log(0.8))))
    ends, moves = by_hand(o, calibrated, stated, sigma, rng)
    routine = rng.normal(0.0, 2.0 / np.sqrt(2), (REPLICAS, 2))
    true_costs = {
        "leave": work_cost(o[None]),
        "nudge": costs.nudge_min * moves + work_cost(ends),
        "auto": costs.auto_min
        + hang * costs.hang_min
        + (0.0 if in_view else costs.auto_interrupt_min)
        + work_cost(routine),
    }
    seen = o + rng.normal(0.0, sigma, 2)
    measured = hypot(*seen)
    true_score = 100.0 * (1.0 - float(lost(np.array(hypot(*o)))))
    score_sigma = max(1.3 * sigma if measured > sigma else 0.3 * sigma, 0.02)
    score = float(np.clip(100.0 * (1.0 - float(lost(np.array(measured)))) + rng.normal(0, 0.02), 0, 100))
    told = measured > 2 * sigma
    direction = degrees(atan2(-seen[1], seen[0])) % 360
    assessment = Assessment(
        scene="both-edges",
        flags=(),
        taken_at="2026-05-04T10:00:00+00:00",
        aperture_radius_px=180.0,
        beam_radius_px=180.0 * ratio,
        offset_percent=measured,
        offset_percent_sigma=sigma,
        offset_x_percent=float(seen[0]),
        offset_y_percent=float(seen[1]),
        offset_direction_deg=direction if told else None,
        offset_direction_deg_sigma=degrees(sigma / measured) if told else None,
        move_direction_deg=(direction + 180) % 360 if told else None,
        gap_percent=100 * (1 - ratio) - measured,
        gap_percent_sigma=sigma,
        working_score=score,
        working_score_sigma=score_sigma,
    )
    scene = Scene(
        SceneKind.BOTH_EDGES,
        0.99,
        (512, 512),
        aperture=Edge(256.0, 256.0, 180.0, width=1.2),
        beam=Edge(256.0, 256.0, 180.0 * ratio, width=softness * 180.0 * ratio),
        profile=BeamProfile(1000.0, (dome,)),
    )
    nudge = None
    if calibrated:
        size = max(measured, 0.1) * stated
        nudge = Nudge(float(seen[0]), float(seen[1]), size / np.sqrt(2), size / np.sqrt(2))
    forecast = (float(max(speed * rng.normal(1.0, 0.25), 0.05)), 0.3 * speed + 0.1) if rng.random() < 0.5 else None
    context = Context(age_min=1.0, nudge=nudge, drift_percent_per_h=forecast, working_ratio=work)
    return Episode(true_costs, assessment, scene, replace(Instrument(), costs=costs), context, hypot(*o), true_score)


def by_hand(
    o: np.ndarray, calibrated: bool, stated: float, sigma: float, rng: np.random.Generator
) -> tuple[np.ndarray, float]:
    """Where hand centering ends (replicas) and the mean number of moves: each move errs by its calibration's doubt."""
    at = np.repeat(o[None], REPLICAS, axis=0)
    moves = np.zeros(REPLICAS)
    if not calibrated:
        at = at + rng.normal(0.0, 3.0, at.shape)  # two first small moves, one of each axis, which teach
        moves += 2
    active = np.ones(REPLICAS, dtype=bool)
    for _ in range(8):
        seen = at + rng.normal(0.0, sigma, at.shape)
        size = np.hypot(at[:, 0], at[:, 1])[:, None]
        after = at - seen + rng.normal(0.0, stated / np.sqrt(2), at.shape) * size + rng.normal(0.0, 0.4, at.shape)
        at = np.where(active[:, None], after, at)
        moves += active
        active = active & (np.hypot(at[:, 0], at[:, 1]) > 2.0)
        if not active.any():
            break
    return at, float(moves.mean())
