"""The budget in expected minutes: what leaving, nudging and the automatic routine cost. Pure formulas.

With f the share of the current that is lost, averaged over the forecast drift, T the planned minutes, and
loss(f) = f (lost current) or f/(1 − f) (fixed counts: the work takes that much longer)::

    leave = T·loss(f)
    nudge = n·c_n + T·loss(f_after)
    auto  = c_a + p_hang·c_hang [+ interruption] + T·loss(f_after)

The lost share follows the overlap of two even discs (textbook geometry), scaled so that it agrees with the measured
working score where there is one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..instrument import Costs
from ..model.overlap import disc_overlap

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Assumed:
    """What the budget assumes until something better is known (common practice, no source, where nothing else is said).

    Attributes:
        drift_percent_per_h: speed of the drift without a forecast, (mean, 1σ), % of the aperture radius per hour:
            a good center holds two to three hours, and 5 % in 2.5 h is 2 %/h.
        auto_residual_percent: root-mean-square offset that the automatic routine leaves, % of the aperture radius.
        nudge_residual_percent: the same that a hand's last move leaves at best.
        trial_moves: moves that teach the direction when no calibration holds, one of each axis.
        trial_doubt: relative 1σ of a move that rests on those trial moves only. Both figures are those of the virtual
            microscopes of benchmarks/decision.py, where hands without a calibration make 3.0 moves from 8–16 % and 3.6
            from beyond 25 %.
        calibrated_doubt: relative 1σ of a calibrated move that states no doubt of its own.
        target_percent: offset at which a hand stops, % of the aperture radius.
    """

    drift_percent_per_h: tuple[float, float] = (2.0, 1.0)
    auto_residual_percent: float = 2.0
    nudge_residual_percent: float = 0.7
    trial_moves: float = 2.0
    trial_doubt: float = 0.1
    calibrated_doubt: float = 0.1
    target_percent: float = 2.0

    @classmethod
    def of(cls, costs: Costs) -> "Assumed":
        """With what the instrument file says of them."""
        return cls(
            drift_percent_per_h=(costs.drift_percent_per_h, costs.drift_sigma_percent_per_h),
            auto_residual_percent=costs.auto_left_percent,
            trial_moves=costs.trial_moves,
        )


#: The starting assumptions.
ASSUMED = Assumed()


def disc_lost(offset: Array, ratio: float) -> Array:
    """Share of the best possible current that an even disc loses at an offset.

    Args:
        offset: beam center − aperture center, aperture radii, any shape, ≥ 0.
        ratio: beam radius ÷ aperture radius.

    Returns:
        1 − overlap(offset)/overlap(0), 0 to 1, the shape of ``offset``. Two discs' lens area, textbook geometry.
    """
    most = min(1.0, float(ratio) ** 2)
    out: Array = np.clip(1.0 - disc_overlap(offset, ratio) / most, 0.0, 1.0)
    return out


#: Loss from which a measured working score says more than the profile does.
ANCHOR_FROM = 0.02


def rim_scale(radial: Sequence[float], ratio: float) -> float:
    """A domed or ringed beam's loss ÷ an even one's at small offsets: light where the beam is cut ÷ its mean light.

    Args:
        radial: coefficients of ρ², ρ⁴, … of the beam's light relative to its center.
        ratio: working beam radius ÷ aperture radius; beyond 1 the aperture cuts at ρ = 1/ratio.

    To first order a shift by d trades a sickle of width d·cos θ at the cut, whatever lies inside. Within 0.25 to 4.
    """
    cut2 = min(1.0, 1.0 / (ratio * ratio))
    rim = 1.0 + sum(k * cut2 ** (i + 1) for i, k in enumerate(radial))
    mean = 1.0 + sum(k * cut2 ** (i + 1) / (i + 2) for i, k in enumerate(radial))
    return float(np.clip(rim / mean, 0.25, 4.0)) if mean > 0 else 1.0


def anchor(
    offset_percent: float,
    working_score: float | None,
    ratio: float,
    softness: float = 0.0,
    radial: Sequence[float] = (),
) -> float:
    """Factor that brings the even disc's lost share to the beam's.

    From the measured working score where the offset loses enough to tell (:data:`ANCHOR_FROM`), else from the profile.
    """
    if working_score is not None:
        even = mean_lost(offset_percent, 0.0, (0.0, 0.0), 0.0, ratio, softness=softness)
        if even >= ANCHOR_FROM:
            return float(np.clip((1.0 - working_score / 100.0) / even, 0.25, 4.0))
    return rim_scale(radial, ratio)


#: Moves after which a hand gives up.
_MOST_MOVES = 8

_T_NODES, _T_WEIGHTS = np.polynomial.legendre.leggauss(6)
_S_NODES, _S_WEIGHTS = np.polynomial.hermite_e.hermegauss(3)
_R_NODES, _R_WEIGHTS = np.polynomial.laguerre.laggauss(3)
_ANGLES = (np.arange(12) + 0.5) * (pi / 12)


def mean_lost(
    offset_percent: float,
    doubt_percent: float,
    drift_percent_per_h: tuple[float, float],
    minutes: float,
    ratio: float,
    scale: float = 1.0,
    softness: float = 0.0,
) -> float:
    """Share of the current lost, averaged over the planned minutes, the drift's speed and direction, and the doubt.

    Args:
        offset_percent: offset at the start, % of the aperture radius.
        doubt_percent: root-mean-square length of what is unknown about it (2-D), % of the aperture radius.
        drift_percent_per_h: the drift's speed (mean, 1σ); its direction is taken as unknown.
        minutes: planned work, min.
        ratio: working beam radius ÷ aperture radius.
        scale: factor on the even disc's loss, see :func:`anchor`.
        softness: 1σ of the beam's edge ÷ its radius: a soft disc is a sharp one blurred, so that the edge enters like
            a doubt of √2·softness·ratio, and the loss counts from the soft disc's own best.

    Returns:
        0 to 1, by Gauss quadrature over time, speed and doubt, and a sum over directions.
    """
    if softness > 0:
        blur = 100.0 * sqrt(2.0) * softness * ratio
        least = mean_lost(0.0, blur, (0.0, 0.0), 0.0, ratio)
        lost = mean_lost(offset_percent, hypot(doubt_percent, blur), drift_percent_per_h, minutes, ratio)
        return min(max(scale * (lost - least) / (1.0 - least), 0.0), 1.0)
    hours = (_T_NODES + 1.0) * (minutes / 120.0)
    speed = np.maximum(drift_percent_per_h[0] + _S_NODES * drift_percent_per_h[1], 0.0)
    drifted = (hours[:, None] * speed[None, :])[:, :, None]
    unknown2 = _R_NODES * doubt_percent**2
    # Drift and doubt both point anywhere, so only the square of their sum matters: the cross term averages out.
    length = np.sqrt(drifted**2 + unknown2)[..., None]
    d = np.sqrt(np.maximum(offset_percent**2 + length**2 + 2.0 * offset_percent * length * np.cos(_ANGLES), 0.0))
    lost = np.minimum(scale * disc_lost(d / 100.0, ratio), 1.0).mean(axis=-1)
    wt, ws = _T_WEIGHTS / _T_WEIGHTS.sum(), _S_WEIGHTS / _S_WEIGHTS.sum()
    return float(np.einsum("tsr,t,s,r->", lost, wt, ws, _R_WEIGHTS))


def loss(lost: float, dose: str) -> float:
    """Minutes lost per planned minute: ``lost`` for a given current, lost/(1 − lost) for fixed counts (lost ≤ 0.99)."""
    f = min(max(lost, 0.0), 0.99)
    return f / (1.0 - f) if dose == "counts" else f


def by_hand(offset_percent: float, doubt: float, target_percent: float, floor_percent: float) -> tuple[float, float]:
    """Expected moves until the offset is under the target, and the root-mean-square offset that is left.

    Each move leaves a two-dimensional normal offset of mean square m² = (doubt·offset before)² + floor²; its length is
    Rayleigh distributed, so that another move is needed with probability exp(−target²/m²), from an offset whose median
    square is target² + ln 2·m²; one that is not needed leaves m²·(1 − x·e⁻ˣ/(1 − e⁻ˣ)), x = target²/m².

    Args:
        offset_percent: the offset, % of the aperture radius.
        doubt: share of the offset that a move leaves (root mean square).
        target_percent: offset at which a hand stops.
        floor_percent: root-mean-square offset that a perfectly known move leaves (console step, measurement).
    """
    q, target2 = min(max(doubt, 0.0), 0.9), target_percent**2
    before2, still, moves, left2 = offset_percent**2, 1.0, 0.0, 0.0
    for _ in range(_MOST_MOVES):
        moves += still
        m2 = max(q * q * before2 + floor_percent**2, 1e-12)
        x = min(target2 / m2, 700.0)
        again = exp(-x)
        stopped = m2 * (1.0 - x * again / (1.0 - again)) if x > 1e-6 else 0.5 * target2
        left2 += still * (1.0 - again) * stopped
        still *= again
        before2 = target2 + log(2.0) * m2
    left2 += still * before2
    return moves, sqrt(left2)
