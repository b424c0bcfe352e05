"""Step 4: the joint maximum-likelihood fit of both edges and all levels to the cells.

Minimizes Σ w·(mean − model)²·count/variance + prior by Levenberg–Marquardt with the forward model's analytic Jacobian;
variance is that of the camera at the model's level, so that with Gaussian noise of known variance this is the
maximum-likelihood estimate. Cells that no smooth picture explains lose their weight (a three-part redescending ψ,
Hampel 1974, J. Am. Stat. Assoc. 69:383, from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.forward import N_EDGE, Basis, evaluate, evaluate_with_jacobian, linear_rows, prepare
from ..scene import Noise
from .basis import LEAST_WIDTH, level_of_halo, prior_precision
from .cells import Cells

Array = NDArray[np.float64]

#: Damping at the start where place and light are known: more of it would slow down what trades with one another.
DAMPING = 1e-7
#: A sandwich σ counts where it exceeds the plain σ by this factor.
CLEARLY = 1.25


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted forward model.

    Attributes:
        basis: its frozen coordinates and orders.
        aperture, beam: six edge parameters each or ``None``.
        linear: background, halo and beam coefficients, gray levels.
        normal: the normal matrix JᵀWJ + prior at the solution (inverse = covariance for χ² = 1).
        cost: the minimized sum.
        z: standardized residual of each cell.
        weight: robust weight of each cell, 0 to 1.
        sigma: standard deviation of each cell's mean.
        jacobian: shape (m, n).
        converged: whether the last step was small.
        free: indices of the edge parameters that were free.
    """

    basis: Basis
    aperture: Array | None
    beam: Array | None
    linear: Array
    normal: Array
    cost: float
    z: Array
    weight: Array
    sigma: Array
    jacobian: Array
    converged: bool

    @property
    def n_edges(self) -> int:
        """Number of edge parameters."""
        return N_EDGE * ((self.aperture is not None) + (self.beam is not None))

    @property
    def parameters(self) -> Array:
        """All parameters in the Jacobian's order."""
        return np.concatenate([p for p in (self.aperture, self.beam, self.linear) if p is not None])


def beam_is_brighter(fit: Fit) -> bool:
    """Whether the beam has light of its own and more of it than the halo near the aperture's edge."""
    nb, nh, np_ = fit.basis.counts
    if not np_ or not nh:
        return True
    level = float(fit.linear[nb + nh])
    return level > 0 and level_of_halo(fit.basis, fit.linear) < level


def spread_in(z: Array) -> float:
    """Robust standard deviation of residuals: 1.4826 × the median size (1 for normal ones)."""
    size = np.abs(z)
    middle = len(size) // 2
    return 1.4826 * float(np.partition(size, middle)[middle]) if len(size) else 0.0


def hampel(z: Array, a: float = 3.0, c: float = 8.0) -> Array:
    """Weights: 1 up to ``a``, falling to 0 at ``c``."""
    r = np.abs(z)
    out: Array = np.clip((c - r) / (c - a), 0.0, 1.0)
    out[r <= a] = 1.0
    return out


def huber(z: Array, a: float = 3.0) -> Array:
    """Weights: 1 up to ``a``, then a/|z|: bounded influence that still pulls an edge from afar (Huber 1964)."""
    r = np.abs(z)
    return np.where(r <= a, 1.0, a / np.maximum(r, a))


