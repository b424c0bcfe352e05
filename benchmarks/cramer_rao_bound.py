"""The Cramér–Rao bound of both edges of a simulated picture: formulas.

Fisher matrix: F = Σ over pixels of J Jᵀ/V, with J the change of a pixel's mean with each parameter and V = λ + s² its
variance in electrons² (λ detected electrons, s² read noise and rounding): what any estimator from means and variances can
know (Godambe 1960, Ann. Math. Stat. 31:1208, from memory). The counts' whole distribution holds a little more where light
and read noise are both under an electron; :func:`information` gives that, too.

The mean is the simulator's own, point-sampled at pixel centers as the simulator does, so that nothing has to be integrated
over pixels. Parameters are those of the engine's fit: both edges' six, and the coefficients of background, halo, beam and
the term of a shared blur. The fit's weak priors (ellipticity, slopes and curvatures) count as information: without them the
bound of a picture that says little would be far above what the fit can do, and easy to keep.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import lgamma, log, sqrt

import numpy as np
from numpy.typing import NDArray

from apertrue.assess.geometry import gradient, plane_offset, steps_for
from apertrue.locate.basis import basis_for, prior_precision
from apertrue.model.edges import distance, step_with_derivatives
from apertrue.model.forward import Basis, Points, evaluate_with_jacobian
from apertrue.scene import Edge
from apertrue.simulate import Recipe
from apertrue.simulate.light import Profile, blurred_edge, halo_at, profile_of

Array = NDArray[np.float64]

#: Half-width of the band around an edge whose pixels count one by one, in edge widths: beyond, the step's slope is under
#: 1e-5 of its largest, and the light a polynomial.
REACH = 5.0
#: Derived quantities after the twelve edge parameters.
DERIVED = ("offset_x_px", "offset_y_px", "offset_x_percent", "offset_y_percent")
#: Names of all bounded quantities, in the registry's words where it has them.
NAMES = (
    "aperture_x_px", "aperture_y_px", "aperture_radius_px", "aperture_e1", "aperture_e2", "aperture_edge_px",
    "beam_x_px", "beam_y_px", "beam_radius_px", "beam_e1", "beam_e2", "beam_edge_px", *DERIVED,
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Pixels and blocks of pixels that stand for the whole picture; arrays of shape (n,).

    Attributes:
        x, y: centers, px.
        count: pixels of each.
    """

    x: Array
    y: Array
    count: Array


def all_pixels(recipe: Recipe) -> Places:
    """Every pixel on its own."""
    y, x = (v.ravel().astype(float) for v in np.mgrid[0 : recipe.rows, 0 : recipe.columns])
    return Places(x, y, np.ones_like(x))


