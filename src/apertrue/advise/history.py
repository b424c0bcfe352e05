"""What the session's own history teaches the budget, with a prior, so that one hang is not a law. Pure.

Each default counts as a few past observations (its weight); the learned figure is their weighted mean:

* the routine's time: log-normal, known scatter, conjugate normal prior on the log (weight 3 runs);
* the hang's probability: beta prior of the default mean (weight 20 runs), posterior mean (a + hangs)/(a + b + runs);
* what a hang, a nudge or an interruption costs: mean with a prior of weight 2 or 5;
* offsets left by the routine or found after a recall: 2-D isotropic normal, inverse-gamma prior on its variance.

Conjugate priors: Gelman et al., Bayesian Data Analysis, chapters 2–3 (from memory).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import exp, log, sqrt

from ..instrument import Costs
from .budget import ASSUMED

#: Weights of the defaults, in observations.
TIME_WEIGHT, HANG_WEIGHT, MINUTES_WEIGHT, NUDGE_WEIGHT, OFFSET_WEIGHT = 3.0, 20.0, 2.0, 5.0, 3.0

#: Scatter of the routine's time as 1σ of its logarithm.
TIME_LOG_SIGMA = 0.35

#: Root-mean-square offset found after a recalled gun setting before any history, % of the aperture radius
#: (common practice, no source: the focus comes back, the shift has usually moved on).
RECALLED_PERCENT = 15.0


@dataclass(frozen=True, slots=True)
class RoutineRun:
    """One run of the automatic routine as the session logged it; ``None`` = not noted.

    Attributes:
        minutes: how long it took when it ended by itself, min.
        hung: whether it hung.
        hang_minutes: what the hang cost, min.
        interruption_minutes: empty area and way back around it, min.
        offset_after_percent: offset in the picture taken afterwards, % of the aperture radius.
    """

    minutes: float | None = None
    hung: bool = False
    hang_minutes: float | None = None
    interruption_minutes: float | None = None
    offset_after_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Spread:
    """A learned root-mean-square offset, % of the aperture radius, with its 1σ and the pictures it rests on."""

    rms_percent: float
    sigma: float
    observations: int


def learned_costs(costs: Costs, runs: Sequence[RoutineRun], nudge_minutes: Sequence[float] = ()) -> Costs:
    """``costs`` with the routine's time, hangs, interruption and the nudge's time moved toward the session's own.

    Args:
        costs: the instrument file's (the prior).
        runs: runs of the routine, in any order.
        nudge_minutes: minutes that single nudges took.

    Times that are not positive and finite are left out.
    """
    return replace(
        costs,
        auto_min=_log_normal(costs.auto_min, _good(r.minutes for r in runs if not r.hung)),
        hang_probability=hang_probability(costs.hang_probability, len(runs), sum(r.hung for r in runs)),
        hang_min=_mean(costs.hang_min, _good(r.hang_minutes for r in runs if r.hung), MINUTES_WEIGHT),
        auto_interrupt_min=_mean(costs.auto_interrupt_min, _good(r.interruption_minutes for r in runs), MINUTES_WEIGHT),
        nudge_min=_mean(costs.nudge_min, _good(nudge_minutes), NUDGE_WEIGHT),
    )


def hang_probability(prior: float, runs: int, hangs: int) -> float:
    """Posterior mean of a beta prior with mean ``prior`` and the weight of :data:`HANG_WEIGHT` runs."""
    return (HANG_WEIGHT * prior + hangs) / (HANG_WEIGHT + runs)


def routine_residual(runs: Sequence[RoutineRun], prior_percent: float = ASSUMED.auto_residual_percent) -> Spread:
    """Root-mean-square offset that the routine leaves, learned from the pictures after it."""
    return learned_spread((r.offset_after_percent for r in runs if not r.hung), prior_percent)


def recalled_offset(offsets_percent: Iterable[float | None], prior_percent: float = RECALLED_PERCENT) -> Spread:
    """Root-mean-square offset right after a recalled gun setting, learned from the first pictures after recalls."""
    return learned_spread(offsets_percent, prior_percent)


def learned_spread(offsets_percent: Iterable[float | None], prior_percent: float) -> Spread:
    """Root-mean-square length of a 2-D isotropic normal from lengths, with an inverse-gamma prior on its variance.

    The variance of one component has the posterior InvGamma(w + n, w·s₀² + Σd²/2), where the prior counts as w lengths;
    the root-mean-square length is √2 times the component's 1σ, and its relative doubt about 1/(2√(w + n)).
    """
    lengths = [d for d in offsets_percent if d is not None and 0.0 <= d < float("inf")]
    n, w = len(lengths), OFFSET_WEIGHT
    rms = sqrt((w * prior_percent**2 + sum(d * d for d in lengths)) / (w + n))
    return Spread(rms, rms / (2.0 * sqrt(w + n)), n)


def _good(values: Iterable[float | None]) -> list[float]:
    return [v for v in values if v is not None and 0.0 < v < float("inf")]


def _mean(prior: float, values: list[float], weight: float) -> float:
    return (weight * prior + sum(values)) / (weight + len(values))


def _log_normal(prior: float, values: list[float]) -> float:
    """Expected time: exp of the posterior mean of the log, the scatter's half variance kept from the prior's mean."""
    if not values or not prior > 0:
        return prior
    half = 0.5 * TIME_LOG_SIGMA**2
    mean_log = (TIME_WEIGHT * (log(prior) - half) + sum(log(v) for v in values)) / (TIME_WEIGHT + len(values))
    return exp(mean_log + half)
