"""What moves by itself or follows late: drift of the gun, wander of the crossover, backlash of knobs and lenses."""

from dataclasses import dataclass, field
from math import exp, sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(slots=True)
class Play:
    """Backlash of one knob (a play operator): the output follows only when the slack of ``width`` is used up.

    Attributes:
        width: of the slack, in units of the knob.
        output: where the output stands; the knob lies within ± width/2 of it.
    """

    width: float
    output: float

    def follow(self, knob: float) -> float:
        """The output after the knob went to ``knob``."""
        half = self.width / 2.0
        self.output = min(max(self.output, knob - half), knob + half)
        return self.output


@dataclass(slots=True)
class Walk:
    """A random walk on a grid of one minute, the same whenever and however often it is looked at.

    Attributes:
        rng: its own generator.
        per_root_hour: 1σ after an hour.
    """

    rng: np.random.Generator
    per_root_hour: float
    _path: list[float] = field(default_factory=lambda: [0.0])

    def at(self, minutes: float) -> float:
        """Where it stands; linear between full minutes. ``minutes`` ≥ 0."""
        need = int(minutes) + 2
        while len(self._path) < need:
            self._path.append(self._path[-1] + float(self.rng.normal(0.0, self.per_root_hour / sqrt(60.0))))
        k = int(minutes)
        return self._path[k] + (minutes - k) * (self._path[k + 1] - self._path[k])


@dataclass(slots=True)
class Drift:
    """The beam's own movement: trend, random walk and settling after disturbances, %.

    Attributes:
        trend: % per h (x, y).
        walks: one for x, one for y.
        settling_min: time constant, min.
        disturbances: (when, x, y): what still had to settle at that time, %.
    """

    trend: tuple[float, float]
    walks: tuple[Walk, Walk]
    settling_min: float
    disturbances: list[tuple[float, float, float]] = field(default_factory=list)

    def at(self, minutes: float) -> Array:
        """Displacement since the start, shape (2,), %."""
        hours = minutes / 60.0
        out = np.array([self.trend[k] * hours + self.walks[k].at(minutes) for k in (0, 1)])
        for when, x, y in self.disturbances:
            if minutes >= when:
                left = 1.0 - exp(-(minutes - when) / self.settling_min)
                out += np.array([x, y]) * left
        return out

    def disturb(self, minutes: float, x: float, y: float) -> None:
        """From now on the beam creeps by (x, y), exponentially."""
        self.disturbances.append((minutes, x, y))