def places(recipe: Recipe, block: int = 0, reach: float = REACH) -> Places:
    """Pixels near the edges one by one, blocks elsewhere.

    Away from both edges the mean is a polynomial and its change with the edges' parameters nothing, so that a block's
    middle stands for its pixels: over a block of b px the terms change by b/R, of which the mean square misses
    (b/R)²/12, under 0.1 % (a test compares with all pixels).

    Args:
        recipe: the picture.
        block: side of a block, px; 0 = a sixteenth of the smaller radius, 16 at most.
        reach: half-width of the bands, edge widths.
    """
    edges = seen_edges(recipe)
    size = block or int(np.clip(min(e[2] for e in edges) / 16, 2, 16))
    rows, columns = recipe.rows, recipe.columns
    h, w = -(-rows // size), -(-columns // size)
    top, left = np.arange(h) * size, np.arange(w) * size
    bottom, right = np.minimum(top + size, rows), np.minimum(left + size, columns)
    cy, cx = (top + bottom - 1) / 2, (left + right - 1) / 2
    gx, gy = (v.ravel() for v in np.meshgrid(cx, cy))
    near = np.zeros(h * w, dtype=bool)
    for edge in edges:
        stretch = sqrt((1 + np.hypot(edge[3], edge[4])) / (1 - np.hypot(edge[3], edge[4])))
        near |= np.abs(distance(gx, gy, edge)) < stretch * (reach * edge[5] + 0.75 * size)
    count = np.outer(bottom - top, right - left).ravel().astype(float)
    fine = near.reshape(h, w)
    y, x = np.nonzero(np.repeat(np.repeat(fine, size, axis=0), size, axis=1)[:rows, :columns])
    far = ~near
    return Places(
        np.concatenate([x.astype(float), gx[far]]),
        np.concatenate([y.astype(float), gy[far]]),
        np.concatenate([np.ones(len(x)), count[far]]),
    )


def as_array(edge: Edge) -> Array:
    """An edge's six parameters."""
    return np.array([edge.x, edge.y, edge.radius, edge.e1, edge.e2, edge.width])


def seen_edges(recipe: Recipe) -> tuple[Array, Array]:
    """Aperture's and beam's six parameters as the picture shows them."""
    blur = recipe.total_blur_px
    return as_array(blurred_edge(recipe.aperture, blur)), as_array(blurred_edge(recipe.beam, blur))


def true_basis(recipe: Recipe, like: Basis | None = None) -> Basis:
    """The fit's basis with its frozen coordinates at the true edges.

    Args:
        recipe: the picture.
        like: a basis whose orders are taken; the engine's plain one when ``None``.
    """
    at = basis_for(*seen_edges(recipe))
    return at if like is None else replace(like, aperture=at.aperture, beam=at.beam)


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The model at places.

    Attributes:
        mean: electrons per pixel, shape (n,).
        jacobian: its change with aperture (6), beam (6) and the basis' coefficients (electrons), shape (m, n).
    """

    mean: Array
    jacobian: Array


def rows_at(recipe: Recipe, basis: Basis, x: Array, y: Array, profile: Profile | None = None) -> Rows:
    """The simulator's light at places and its change with the fit's parameters.

    Only plain edges (no fringes, bars, dirt); the camera's blur is taken into the edges' widths and radii, which is
    exact away from where both edges meet.
    """
    aperture, beam = seen_edges(recipe)
    to_plane = np.linalg.inv(recipe.aperture_radius_px * recipe.view)
    to_beam = np.linalg.inv(recipe.beam_seen)
    cx, cy = recipe.center
    px, py = to_plane @ np.stack([x - cx, y - cy])
    xi, eta = to_beam @ np.stack([x - beam[0], y - beam[1]])
    light = recipe.peak_electrons * (profile or profile_of(recipe))(xi, eta)
    halo = recipe.peak_electrons * halo_at(recipe, px, py)
    level = (
        recipe.background_level
        + recipe.background_slope_x * (x / max(recipe.columns - 1, 1) - 0.5)
        + recipe.background_slope_y * (y / max(recipe.rows - 1, 1) - 0.5)
    )
    phi_a, d_a, slope_a = step_with_derivatives(x, y, aperture)
    phi_b, d_b, slope_b = step_with_derivatives(x, y, beam)
    inside = halo + phi_b * light
    mean = phi_a * inside + recipe.peak_electrons * np.maximum(level, 0.0) + recipe.background_electrons
    t_background, t_halo, t_beam = basis.polynomials(x, y)
    parts = [d_a * inside, d_b * (phi_a * light), t_background, t_halo * phi_a, t_beam * (phi_a * phi_b)]
    if basis.meeting:
        x1, y1, x2, y2 = x - aperture[0], y - aperture[1], x - beam[0], y - beam[1]
        cosine = (x1 * x2 + y1 * y2) / np.sqrt((x1 * x1 + y1 * y1) * (x2 * x2 + y2 * y2) + 1e-24)
        parts.append((cosine * slope_a * slope_b)[None])
    return Rows(mean, np.concatenate(parts))


def priors(recipe: Recipe, basis: Basis) -> Array:
    """Precision of the fit's weak priors, in the Jacobian's order and units (electrons); the engine's own function."""
    scale = recipe.peak_electrons * (1 + recipe.halo_level)
    narrow = max(min(float(e[5]) for e in seen_edges(recipe)), 0.2)
    t = np.arange(16) * (np.pi / 8)
    level = recipe.peak_electrons * float(np.median(halo_at(recipe, 0.9 * np.cos(t), 0.9 * np.sin(t))))
    precision: Array = prior_precision(basis, scale, narrow, level)[0]
    return precision


def dark_variance(recipe: Recipe) -> float:
    """Variance of a pixel without light: read noise and rounding to whole gray levels, electrons²."""
    rounding = 0.0 if recipe.bits == 32 else 1 / 12
    return (recipe.read_noise**2 + rounding) / recipe.gain**2


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What a picture can tell of the fit's parameters.

    Attributes:
        fisher: the Fisher matrix, shape (m, m).
        pull: Jᵀ·(light)/V of the noiseless picture, shape (m,): where its light pulls the fit, see :func:`biases`.
    """

    fisher: Array
    pull: Array


def known(
    recipe: Recipe,
    basis: Basis,
    at: Places | None = None,
    *,
    prior: bool = True,
    weight: Callable[[Array], Array] | None = None,
) -> Known:
    """Fisher matrix of the fit's parameters: aperture (6), beam (6), the basis' coefficients.

    Args:
        recipe: the picture.
        basis: which light is free, see :func:`true_basis`.
        at: places that stand for the picture; :func:`places` when ``None``.
        prior: whether the fit's weak priors count.
        weight: information of a pixel on its mean, electrons → 1/electrons²; 1/(λ + s²) when ``None``.
    """
    where = at or places(recipe)
    s2 = dark_variance(recipe)
    total = np.zeros((12 + basis.n_linear,) * 2)
    pull = np.zeros(len(total))
    strip = 60_000
    for k in range(0, len(where.x), strip):
        part = slice(k, k + strip)
        rows = rows_at(recipe, basis, where.x[part], where.y[part])
        w = 1 / (rows.mean + s2) if weight is None else weight(rows.mean)
        root = np.sqrt(w * where.count[part])
        scaled = rows.jacobian * root
        total += scaled @ scaled.T
        pull += scaled @ (rows.mean * root)
    if prior:
        total[np.diag_indices_from(total)] += priors(recipe, basis)
    return Known(total, pull)


def inverse(matrix: Array) -> Array:
    """Inverse of a symmetric positive matrix, scaled to unit diagonal first (its entries differ by many powers of ten)."""
    d = np.sqrt(np.diag(matrix))
    return np.linalg.inv(matrix / d[:, None] / d) / d[:, None] / d


def _derivatives(p: Array) -> Array:
    """Change of :data:`NAMES` with the twelve edge parameters."""

    def derived(q: Array) -> Array:
        return np.concatenate([q, q[..., 6:8] - q[..., 0:2], 100 * plane_offset(q)], axis=-1)

    return gradient(derived, p, steps_for(p))


def bounds(recipe: Recipe, matrix: Array) -> dict[str, float]:
    """1σ bounds of all edge parameters and of the offset by name (:data:`NAMES`), from the Fisher matrix."""
    covariance = inverse(matrix)[:12, :12]
    jacobian = _derivatives(np.concatenate(seen_edges(recipe)))
    sigma = np.sqrt(np.einsum("ij,jk,ik->i", jacobian, covariance, jacobian))
    return {name: float(s) for name, s in zip(NAMES, sigma, strict=True)}


def biases(recipe: Recipe, what: Known) -> dict[str, float]:
    """By how much the best fit to the noiseless picture is off, by name (:data:`NAMES`), to first order.

    Zero where the basis holds the picture's light; else what its misfit does to the edges: the weighted least-squares
    fit of all columns of the Jacobian to the light itself, of which the edges' part is the error.
    """
    off = (inverse(what.fisher) @ what.pull)[:12]
    jacobian = _derivatives(np.concatenate(seen_edges(recipe)))
    return {name: float(v) for name, v in zip(NAMES, jacobian @ off, strict=True)}


def truths(recipe: Recipe) -> dict[str, float]:
    """True values of the bounded quantities by name."""
    p = np.concatenate(seen_edges(recipe))
    offset = np.concatenate([p[6:8] - p[0:2], 100 * plane_offset(p)])
    return {name: float(v) for name, v in zip(NAMES, [*p, *offset], strict=True)}


def information(recipe: Recipe, most: float = 40.0) -> Callable[[Array], Array]:
    """Information of one pixel's whole distribution on its mean light, as a function of that light (electrons).

    A pixel's gray level is Poisson counts times the gain plus normal noise: I(λ) = ∫ (∂p/∂λ)²/p. Tabulated up to ``most``
    electrons, beyond which 1/(λ + s²) is within 0.2 % of it at any read noise. Rounding counts as normal noise.
    """
    s2 = dark_variance(recipe)
    s = max(sqrt(s2), 0.05)  # sharper noise tells the counts apart anyhow
    at = np.logspace(-6, log(most) / log(10), 80)
    k = np.arange(int(most + 12 * sqrt(most)) + 2)
    dy = s / 6  # a sum over a smooth function that vanishes at both ends is exact far beyond need
    y = np.arange(-7 * s, k[-1] + 7 * s, dy)
    density = np.exp(-0.5 * ((y[:, None] - k) / s) ** 2) / (s * sqrt(2 * np.pi))
    log_factorial = np.array([lgamma(v + 1) for v in k])
    table = []
    for lam in at:
        p = np.exp(k * log(lam) - lam - log_factorial)
        below = np.concatenate([[0.0], p[:-1]])  # ∂P(k)/∂λ = P(k − 1) − P(k)
        f, g = density @ p, density @ (below - p)
        ok = f > 1e-250
        table.append(float(np.sum(g[ok] ** 2 / f[ok]) * dy))
    values = np.array(table)

    def weight(mean: Array) -> Array:
        plain = 1 / (mean + s2)
        low = np.interp(np.log(np.maximum(mean, 1e-12)), np.log(at), values * (at + s2)) * plain
        return np.where(mean < most, np.maximum(low, plain), plain)

    return weight


def block_means(pixels: NDArray[np.generic], recipe: Recipe, at: Places) -> Array:
    """Mean gray level of each place (see :func:`places`), as electrons, shape (n,)."""
    values = np.empty(len(at.x))
    single = at.count == 1
    values[single] = pixels[at.y[single].astype(int), at.x[single].astype(int)]
    sums = np.zeros((recipe.rows + 1, recipe.columns + 1))
    np.cumsum(np.cumsum(pixels.astype(float), axis=0), axis=1, out=sums[1:, 1:])
    x, y, n = at.x[~single], at.y[~single], at.count[~single]
    # A block's sides follow from its middle and count only if it is square; those at the rim need not be.
    size = float(np.sqrt(at.count.max()))
    left, top = np.floor(x / size) * size, np.floor(y / size) * size
    right, bottom = np.minimum(left + size, recipe.columns), np.minimum(top + size, recipe.rows)
    l, t, r, b = (v.astype(int) for v in (left, top, right, bottom))
    values[~single] = (sums[b, r] - sums[t, r] - sums[b, l] + sums[t, l]) / n
    return (values - recipe.bias) / recipe.gain


def ideal_fit(pixels: NDArray[np.generic], recipe: Recipe, basis: Basis, steps: int = 8) -> dict[str, float]:
    """Maximum-likelihood fit to all pixels from the truth, with true noise: errors by name (:data:`NAMES`).

    What can be had at best with this basis: compares an engine's loss with chance and with what the basis lacks.
    """
    at = places(recipe)
    data = block_means(pixels, recipe, at)
    edges = np.concatenate(seen_edges(recipe))
    points = Points.at(at.x, at.y)
    mean = rows_at(recipe, basis, at.x, at.y).mean
    sigma = np.sqrt((mean + dark_variance(recipe)) / at.count)
    prior = priors(recipe, basis)
    p = np.concatenate([edges, np.zeros(basis.n_linear)])
    for k in range(steps):
        model, jacobian = evaluate_with_jacobian(basis, points, p[:6], p[6:12], p[12:])
        free = slice(12 if k == 0 else 0, None)  # first the levels alone
        scaled = jacobian[free] / sigma
        normal = scaled @ scaled.T
        normal[np.diag_indices_from(normal)] += prior[free]
        step = inverse(normal) @ (scaled @ ((data - model) / sigma) - prior[free] * p[free])
        p[free] += step
        p[[5, 11]] = np.maximum(p[[5, 11]], 0.1)
        if k > 1 and float(np.max(np.abs(step[:12]) * np.sqrt(np.diag(normal)[:12]))) < 1e-3:
            break
    offset = np.concatenate([p[6:8] - p[0:2], 100 * plane_offset(p[:12])])
    truth = truths(recipe)
    return {name: float(v) - truth[name] for name, v in zip(NAMES, [*p[:12], *offset], strict=True)}
