"""Several measurements of one thing that moves a little: its mean, and how much it moves apart from the noise.

The random-effects model: measurement i = mean + movement of frame i + its own error, with the errors' covariances C_i
known and the movement's covariance T (the jitter) unknown. T comes from the method of moments: with weights w that sum
to one, the weighted scatter S = Σ w (p − p̄)(p − p̄)ᵀ is expected to be Σ w(1 − w)·C + T·(1 − Σ w²). Weights are
1/(noise + jitter), so that in one dimension the solution is the estimator of Paule & Mandel (1982, J. Res. Natl. Bur.
Stand. 87:377); the general moments are those of DerSimonian & Kacker (2007, Contemp. Clin. Trials 28:105), the matrix
form that of Jackson, White & Thompson (2010, Stat. Med. 29:1282), negative eigenvalues set to zero (all from memory;
the tests hold the one-dimensional case to an independent library).

Frames of one scene have covariances that are alike up to a factor (the exposure), so that one weight a frame, the same
for all parameters, loses nothing, and it can't be drawn aside by the errors of single parameters as matrix weights can.

Known from few frames only, the jitter's share of the mean's variance is widened by the square of Student's factor
(:func:`widening`; JCGM 100:2008, G.3), so that ±2σ keeps its 95 %.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Probability within ±2σ of a normal distribution.
TWO_SIGMA = 0.954499736103642
#: A movement whose variance exceeds the noise by this many of the noise's own σ is proven (chance: under 3 %).
PROVEN = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class RandomEffects:
    """The mean of n measurements of p quantities.

    Attributes:
        mean: shape (p,).
        within: covariance of the mean by the measurements' own errors, shape (p, p).
        between: that by the jitter, for the number of measurements at hand (not widened), shape (p, p).
        jitter: covariance T of the movement from one measurement to the next, shape (p, p), no negative eigenvalue.
        excess: the same before negative eigenvalues are set to zero.
        noise: weighted mean of the measurements' covariances, shape (p, p).
        weights: shape (n,), sum 1.
        freedom: degrees of freedom of ``excess``: effective number of measurements − 1.
    """

    mean: Array
    within: Array
    between: Array
    jitter: Array
    excess: Array
    noise: Array
    weights: Array
    freedom: float

    @property
    def covariance(self) -> Array:
        """Covariance of the mean, the jitter's part widened for the few measurements that it is known from."""
        return np.asarray(self.within + widening(self.freedom) ** 2 * self.between, dtype=np.float64)

    def spread(self, matrix: Array) -> tuple[float, float]:
        """Root-mean-square length, over the measurements, of ``matrix`` @ movement, noise taken off; with its 1σ.

        The variance of the trace of a sample covariance V of ν degrees of freedom is 2·tr(V²)/ν (Wishart distribution:
        Anderson 2003, from memory). Where no movement is proven, value − 2σ is not above 0, and value + σ reaches up to
        what may hide in the noise.

        Args:
            matrix: shape (q, p): which combinations of the quantities.
        """
        excess = max(self._excess(matrix), 0.0)
        doubt = self._doubt(matrix, self.jitter + self.noise)
        value, high, low = (float(np.sqrt(max(excess + k * doubt, 0.0))) for k in (0.0, 1.0, -1.0))
        sigma = (high - low) / 2 if low > 0 else high - value
        return value, sigma if self.proven(matrix) else max(sigma, value / 2)

    def proven(self, matrix: Array) -> bool:
        """Whether the movement stands out of the noise, by :data:`PROVEN` of the noise's own scatter."""
        return self._excess(matrix) > PROVEN * self._doubt(matrix, self.noise)

    def _excess(self, matrix: Array) -> float:
        return float(np.trace(matrix @ self.excess @ matrix.T))

    def _doubt(self, matrix: Array, covariance: Array) -> float:
        """1σ of :meth:`_excess` when the measurements scatter by ``covariance``."""
        seen = matrix @ covariance @ matrix.T
        return float(np.sqrt(2.0 * np.trace(seen @ seen) / self.freedom))


