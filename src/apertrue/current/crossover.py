"""Where the crossover lies: the beam's radius grows in proportion to |focus − crossover|, each side at its own rate.

In pictures that show both radii, ratio = k·|focus − crossover|; so focus = crossover ± ratio/k is a straight line in
the ratio on each side, both through the same crossover. Its reading wanders from session to session: a random step per
session with a variance found by maximum likelihood.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import log, sqrt
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .pairs import RadiusReading

Array = NDArray[np.float64]

#: Under this ratio the waist bends the line; over the other, the edge is hidden behind the aperture's.
_RATIO_FROM, _RATIO_TO = 0.25, 1.6


@dataclass(frozen=True, slots=True)
class Crossover:
    """The reading of the gun-lens focus at which the beam crosses over.

    Attributes:
        focus, sigma: mean reading over sessions and its 1σ, console units.
        wander: most likely 1σ from session to session, console units.
        wanders: equally likely values of it (its own doubt); empty where fewer than two sessions tell.
        by_session: session → (reading, 1σ) where that session's pictures tell.
        slope: side → beam radius ÷ aperture radius per unit of focus.
        n: number of radius readings behind it.
        measured: false when no picture told and reading 0 is taken for want of better.
    """

    focus: float = 0.0
    sigma: float = 0.0
    wander: float = 0.0
    wanders: tuple[float, ...] = ()
    by_session: Mapping[str, tuple[float, float]] = field(default_factory=lambda: MappingProxyType({}))
    slope: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    n: int = 0
    measured: bool = True


def fit_crossover(readings: Sequence[RadiusReading]) -> Crossover | None:
    """The crossover from radius readings; ``None`` when they cannot tell.

    Needs, on at least one side, two readings apart by a tenth in the ratio, and more readings than unknowns. A picture
    of the crossover itself counts as ratio 0 ± 0.1.
    """
    used = [r for r in readings if r.at_crossover or _RATIO_FROM <= r.ratio <= _RATIO_TO]
    side = np.array([0 if r.at_crossover else (1 if _side(r) == "positive" else -1) for r in used])
    ratio = np.array([r.ratio for r in used])
    focus = np.array([r.focus for r in used])
    sides = [s for s in (1, -1) if (side == s).any() and np.ptp(ratio[side == s]) > 0.1]
    keep = np.isin(side, [*sides, 0])
    if not sides or keep.sum() < len(sides) + 2:
        return None
    used = [r for r, k in zip(used, keep, strict=True) if k]
    side, ratio, focus = side[keep], ratio[keep], focus[keep]
    names = sorted({r.session for r in used})
    member = np.array([[r.session == n for n in names] for r in used], dtype=np.float64)
    design = np.stack([np.ones(len(used)), *(np.where(side == s, s * ratio, 0.0) for s in sides)], axis=1)
    sigma_ratio = np.array([max(r.sigma, 0.003) for r in used])
    per_unit = np.linalg.lstsq(design, focus, rcond=None)[0][1:]
    if (per_unit <= 0).any():
        return None
    scale = float(per_unit.mean())
    noise = (sigma_ratio * scale) ** 2
    best: tuple[float, float, float, Array, Array] | None = None
    spread = float(np.ptp(focus))
    likelihood: dict[float, float] = {}
    for wander in (0.0, *(spread * np.geomspace(1e-3, 0.3, 24))):
        for extra in (0.0, *(spread * np.geomspace(1e-3, 0.1, 10))):
            if wander > 0 and len(names) < 2:
                continue
            weight = 1.0 / (noise + extra**2)
            # V = D + τ² M Mᵀ with one block a session: its inverse takes τ²/(1 + τ² Σw) of each block's sums away.
            total = member.T @ weight
            shrink = wander**2 / (1.0 + wander**2 * total)
            sums, sum_y = member.T @ (design * weight[:, None]), member.T @ (focus * weight)
            normal = (design * weight[:, None]).T @ design - (sums * shrink[:, None]).T @ sums
            right = design.T @ (focus * weight) - sums.T @ (shrink * sum_y)
            theta = np.linalg.solve(normal, right)
            rest = focus - design @ theta
            sum_rest = member.T @ (rest * weight)
            chi2 = float(weight @ rest**2 - shrink @ sum_rest**2)
            log_det = float(np.log1p(wander**2 * total).sum() - np.log(weight).sum())
            cost = chi2 + log_det + log(np.linalg.det(normal))
            likelihood[wander] = max(likelihood.get(wander, -np.inf), -0.5 * cost)
            if best is None or cost < best[0] - 1e-9:
                best = (cost, wander, extra, theta, np.linalg.inv(normal))
    if best is None:
        return None
    _, wander, extra, theta, covariance = best
    if (theta[1:] <= 0).any():
        return None
    by_session = {}
    for k, name in enumerate(names):
        rows = member[:, k] > 0
        # The session's own step: shrunk mean of its residuals, its doubt joined with that of the line.
        weight = 1.0 / (noise[rows] + extra**2)
        if wander > 0:
            gain = wander**2 / (wander**2 + 1.0 / weight.sum())
            step = gain * float(weight @ (focus - design @ theta)[rows] / weight.sum())
            by_session[name] = (float(theta[0]) + step, sqrt(float(covariance[0, 0]) + wander**2 * (1 - gain)))
        else:
            by_session[name] = (float(theta[0]), sqrt(float(covariance[0, 0])))
    slope = {("positive" if s > 0 else "negative"): 1.0 / float(c) for s, c in zip(sides, theta[1:], strict=True)}
    return Crossover(
        float(theta[0]),
        sqrt(float(covariance[0, 0])),
        float(wander),
        _equally_likely(likelihood) if len(names) > 1 else (),
        MappingProxyType(by_session),
        MappingProxyType(slope),
        len(used),
    )


def _equally_likely(likelihood: Mapping[float, float]) -> tuple[float, ...]:
    """Four quantiles of the wander under its profile likelihood and a prior even in its logarithm."""
    values = np.array(list(likelihood))
    weight = np.exp(np.array(list(likelihood.values())) - max(likelihood.values()))
    share = np.cumsum(weight) / weight.sum()
    return tuple(float(values[int(np.searchsorted(share, q))]) for q in (0.125, 0.375, 0.625, 0.875))


def _side(reading: RadiusReading) -> str:
    return reading.side or ("positive" if reading.focus > 0 else "negative")
