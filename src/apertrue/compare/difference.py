"""The constant difference between intensity center and edge center: learned, with a prior. Pure.

The automatic routine finds the place of most current, the edges give the place where both discs are concentric. A
constant difference between them is no fault: it is learned here and named once it is sure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot

import numpy as np
from numpy.typing import NDArray

from .agreement import Point2

Array = NDArray[np.float64]

#: 1σ of each component of the difference before anything is known, % of the aperture radius.
PRIOR_PERCENT = 2.0
#: Scatter of single runs about it, 1σ of each component, and the runs that this guess counts for.
SCATTER_PERCENT, SCATTER_WEIGHT = 1.0, 3.0
#: Runs and chance from which the difference is named.
NAMED_RUNS, NAMED_RARE = 3, 0.01


@dataclass(frozen=True, slots=True)
class CenterDifference:
    """Edge offset that the routine leaves: what the edges show when the current is largest.

    Attributes:
        mean: (x, y) in % of the aperture radius, y down, with 1σ and correlation.
        scatter_percent: 1σ of a single run about it, per component.
        runs: how many runs it rests on.
        named: whether it is told to people: enough runs, and larger than chance makes it.
    """

    mean: Point2
    scatter_percent: float
    runs: int
    named: bool

    @property
    def size_percent(self) -> float:
        """Its length, % of the aperture radius."""
        return hypot(self.mean.x or 0.0, self.mean.y or 0.0)

    def expected(self) -> Point2:
        """Where the next run will leave the beam: the mean, with the scatter added to its doubt."""
        c = self.mean.covariance() + self.scatter_percent**2 * np.eye(2)
        return Point2.of(np.array([self.mean.x or 0.0, self.mean.y or 0.0]), c)


def learn_difference(offsets: Sequence[Point2]) -> CenterDifference:
    """The constant part of the offsets that pictures show right after the routine.

    Args:
        offsets: one a run, % of the aperture radius, y down, both components known.

    Normal model with a normal prior on the mean and a scatter that is estimated along (its guess counts as a few runs):
    Gelman et al., Bayesian Data Analysis, chapter 5 (from memory), the scatter by moments.
    """
    known = [o for o in offsets if o.x is not None and o.y is not None]
    n = len(known)
    values = np.array([(o.x, o.y) for o in known], dtype=float).reshape(-1, 2)
    noise = [o.covariance() for o in known]
    scatter2 = SCATTER_PERCENT**2
    prior = np.eye(2) / PRIOR_PERCENT**2
    mean, covariance = np.zeros(2), np.eye(2) * PRIOR_PERCENT**2
    for _ in range(20):
        weights = [np.linalg.inv(c + scatter2 * np.eye(2)) for c in noise]
        precision = prior + sum(weights, np.zeros((2, 2)))
        covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        mean = np.asarray(
            covariance @ sum((w @ v for w, v in zip(weights, values, strict=True)), np.zeros(2)), dtype=np.float64
        )
        if n < 2:
            break
        about = values - values.mean(axis=0)
        spare = float((about**2).sum()) - (n - 1) / n * float(sum(np.trace(c) for c in noise))
        degrees = 2.0 * (n - 1)
        wanted = (2 * SCATTER_WEIGHT * SCATTER_PERCENT**2 + max(spare, 0.0)) / (2 * SCATTER_WEIGHT + degrees)
        if abs(wanted - scatter2) < 1e-9:
            break
        scatter2 = wanted
    chi2 = float(mean @ np.linalg.solve(covariance, mean))
    named = n >= NAMED_RUNS and exp(-0.5 * chi2) < NAMED_RARE
    return CenterDifference(Point2.of(mean, covariance), float(np.sqrt(scatter2)), n, named)
