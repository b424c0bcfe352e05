"""What is usual before anything was measured, so that a few pictures do not give absurd noise parameters.

Common practice, no source: on a settled gun a good center holds about 2–3 hours; minutes after a high-tension or
monochromator change. The widths below turn that sentence into numbers: a beam that starts centered reaches an offset
of 5 % after about 2½ h in the middle of what they allow (held by a test), and each width leaves room for guns that
are several times steadier or livelier.
"""

from dataclasses import dataclass
from itertools import product
from math import exp, log

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: How long a good center holds on a settled gun, h (early, middle, late): common practice, no source.
HOLDS_H = (2.0, 2.5, 3.0)
#: How long the gun is taken to settle after a high-tension, emission or monochromator change, h.
SETTLES_WITHIN_H = 2.0


@dataclass(frozen=True, slots=True)
class Usual:
    """A log-normal prior: its median and the standard deviation of the natural logarithm."""

    median: float
    log_sd: float

    def log_density(self, value: float) -> float:
        """Log density per unit of log(value), without the constant."""
        return -0.5 * (log(value / self.median) / self.log_sd) ** 2

    def nodes(self, n: int, reach: float = 2.0) -> tuple[list[float], list[float]]:
        """``n`` values within ±``reach`` standard deviations, evenly spaced in the logarithm, and their log weights."""
        z = np.linspace(-reach, reach, n) if n > 1 else np.zeros(1)
        return [self.median * exp(self.log_sd * float(k)) for k in z], [-0.5 * float(k) ** 2 for k in z]

    def draw(self, rng: np.random.Generator) -> float:
        """One value."""
        return self.median * exp(self.log_sd * float(rng.standard_normal()))


@dataclass(frozen=True, slots=True)
class Priors:
    """Priors of :class:`apertrue.drift.state_space.DriftNoise`; units as there."""

    walk: Usual = Usual(0.45, 0.7)
    wander: Usual = Usual(0.5, 0.8)
    start_speed: tuple[tuple[float, float], ...] = ((0.7, 0.3), (1.6, 0.5), (4.0, 0.2))
    jitter: Usual = Usual(0.08, 0.9)
    settle: float = 15.0
    settle_h: Usual = Usual(0.6, 0.7)


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Noise parameters on a grid with their prior log weights; all arrays of shape (n,)."""

    walk: Array
    wander: Array
    start_speed: Array
    jitter: Array
    settle_h: Array
    log_weight: Array


def grid(priors: Priors, *, fineness: int = 9) -> Grid:
    """The grid over which forecasts are averaged.

    The settling time stays at its median until a settling event asks for its own axis.

    Args:
        priors: the priors.
        fineness: nodes for walk and wander; jitter takes about half.
    """
    walk = list(zip(*priors.walk.nodes(fineness, 2.4)))
    wander = list(zip(*priors.wander.nodes(fineness, 2.4)))
    jitter = list(zip(*priors.jitter.nodes(max(3, fineness // 2 + 1), 2.0)))
    speed = [(v, log(w)) for v, w in priors.start_speed]
    rows = list(product(walk, wander, speed, jitter))
    values = np.array([[node[0] for node in row] for row in rows])
    weight = np.array([sum(node[1] for node in row) for row in rows])
    return Grid(
        values[:, 0],
        values[:, 1],
        values[:, 2],
        values[:, 3],
        np.full(len(rows), priors.settle_h.median),
        weight - log_sum(weight),
    )


def log_sum(values: Array) -> float:
    """Log Σ exp(values)."""
    top = float(values.max())
    return top + log(float(np.exp(values - top).sum()))