def refine(
    cells: Cells,
    basis: Basis,
    aperture: Array | None,
    beam: Array | None,
    noise: Noise,
    *,
    linear: Array | None = None,
    iterations: int = 12,
    tolerance: float = 0.05,
    scale: float = 1e9,
    discrepancy: float = 0.0,
    settled: bool = True,
    pinned: tuple[int, ...] = (),
    close: float = 0.0,
    halo_level: float = 0.0,
) -> Fit:
    """Fit the forward model to cells.

    Args:
        cells: the picture.
        basis: orders and frozen coordinates.
        aperture, beam: start values (six each), or ``None`` for an edge that is not there.
        noise: the camera's noise.
        linear: start of the linear coefficients; solved for when ``None``.
        iterations: most steps.
        tolerance: stop when every edge parameter's step is under this share of its σ.
        scale: prior 1σ of slopes and curvatures, gray levels.
        discrepancy: relative 1σ of the smooth light that the polynomials may miss in cells away from edges.
        settled: whether the start is good enough for cells far from the model to lose all their weight. If not, they
            keep a bounded pull, by which a misplaced edge finds its way.
        pinned: edge parameters (by index) that are kept at their start.
        close: stop, too, when an edge moves by less than this share of its width in a step (for a fit that only looks
            for the place).
        halo_level: about how bright the halo is, gray levels; taken from ``linear`` if 0.
    """
    narrow = min(float(e[5]) for e in (aperture, beam) if e is not None)
    if halo_level == 0.0:
        halo_level = level_of_halo(basis, linear)
    precision, n_edges = prior_precision(basis, scale, max(narrow, LEAST_WIDTH), halo_level)
    edges = np.concatenate([p for p in (aperture, beam) if p is not None])
    has_a, has_b = aperture is not None, beam is not None
    start_edges = edges.copy()

    def split(p: Array) -> tuple[Array | None, Array | None]:
        a = p[:N_EDGE] if has_a else None
        b = p[n_edges - N_EDGE : n_edges] if has_b else None
        return a, b

    missed = np.where(cells.near, 0.0, discrepancy**2)

    def sigma_at(model: Array) -> Array:
        light = np.maximum(model - noise.bias, 0.0)
        return np.asarray(np.sqrt(noise.mean_variance(model, cells.count) + missed * light * light))

    sigma = np.maximum(sigma_at(cells.mean), 1e-12 * max(scale, 1e-300))
    terms = prepare(basis, cells.at)
    if linear is None:
        linear = _solve_linear(cells, linear_rows(basis, cells.at, *split(edges), terms), sigma, precision[n_edges:])
        if not np.isfinite(linear).all():
            linear = np.zeros(basis.n_linear)
    weight = np.ones(len(cells))
    p = np.concatenate([edges, linear])
    model, jacobian = evaluate_with_jacobian(basis, cells.at, *split(p[:n_edges]), p[n_edges:], terms)
    sigma = sigma_at(model)
    damping = DAMPING if settled else 1e-3
    converged = False
    free = np.ones(len(p), dtype=bool)
    free[list(pinned)] = False

    def weights(z: Array) -> Array:
        z = z / max(1.0, spread_in(z))
        return hampel(z) if settled else huber(z)

    def cost_of(model: Array, p: Array) -> float:
        z = (cells.mean - model) / sigma
        prior = float((precision * p * p).sum())
        return float((weight * z * z).sum()) + prior

    for _ in range(iterations):
        z = (cells.mean - model) / sigma
        weight = weights(z)
        cost = cost_of(model, p)
        scaled, normal = _normal(jacobian, weight, sigma, precision)
        gradient = scaled @ (z * np.sqrt(weight))
        gradient -= precision * p
        normal[~free, :] = 0.0
        normal[:, ~free] = 0.0
        normal[~free, ~free] = 1.0
        gradient[~free] = 0.0
        moved = False
        for attempt in range(6):
            step = solve(normal, gradient, damping)
            if not np.isfinite(step).all():
                break
            trial = p + step
            trial[:n_edges] = bounded(trial[:n_edges], start_edges)
            at = (basis, cells.at, *split(trial[:n_edges]), trial[n_edges:], terms)
            if attempt == 0:  # mostly taken, and then its Jacobian is needed
                t_model, t_jacobian = evaluate_with_jacobian(*at)
            else:
                t_model, t_jacobian = evaluate(*at), None
            t_cost = cost_of(t_model, trial)
            if t_cost <= cost * (1 + 1e-12) + 1e-9:
                moved = True
                break
            if t_cost - cost < 1e-6 * cost and _in_sigmas(step[:n_edges], normal).max(initial=0.0) < tolerance:
                break  # at the bottom, but for rounding
            damping = max(damping, 1e-4) * 10
        if not moved:
            converged = True
            break
        step = (trial - p)[:n_edges]
        size = _in_sigmas(step, normal)
        if close > 0:
            size = np.where(np.abs(step) < close * _place_scale(p[:n_edges]), 0.0, size)
        if t_jacobian is None:
            t_model, t_jacobian = evaluate_with_jacobian(*at)
        p, model, jacobian = trial, t_model, t_jacobian
        sigma = sigma_at(model)
        damping = max(damping * 0.1, 1e-9)
        if float(size.max(initial=0.0)) < tolerance:
            converged = True
            break
    z = (cells.mean - model) / sigma
    weight = weights(z)
    _, normal = _normal(jacobian, weight, sigma, precision)
    normal[~free, :] = 0.0
    normal[:, ~free] = 0.0
    normal[~free, ~free] = 1e12
    a, b = split(p[:n_edges])
    return Fit(basis, a, b, p[n_edges:], normal, cost_of(model, p), z, weight, sigma, jacobian, converged)


def robust_cost(fit: Fit, spread: float, most: float = 8.0) -> float:
    """Sum of squared standardized residuals in units of ``spread``², each counted up to ``most``²."""
    return float(np.minimum((fit.z / spread) ** 2, most**2).sum())