def widening(freedom: float) -> float:
    """By how much a σ known from ``freedom`` degrees of freedom is widened: t₀.₉₅₄₅(ν)/2; 1 for infinitely many."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, (1 + TWO_SIGMA) / 2)) / 2.0


def random_effects(values: Array, covariances: Array) -> RandomEffects:
    """The mean of measurements with known errors of a thing that may move between them.

    Args:
        values: n ≥ 2 measurements of p quantities, shape (n, p).
        covariances: of their errors, shape (n, p, p).

    Raises:
        ValueError: fewer than two measurements.
    """
    n = len(values)
    if n < 2:
        raise ValueError("jitter needs at least two measurements")
    own = np.trace(covariances, axis1=1, axis2=2)

    def weights_for(spread: float) -> Array:
        weights = 1.0 / np.maximum(own + spread, 1e-300)
        return np.asarray(weights / weights.sum(), dtype=np.float64)

    def beyond(spread: float) -> float:
        """By how much the jitter that is found exceeds the one that the weights take."""
        return float(np.trace(_excess(values, covariances, weights_for(spread)))) - spread

    weights = weights_for(_root(beyond, float(own.mean()) + float(((values - values.mean(axis=0)) ** 2).sum())))
    excess = _excess(values, covariances, weights)
    level, axes = np.linalg.eigh(excess)
    jitter = (axes * np.maximum(level, 0.0)) @ axes.T
    w2 = float((weights**2).sum())
    return RandomEffects(
        mean=np.asarray(weights @ values, dtype=np.float64),
        within=np.einsum("i,ijk->jk", weights**2, covariances),
        between=jitter * w2,
        jitter=jitter,
        excess=excess,
        noise=np.einsum("i,ijk->jk", weights, covariances),
        weights=weights,
        freedom=1.0 / w2 - 1.0,
    )


def _root(falling: Callable[[float], float], high: float) -> float:
    """Where a falling function of x ≥ 0 crosses zero, at most ``high``; 0 where it is negative from the start.

    By false positions, an end that stays being halved (the Illinois method: Dowell & Jarratt 1971, BIT 11:168, from
    memory).
    """
    low, at_low, at_high = 0.0, falling(0.0), falling(high)
    if at_low <= 0:
        return 0.0
    for _ in range(60):
        x = high - at_high * (high - low) / (at_high - at_low)
        y = falling(x)
        if abs(y) <= 1e-12 * (x + high) or high - low <= 1e-12 * high:
            return x
        if y > 0:
            low, at_low, at_high = x, y, at_high / 2
        else:
            high, at_high, at_low = x, y, at_low / 2
    return x


def _excess(values: Array, covariances: Array, weights: Array) -> Array:
    """The jitter's covariance by moments, for weights that sum to one; negative eigenvalues are left in."""
    away = values - weights @ values
    scatter = np.einsum("i,ij,ik->jk", weights, away, away)
    expected = np.einsum("i,ijk->jk", weights * (1 - weights), covariances)
    return np.asarray((scatter - expected) / (1 - (weights**2).sum()), dtype=np.float64)


def trend(values: Array) -> tuple[Array, float]:
    """Movement from the first to the last of n evenly spaced measurements by a straight line, and its p-value.

    The p-value is that of no trend, by Hotelling's T² on the slope with the scatter about the line
    (Anderson 2003, from memory); 1 where there are too few measurements to tell.

    Args:
        values: shape (n, p).
    """
    n, p = values.shape
    freedom = n - 2 - p + 1
    if freedom < 1:
        return np.zeros(p), 1.0
    from scipy.special import fdtrc

    at = np.arange(n) - (n - 1) / 2
    slope = at @ values / (at @ at)
    rest = values - values.mean(axis=0) - np.outer(at, slope)
    scatter = rest.T @ rest / (n - 2)
    scatter[np.diag_indices(p)] += 1e-300
    t2 = float(at @ at) * float(slope @ np.linalg.pinv(scatter) @ slope)
    return np.asarray(slope * (n - 1), dtype=np.float64), float(fdtrc(p, freedom, t2 * freedom / ((n - 2) * p)))
