"""A shift calibration from what past sessions did: the moves of the gun shift between two pictures.

Between two pictures of one session the offset changes by Δo = A Δs + drift. Pairs without a move tell how much the gun
wanders (variance w² a hour and component), pairs with one tell A: weighted least squares over all of them, each with
the variance of its two pictures and w² times its hours (GUM H.3). What the weights do not explain enlarges the
covariance (Birge ratio). Moves that contradict most others (a reading mistyped, a move not noted) are left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import CalibrationError
from .estimate import COLLINEAR, WANDER, spread_condition
from .leastsquares import least_squares
from .model import Calibration
from .points import Point
from .quality import relative_doubts
from .state_key import StateKey

Array = NDArray[np.float64]

#: Fewer moves than this tell no calibration.
LEAST_MOVES = 8
#: Two pictures further apart than this are not compared, h.
MOST_H = 4.0
#: 1σ of an offset whose picture states none, %.
_UNKNOWN_SIGMA = 0.5
#: A move further off than this many times the usual distance contradicts the others.
_FAR = 4.0
#: Moves used, and pairs of moves tried, at most.
_MOST_MOVES, _MOST_PAIRS = 500, 2000


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    """From one picture to the next: hours, change of readings and offset, variance of its components by the pictures."""

    hours: float
    turned: Array
    seen: Array
    variance: Array


def calibration_from_moves(runs: Sequence[Sequence[Point]], state: StateKey | None = None) -> Calibration | None:
    """The calibration that past moves tell, or ``None`` when they are too few, too small or all of one kind.

    Args:
        runs: points in the order of time; each run is of one session, one side and one view, without a recall, a
            change of state or an unnoted move in between. Points need ``minutes``.
        state: what the calibration shall be valid for.
    """
    steps = [s for run in runs for a, b in pairwise(run) if (s := _step(a, b)) is not None]
    moves = [s for s in steps if s.turned.any()][-_MOST_MOVES:]
    if len(moves) < LEAST_MOVES or spread_condition(np.array([s.turned for s in moves])) > COLLINEAR:
        return None
    wander = _wander([s for s in steps if not s.turned.any()])
    kept = _agreeing(moves, wander)
    if len(kept) < LEAST_MOVES:
        return None
    try:
        fit = least_squares(*_equations(kept, wander))
    except CalibrationError:
        return None
    covariance = fit.covariance * max(fit.scale or 1.0, 1.0) ** 2
    a = fit.parameters.reshape(2, 2)
    if max(relative_doubts(a, covariance)) > 0.5:
        return None
    return Calibration(
        ((float(a[0, 0]), float(a[0, 1])), (float(a[1, 0]), float(a[1, 1]))),
        tuple(tuple(float(v) for v in row) for row in covariance),
        state or StateKey(),
        n_points=len(kept),
        chi2=fit.chi2,
        dof=fit.dof,
        note="from the moves of past sessions",
    )


def _equations(moves: Sequence[_Step], wander: float) -> tuple[Array, Array, Array]:
    """Design (2n, 4), changes seen (2n,) and their variances (2n,)."""
    return (
        np.concatenate([np.kron(np.eye(2), s.turned) for s in moves]),
        np.concatenate([s.seen for s in moves]),
        np.concatenate([s.variance + wander * s.hours for s in moves]),
    )


def _agreeing(moves: Sequence[_Step], wander: float) -> list[_Step]:
    """The moves that agree with most of the others.

    A wrong reading has leverage: least squares follows it. So every two moves (evenly chosen where they are many) are
    tried as the whole truth, and the matrix with the least median of squared residuals tells who is off (P. J.
    Rousseeuw, J. American Statistical Association 79:871–880, 1984, from memory).
    """
    turned = np.array([s.turned for s in moves])
    seen = np.array([s.seen for s in moves])
    sigma = np.sqrt(np.array([s.variance + wander * s.hours for s in moves]))
    i, j = np.triu_indices(len(moves), 1)
    chosen = np.unique(np.linspace(0, len(i) - 1, min(len(i), _MOST_PAIRS)).astype(int))
    i, j = i[chosen], j[chosen]
    two = np.stack([turned[i], turned[j]], axis=1)
    determinant = np.abs(np.linalg.det(two))
    apart = determinant > 0.2 * np.linalg.norm(turned[i], axis=1) * np.linalg.norm(turned[j], axis=1)
    if not apart.any():
        return list(moves)
    i, j, two = i[apart], j[apart], two[apart]
    matrices = np.linalg.solve(two, np.stack([seen[i], seen[j]], axis=1))  # rows of Aᵀ
    rest = (seen[None] - turned[None] @ matrices) / sigma[None]
    squares = (rest**2).sum(axis=2)
    medians = np.median(squares, axis=1)
    best = int(np.argmin(medians))
    # The median of χ² with two degrees of freedom is 2 ln 2; the factor corrects for few moves.
    scale = medians[best] / (2 * np.log(2)) * (1 + 5 / max(len(moves) - 2, 1)) ** 2
    return [s for s, square in zip(moves, squares[best], strict=True) if square <= _FAR**2 * max(scale, 1.0)]


def _step(a: Point, b: Point) -> _Step | None:
    if a.minutes is None or b.minutes is None:
        return None
    hours = (b.minutes - a.minutes) / 60.0
    if not 0.0 < hours <= MOST_H:
        return None
    variance = sum(np.array([(p.x_sigma or _UNKNOWN_SIGMA) ** 2, (p.y_sigma or _UNKNOWN_SIGMA) ** 2]) for p in (a, b))
    return _Step(hours, b.readings - a.readings, b.offset - a.offset, np.asarray(variance, dtype=np.float64))


def _wander(still: Sequence[_Step]) -> float:
    """Variance a hour and component, %²/h, of pairs without a move; the usual one where they are few."""
    usual = WANDER**2
    if not still:
        return usual
    each = [float(np.maximum(s.seen**2 - s.variance, 0.0).mean()) / s.hours for s in still]
    # As if three pairs had wandered as usual: one pair alone must not claim that the gun stands still.
    return max((3 * usual + sum(each)) / (3 + len(each)), 1e-4)
