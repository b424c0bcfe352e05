"""Simulated working days with known drift: shared by the benchmark and the tests of the drift forecast.

The wander is integrated in steps of half a minute by plain Euler sums, independent of the estimator's matrices.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from apertrue.drift import Event, Priors, Settling, Sighting, Step, Usual
from apertrue.microscope.hidden import random_hidden
from apertrue.microscope.motion import Drift, Walk

Array = NDArray[np.float64]

DT_H = 0.5 / 60
#: Length of a simulated day after which everything is censored, h: work, then a forecast of up to 12 h.
DAY_H = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Day:
    """One day: what the log holds until ``now_h``, and what the beam did afterwards if nobody touched it.

    Attributes:
        events: the log. now_h: time of the last picture, h.
        later: true offsets after it, (n, 2), one each :data:`DT_H`; the first is at ``now_h``.
        rate: true velocity at ``now_h``, %/h, (2,).
    """

    events: tuple[Event, ...]
    now_h: float
    later: Array
    rate: Array

    def at(self, hours: float) -> Array:
        """True offset that many hours later, (2,)."""
        return self.later[round(hours / DT_H)]

    def crossing_h(self, limit: float) -> float:
        """Hours until the true offset first exceeds the limit; inf when it does not."""
        over = np.hypot(*self.later.T) > limit
        return float(np.argmax(over)) * DT_H if over.any() else float("inf")


def wander(rng: np.random.Generator, walk: float, wander_: float, speed: float, n: int) -> tuple[Array, Array]:
    """Position and velocity, (n, 2) each, %."""
    v = rng.normal(0, speed, 2) + np.cumsum(rng.normal(0, wander_ * np.sqrt(DT_H), (n, 2)), axis=0)
    p = np.cumsum(v * DT_H + rng.normal(0, walk * np.sqrt(DT_H), (n, 2)), axis=0)
    return p, v


def thermal(rng: np.random.Generator, n: int) -> tuple[Array, Array]:
    """A room's temperature instead of a random velocity: a slow and a quick sine and a small walk.

    The velocity given back is that of the sines alone: a walk has none.
    """
    t = np.arange(n) * DT_H
    p, v = np.zeros((n, 2)), np.zeros((n, 2))
    for period, speed in ((rng.uniform(6, 12), 1.8), (rng.uniform(1.0, 3.0), 0.4)):
        omega = 2 * np.pi / period
        top = speed * rng.lognormal(0, 0.4) * rng.normal(0, 1, 2)
        phase = rng.uniform(0, 2 * np.pi, 2)
        p += top / omega * np.sin(omega * t[:, None] + phase)
        v += top * np.cos(omega * t[:, None] + phase)
    p += np.cumsum(rng.normal(0, 0.3 * np.sqrt(DT_H), (n, 2)), axis=0)
    return p, v


def microscope(rng: np.random.Generator, n: int) -> tuple[Array, Array]:
    """The drift of a random virtual microscope: trend, random walk, and the rest of a settling after an hour."""
    hidden = random_hidden(rng)
    drift = Drift(hidden.trend, (Walk(rng, hidden.wander), Walk(rng, hidden.wander)), hidden.settling_min)
    left = float(np.exp(-60.0 / hidden.settling_min))
    drift.disturb(0.0, hidden.settling[0] * left, hidden.settling[1] * left)
    p = np.array([drift.at(k * DT_H * 60.0) for k in range(n)])
    return p, np.tile(np.array(hidden.trend), (n, 1))


def day(rng: np.random.Generator, *, kind: str = "assumed", priors: Priors | None = None) -> Day:
    """One day.

    Args:
        rng: random numbers.
        kind: ``assumed`` draws the gun from the priors; ``microscope`` and ``thermal`` have other laws of drift.
        priors: those the gun is drawn from.
    """
    priors = priors or Priors()
    n = round(DAY_H / DT_H)
    speeds, shares = zip(*priors.start_speed, strict=True)
    speed = float(rng.choice(speeds, p=np.array(shares) / sum(shares)))
    if kind == "thermal":
        p, v = thermal(rng, n)
    elif kind == "microscope":
        p, v = microscope(rng, n)
    else:
        p, v = wander(rng, _draw(rng, priors.walk), _draw(rng, priors.wander), speed, n)
    jitter = _draw(rng, priors.jitter)
    p = p + rng.normal(0, 3.0, 2)
    events: list[Event] = []
    if rng.random() < 0.25:
        events.append(Settling(0.0))
        amplitude, tau = rng.normal(0, priors.settle, 2), _draw(rng, priors.settle_h)
        p = p + amplitude * np.exp(-np.arange(n) * DT_H / tau)[:, None]
    calibrated = rng.random() < 0.7
    times = np.sort(rng.uniform(0.02, rng.uniform(1.0, 7.0), int(rng.integers(2, 20))))
    for time in times:
        k = round(time / DT_H)
        t_h = k * DT_H
        sx, sy = np.exp(rng.uniform(np.log(0.03), np.log(0.6), 2))
        rho = rng.uniform(-0.6, 0.6)
        own = np.array([[sx * sx, rho * sx * sy], [rho * sx * sy, sy * sy]])
        seen = p[k] + rng.multivariate_normal(np.zeros(2), own) + rng.normal(0, jitter, 2)
        events.append(Sighting(t_h, *map(float, seen), *map(float, (own[0, 0], own[0, 1], own[1, 1]))))
        if np.hypot(*seen) > 5 and time != times[-1]:
            # The operator turns the shift: the log knows the move with a doubt of 3 %, or not at all.
            doubt = 0.03 * float(np.hypot(*seen)) + 0.05
            p[k + 1 :] += -seen + rng.normal(0, doubt, 2)
            t_step = t_h + DT_H / 2
            events.append(
                Step(t_step, float(-seen[0]), float(-seen[1]), doubt**2, 0.0, doubt**2) if calibrated else Step(t_step)
            )
    last = round(times[-1] / DT_H)
    return Day(tuple(events), last * DT_H, p[last:], v[last])


def _draw(rng: np.random.Generator, usual: Usual) -> float:
    return usual.draw(rng)
