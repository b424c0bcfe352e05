"""The one forward model: picture = background + aperture × [halo + beam], each edge a blurred step.

Background is a plane, the halo a quadratic in the aperture's coordinates, the beam a tilted radial polynomial in its own
coordinates. The estimator fits it, the simulator renders it, the Cramér–Rao bound is taken from it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .edges import distance, step_with_derivatives
from .glow import Glow
from .normal import cdf_pdf

Array = NDArray[np.float64]

#: Number of parameters of one edge.
N_EDGE = 6
#: Steepness of the halo's decaying terms.
DECAYS = (2.0, 10.0)


@dataclass(frozen=True, slots=True)
class Basis:
    """Frozen coordinates and orders of the linear part.

    Attributes:
        aperture: (x, y, radius) in whose units background and halo are written, px.
        beam: (x, y, radius, e1, e2) in whose round units the beam's light is written, px.
        background: order of the background polynomial (0 constant, 1 plane).
        halo: order of the halo polynomial: 0, 1 or 2; 3 for a cubic with the fourth power of the distance from the
            aperture's center beside; 4 for all of the fourth order and the fifth's dipole beside; -1 for none.
        radial: number of even radial powers ρ², ρ⁴, … of the beam's light.
        tilt: whether the beam's light has a linear tilt.
        meeting: whether the term of a blur shared by both edges is in (one coefficient, after the beam's).
        decays: number of halo terms 1/(1 + k·d²) around the beam, flat under it, d in aperture radii, k from :data:`DECAYS`.
        has_beam: whether there is a beam with an edge of its own.
        has_aperture: whether there is an aperture edge.
        glow: the terms of glow beside the background, if any.
    """

    aperture: tuple[float, float, float]
    beam: tuple[float, float, float, float, float]
    background: int = 1
    halo: int = 2
    radial: int = 2
    tilt: bool = True
    decays: int = 0
    meeting: bool = False
    has_beam: bool = True
    has_aperture: bool = True
    glow: Glow | None = None

    @property
    def n_glow(self) -> int:
        """Number of glow's coefficients, the last ones of the background's."""
        return 0 if self.glow is None else len(self.glow)

    @property
    def counts(self) -> tuple[int, int, int]:
        """Numbers of background, halo and beam coefficients."""
        background = {0: 1, 1: 3, 2: 6}[self.background] + self.n_glow
        halo = {-1: 0, 0: 1, 1: 3, 2: 6, 3: 11, 4: 17}[self.halo] + (self.decays if self.halo >= 0 else 0)
        beam = (1 + self.radial + 2 * self.tilt) if self.has_beam else 0
        return background, halo, beam

    @property
    def n_linear(self) -> int:
        """Number of linear coefficients."""
        return sum(self.counts) + self.meeting

    def polynomials(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Values of the background, halo and beam polynomials at points.

        Args:
            x, y: coordinates, px, shape (n,).

        Returns:
            three arrays of shapes (n_background, n), (n_halo, n), (n_beam, n); dimensionless.
        """
        ax, ay, ar = self.aperture
        xa, ya = (x - ax) / ar, (y - ay) / ar
        one = np.ones_like(x)
        full = [one, xa, ya]
        n_background, n_halo, _ = self.counts
        n_background -= self.n_glow
        n_polynomial = n_halo - self.decays if n_halo else 0
        if max(n_background, n_polynomial) > 3:
            full += [xa * xa, xa * ya, ya * ya]
        if n_polynomial > 6:
            xx, yy = full[3], full[5]
            r2 = xx + yy
            full += [xx * xa, xx * ya, yy * xa, yy * ya, r2 * r2]
        if n_polynomial > 11:
            xy, across = full[4], xx - yy
            full += [across * r2, xy * r2, across * across - 4 * xy * xy, across * xy, r2 * r2 * xa, r2 * r2 * ya]
        background = np.array(full[:n_background])
        if self.glow is not None:
            background = np.concatenate([background, self.glow.at(x, y)])
        rows = full[:n_polynomial]
        if n_halo and self.decays:
            # Flat under the beam, where the halo can't be seen: else it would trade light with the beam.
            d2 = np.maximum((x - self.beam[0]) ** 2 + (y - self.beam[1]) ** 2, self.beam[2] ** 2) / (ar * ar)
            rows = rows + [1.0 / (1.0 + k * d2) for k in DECAYS[: self.decays]]
        halo = np.array(rows) if rows else np.empty((0, x.size))
        if not self.has_beam:
            return background, halo, np.empty((0, x.size))
        bx, by, br, e1, e2 = self.beam
        n = 1.0 / (np.sqrt(1 - e1 * e1 - e2 * e2) * br)
        d1, d2 = x - bx, y - by
        xi, eta = ((1 - e1) * d1 - e2 * d2) * n, ((1 + e1) * d2 - e2 * d1) * n
        rows = [one]
        if self.radial:
            rho2 = xi * xi + eta * eta
            power = one
            for _ in range(self.radial):
                power = power * rho2
                rows.append(power)
        if self.tilt:
            rows += [xi, eta]
        return background, halo, np.array(rows)


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Where the model is evaluated; all arrays of shape (n,), px.

    A single pixel has one place. A cell that sums pixels of a curved band has three: the mean place for the smooth
    light, and for each edge a place whose distance from it is the mean distance of the cell's pixels.
    """

    x: Array
    y: Array
    aperture_x: Array
    aperture_y: Array
    beam_x: Array
    beam_y: Array

    @classmethod
    def at(cls, x: Array, y: Array) -> "Points":
        """Single pixels."""
        return cls(x, y, x, y, x, y)

    def __getitem__(self, index: NDArray[np.bool_] | NDArray[np.intp]) -> "Points":
        """The points at ``index``."""
        return Points(
            self.x[index],
            self.y[index],
            self.aperture_x[index],
            self.aperture_y[index],
            self.beam_x[index],
            self.beam_y[index],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """What the model needs at points that does not change with its parameters.

    Attributes:
        background, halo, beam: the basis' polynomials, shapes (n_background, n), (n_halo, n), (n_beam, n).
        cosine: of the angle between both edges' normals, shape (n,); ``None`` without the meeting term.
    """

    background: Array
    halo: Array
    beam: Array
    cosine: Array | None


def prepare(basis: Basis, at: Points) -> Prepared:
    """The basis at points."""
    cosine = None
    if basis.meeting:
        (ax, ay, _), (bx, by, *_) = basis.aperture, basis.beam
        x1, y1, x2, y2 = at.x - ax, at.y - ay, at.x - bx, at.y - by
        cosine = (x1 * x2 + y1 * y2) / np.sqrt((x1 * x1 + y1 * y1) * (x2 * x2 + y2 * y2) + 1e-24)
    return Prepared(*basis.polynomials(at.x, at.y), cosine)


def evaluate(
    basis: Basis,
    at: Points,
    aperture: Array | None,
    beam: Array | None,
    linear: Array,
    prepared: Prepared | None = None,
) -> Array:
    """The model picture at points, gray levels.

    Where both edges meet, a camera's blur acts on the product of both sharp edges, not on each: two straight edges blurred
    together are the bivariate normal distribution function with correlation r = σ²cos ψ/(s_a·s_b), whose expansion in r
    begins Φ(a)Φ(b) + r·φ(a)φ(b) (Mehler's series; Kendall 1941, Biometrika 32:196, from memory). The meeting term is that
    second part; its coefficient is beam level × blur variance, gray levels · px². ψ is the angle between the edges'
    normals, taken as that between the directions from both (frozen) centers.

    Args:
        basis: frozen coordinates and orders.
        at: where, n points.
        aperture, beam: the six edge parameters each, or ``None`` where the basis has no such edge.
        linear: coefficients in the order background, halo, beam[, meeting]; gray levels.
        prepared: the basis at these points, if it is at hand.
    """
    terms = prepared or prepare(basis, at)
    nb, nh, np_ = basis.counts
    inside = linear[nb : nb + nh] @ terms.halo
    beam_slope = aperture_slope = None
    if beam is not None:
        phi, density = cdf_pdf(distance(at.beam_x, at.beam_y, beam) / beam[5])
        inside = inside + phi * (linear[nb + nh : nb + nh + np_] @ terms.beam)
        beam_slope = density / beam[5]
    if aperture is not None:
        phi, density = cdf_pdf(distance(at.aperture_x, at.aperture_y, aperture) / aperture[5])
        inside = inside * phi
        aperture_slope = density / aperture[5]
    out: Array = linear[:nb] @ terms.background + inside
    if terms.cosine is not None and aperture_slope is not None and beam_slope is not None:
        out = out + linear[-1] * (terms.cosine * aperture_slope * beam_slope)
    return out


def linear_rows(basis: Basis, at: Points, aperture: Array | None, beam: Array | None, terms: Prepared) -> Array:
    """The model picture of each linear coefficient alone, shape (n_linear, n); arguments as in :func:`evaluate`."""
    nb, nh, _ = basis.counts
    out = np.empty((basis.n_linear, at.x.size))
    out[:nb] = terms.background
    out[nb : nb + nh] = terms.halo
    n_light = nb + nh + len(terms.beam)
    out[nb + nh : n_light] = terms.beam
    slopes = []
    if aperture is not None:
        phi, density = cdf_pdf(distance(at.aperture_x, at.aperture_y, aperture) / aperture[5])
        out[nb:n_light] *= phi
        slopes.append(density / aperture[5])
    if beam is not None:
        phi, density = cdf_pdf(distance(at.beam_x, at.beam_y, beam) / beam[5])
        out[nb + nh : n_light] *= phi
        slopes.append(density / beam[5])
    if basis.meeting:
        out[-1] = terms.cosine * slopes[0] * slopes[1] if terms.cosine is not None and len(slopes) == 2 else 0.0
    return out


def evaluate_with_jacobian(
    basis: Basis,
    at: Points,
    aperture: Array | None,
    beam: Array | None,
    linear: Array,
    prepared: Prepared | None = None,
) -> tuple[Array, Array]:
    """The model picture and its Jacobian; arguments as in :func:`evaluate`.

    Returns:
        picture: shape (n,), gray levels.
        jacobian: shape (m, n); rows are the aperture's six parameters (if any), the beam's six (if any), then the
            linear coefficients. The small meeting term's own change with the edges is left out.
    """
    terms = prepared or prepare(basis, at)
    nb, nh, np_ = basis.counts
    n_edges = N_EDGE * ((aperture is not None) + (beam is not None))
    jacobian = np.empty((n_edges + basis.n_linear, at.x.size))
    lin = jacobian[n_edges:]
    lin[:nb] = terms.background
    inside = linear[nb : nb + nh] @ terms.halo if nh else np.zeros_like(at.x)
    phi_a = phi_b = light = slope_a = slope_b = None
    if beam is not None:
        light = linear[nb + nh : nb + nh + np_] @ terms.beam
        rows = jacobian[n_edges - N_EDGE : n_edges]
        phi_b, _, slope_b = step_with_derivatives(at.beam_x, at.beam_y, beam, rows)
        inside = inside + phi_b * light
    if aperture is not None:
        phi_a, d_a, slope_a = step_with_derivatives(at.aperture_x, at.aperture_y, aperture, jacobian[:N_EDGE])
        d_a *= inside
        inside = inside * phi_a
    if light is not None and phi_b is not None:
        jacobian[n_edges - N_EDGE : n_edges] *= light if phi_a is None else phi_a * light
        np.multiply(terms.beam, phi_b if phi_a is None else phi_a * phi_b, out=lin[nb + nh : nb + nh + np_])
    np.multiply(terms.halo, 1.0 if phi_a is None else phi_a, out=lin[nb : nb + nh])
    picture = linear[:nb] @ terms.background + inside
    if basis.meeting:
        lin[-1] = 0.0
        if terms.cosine is not None and slope_a is not None and slope_b is not None:
            lin[-1] = terms.cosine * slope_a * slope_b
            picture += linear[-1] * lin[-1]
    return picture, jacobian


def render(shape: tuple[int, int], basis: Basis, aperture: Array | None, beam: Array | None, linear: Array) -> Array:
    """The noiseless model picture, shape (rows, columns), gray levels."""
    rows, columns = shape
    out = np.empty(shape)
    x = np.arange(columns, dtype=float)
    strip = max(1, 1_000_000 // max(columns, 1))
    for top in range(0, rows, strip):
        ys = np.arange(top, min(top + strip, rows), dtype=float)
        gx, gy = np.meshgrid(x, ys)
        at = Points.at(gx.ravel(), gy.ravel())
        out[top : top + len(ys)] = evaluate(basis, at, aperture, beam, linear).reshape(gx.shape)
    return out