def promised(fit: Fit, cells: Cells, basis: Basis, linear: Array, scale: float) -> float:
    """By how much the cost would fall in one linear step with a richer light: gᵀN⁻¹g (Rao's score test: Rao 1948,
    Proc. Camb. Phil. Soc. 44:50, from memory).

    Args:
        fit: the plainer fit.
        cells: what it was fitted to.
        basis, linear: the richer light, starting where the plainer one ended.
        scale: prior 1σ of slopes and curvatures, gray levels.
    """
    narrow = min(float(e[5]) for e in (fit.aperture, fit.beam) if e is not None)
    precision, _ = prior_precision(basis, scale, max(narrow, LEAST_WIDTH), level_of_halo(fit.basis, fit.linear))
    model, jacobian = evaluate_with_jacobian(basis, cells.at, fit.aperture, fit.beam, linear)
    p = np.concatenate([e for e in (fit.aperture, fit.beam, linear) if e is not None])
    scaled, normal = _normal(jacobian, fit.weight, fit.sigma, precision)
    gradient = scaled @ ((cells.mean - model) / fit.sigma * np.sqrt(fit.weight)) - precision * p
    step = solve(normal, gradient, 0.0)
    return float(gradient @ step) if np.isfinite(step).all() else 0.0


def _in_sigmas(step: Array, normal: Array) -> Array:
    """The size of the first parameters' steps, in units of what their curvature alone allows."""
    return np.asarray(np.abs(step) * np.sqrt(np.maximum(np.diag(normal)[: len(step)], 0.0)))


def _place_scale(edges: Array) -> Array:
    """By how much each edge parameter must change for the edge to move by its own width somewhere."""
    out = np.empty(len(edges))
    for s in range(0, len(edges), N_EDGE):
        width = max(float(edges[s + 5]), 0.5)
        out[s : s + N_EDGE] = width
        out[s + 3 : s + 5] = width / edges[s + 2]
    return out


def bounded(edges: Array, start: Array) -> Array:
    """Keep radii, widths and ellipticities where an edge still is one."""
    out = edges.copy()
    for s in range(0, len(out), N_EDGE):
        r0 = start[s + 2]
        out[s + 2] = np.clip(out[s + 2], 0.5 * r0, 2.0 * r0)
        out[s + 5] = np.clip(out[s + 5], LEAST_WIDTH, max(0.5 * r0, LEAST_WIDTH))
        e = float(np.hypot(out[s + 3], out[s + 4]))
        if e > 0.45:
            out[s + 3 : s + 5] *= 0.45 / e
    return out


def _normal(jacobian: Array, weight: Array, sigma: Array, precision: Array) -> tuple[Array, Array]:
    """The Jacobian in units of weighted noise, and the normal matrix with the prior."""
    scaled = jacobian * (np.sqrt(weight) / sigma)
    normal = scaled @ scaled.T
    normal.flat[:: len(normal) + 1] += precision
    return scaled, normal


def solve(normal: Array, gradient: Array, damping: float) -> Array:
    """The step that a damped normal matrix takes against a gradient; NaN where it has none."""
    d = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / d[:, None] / d
    scaled.flat[:: len(scaled) + 1] += damping + 1e-12
    try:
        out: Array = np.linalg.solve(scaled, gradient / d) / d
    except np.linalg.LinAlgError:
        return np.full_like(gradient, np.nan)
    return out


def _solve_linear(cells: Cells, rows: Array, sigma: Array, precision: Array) -> Array:
    """The linear coefficients of a model that is their sum over ``rows``."""
    rows = rows / sigma
    normal = rows @ rows.T
    normal.flat[:: len(normal) + 1] += precision
    return solve(normal, rows @ (cells.mean / sigma), 0.0)


def covariance_of(fit: Fit, cells: Cells, spread: float) -> Array:
    """Covariance of all parameters, model error included.

    The inverse normal matrix times spread², enlarged for each parameter by what neighboring residuals have in common:
    the cluster-robust (sandwich) covariance over tiles (Liang & Zeger 1986, Biometrika 73:13, from memory) counts where
    it clearly exceeds the plain one. Over some hundred tiles it scatters by a tenth, which the threshold allows for.
    """
    inverse = np.asarray(np.linalg.inv(fit.normal), dtype=np.float64)
    return clustered(inverse, fit.jacobian * (fit.weight * fit.z / fit.sigma), cells.tile, spread, CLEARLY)


def clustered(inverse: Array, pull: Array, tile: NDArray[np.intp], spread: float, clearly: float) -> Array:
    """An inverse normal matrix times spread², enlarged for each parameter whose cluster-robust σ exceeds that by a factor.

    Args:
        inverse: shape (n, n).
        pull: what each cell pulls each parameter by (its term of the gradient), shape (n, m).
        tile: of each cell, tile by tile.
        spread: of the residuals.
        clearly: the factor.
    """
    # Cells come tile by tile, so that the sums over tiles are those between their first cells.
    scores = np.add.reduceat(pull, np.flatnonzero(np.diff(tile, prepend=-1)), axis=1)
    robust = inverse @ (scores @ scores.T) @ inverse
    plain = inverse * spread**2
    ratio = np.sqrt(np.maximum(np.diag(robust), 0.0) / np.maximum(np.diag(plain), 1e-300))
    grow = np.where(ratio > clearly, ratio, 1.0)
    return np.asarray(plain * grow[:, None] * grow, dtype=np.float64)
