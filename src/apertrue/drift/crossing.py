"""When a limit will be crossed: first passage of the offset's length, by simulated paths from the drift estimate."""

from dataclasses import dataclass
from math import inf, isfinite

import numpy as np
from numpy.typing import NDArray

from .bank import Bank

Array = NDArray[np.float64]

#: How far ahead a crossing is looked for, h.
HORIZON_H = 12.0
#: A walk seen only every dt overshoots a limit by 0.5826 σ √dt on average: −ζ(½)/√(2π)
#: (M. Broadie, P. Glasserman, S. Kou, *A continuity correction for discrete barrier options*, 1997; from memory).
_OVERSHOOT = 0.5826


@dataclass(frozen=True, slots=True)
class Crossing:
    """When the offset first exceeds a limit.

    Attributes:
        limit_percent: the limit, % of the aperture radius.
        early_h, median_h, late_h: hours from now, the 5 %, 50 % and 95 % points; ``None`` = later than ``horizon_h``.
        probability_now: probability that it is exceeded already.
        probability: probability that it is exceeded within ``horizon_h``.
        horizon_h: how far was looked, h.
    """

    limit_percent: float
    early_h: float | None
    median_h: float | None
    late_h: float | None
    probability_now: float
    probability: float
    horizon_h: float


def steps_until(horizon_h: float) -> Array:
    """Time steps (h) that are short at first and longer later: each 5 % of the time so far, 1 to 10 minutes."""
    out, t = [], 0.0
    while t < horizon_h - 1e-9:
        step = min(max(1 / 60, 0.05 * t), 1 / 6, horizon_h - t)
        out.append(step)
        t += step
    return np.array(out)


def passage_times(
    bank: Bank, limit_percent: float, rng: np.random.Generator, *, horizon_h: float = HORIZON_H, n: int = 2000
) -> Array:
    """Times (h from the bank's time) at which ``n`` simulated paths first exceed the limit; inf = not within it.

    Each path draws its noise parameters and its state from the estimate, so that all doubt is in the spread.
    Shape (n,), sorted.
    """
    pick = rng.choice(len(bank.log_weight), size=n, p=bank.weight)
    cov = bank.cov[pick] + 1e-10 * np.eye(6)
    state = bank.mean[pick] + np.matmul(np.linalg.cholesky(cov), rng.standard_normal((n, 6, 1)))[..., 0]
    walk, wander, settle_h = bank.walk[pick, None], bank.wander[pick, None], bank.settle_h[pick, None]
    p, v, s = state[:, 0:2], state[:, 2:4], state[:, 4:6]
    length = np.hypot(*(p + s).T)
    when = np.where(length > limit_percent, 0.0, inf)
    t = 0.0
    for dt in steps_until(horizon_h):
        z1, z2, z3 = rng.standard_normal((3, n, 2))
        p = p + v * dt + wander * dt**1.5 * (0.5 * z1 + z2 / np.sqrt(12.0)) + walk * np.sqrt(dt) * z3
        v = v + wander * np.sqrt(dt) * z1
        s = s * np.exp(-dt / settle_h)
        before, length = length, np.hypot(*(p + s).T)
        line = limit_percent - _OVERSHOOT * walk[:, 0] * np.sqrt(dt)
        new = (length > line) & ~np.isfinite(when)
        if new.any():
            rise = length[new] - before[new]
            part = np.divide(line[new] - before[new], rise, out=np.ones_like(rise), where=rise > 0)
            when[new] = t + dt * np.clip(part, 0.0, 1.0)
        t += dt
        if np.isfinite(when).all():
            break
    when.sort()
    return when


def crossing(
    bank: Bank, limit_percent: float, rng: np.random.Generator, *, horizon_h: float = HORIZON_H, n: int = 2000
) -> Crossing | None:
    """When the offset exceeds ``limit_percent``; ``None`` when nothing was seen since the last restart."""
    if bank.seen < 1:
        return None
    times = passage_times(bank, limit_percent, rng, horizon_h=horizon_h, n=n)
    early, median, late = (_finite(times[min(int(q * n), n - 1)]) for q in (0.05, 0.5, 0.95))
    now = float(np.mean(times == 0.0))
    return Crossing(limit_percent, early, median, late, now, float(np.mean(np.isfinite(times))), horizon_h)


def _finite(value: float) -> float | None:
    return float(value) if isfinite(value) else None
