"""The damped least squares that circles and ellipses share (Levenberg 1944, Marquardt 1963, from memory)."""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SLACK = 1e-12  # rounding of the sum at the bottom must not stop steps that still help the parameters


def least_distances(
    start: Array,
    weights: Array,
    distances: Callable[[Array], tuple[Array, Any]],
    jacobian: Callable[[Array, Any], Array],
    settled: Callable[[Array, Array], bool],
    *,
    allowed: Callable[[Array], bool] = lambda _: True,
    damping: float = 1e-6,
    max_iterations: int,
) -> tuple[Array, int, bool]:
    """The parameters of the smallest weighted sum of squared distances.

    Args:
        start: parameters to start from, shape (k,).
        weights: of the points, shape (n,).
        distances: parameters → (signed distances (n,), whatever the Jacobian needs of the same evaluation).
        jacobian: (parameters, that) → derivatives of the distances, shape (n, k).
        settled: (last step, parameters) → whether it is small enough to stop.
        allowed: parameters that may be tried.
        damping: to begin with, share of the normal matrix's diagonal.
        max_iterations: steps before it gives up.

    Returns:
        parameters, number of steps, whether it settled (or no step in any direction lowers the sum any more).
    """
    v = np.array(start, dtype=np.float64)
    f, seen = distances(v)
    total = float(weights @ (f * f))
    for iteration in range(1, max_iterations + 1):
        j = jacobian(v, seen)
        jw = j * weights[:, None]
        normal, gradient = jw.T @ j, jw.T @ f
        step: Array | None = None
        while damping < 1e12:
            try:
                damped = normal + damping * np.diag(np.diag(normal) + 1e-300)
                step = np.asarray(np.linalg.solve(damped, -gradient), dtype=np.float64)
            except np.linalg.LinAlgError:
                step = None
            if step is not None and allowed(v + step):
                new_f, new_seen = distances(v + step)
                new_total = float(weights @ (new_f * new_f))
                if new_total <= total * (1 + _SLACK):
                    break
            step = None
            damping *= 10
        if step is None:
            return v, iteration, True
        v, f, seen, total = v + step, new_f, new_seen, new_total
        damping = max(damping * 0.1, 1e-15)
        if settled(step, v):
            return v, iteration, True
    return v, max_iterations, False
