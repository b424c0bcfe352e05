"""The one forward model: picture = background + aperture × [halo + beam], each edge a blurred step.

Background is a plane, the halo a quadratic in the aperture's coordinates, the beam a tilted radial polynomial in its own
coordinates. The estimator fits it, the simulator renders it, the Cramér–Rao bound is taken from it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .edges import distance, step, step_with_derivatives

Array = NDArray[np.float64]

#: Number of parameters of one edge.
N_EDGE = 6


@dataclass(frozen=True, slots=True)
class Basis:
    """Frozen coordinates and orders of the linear part.

    Attributes:
        aperture: (x, y, radius) in whose units background and halo are written, px.
        beam: (x, y, radius, e1, e2) in whose round units the beam's light is written, px.
        background: order of the background polynomial (0 constant, 1 plane).
        halo: order of the halo polynomial (0, 1 or 2), -1 for none.
        radial: number of even radial powers ρ², ρ⁴, … of the beam's light.
        tilt: whether the beam's light has a linear tilt.
        has_beam: whether there is a beam with an edge of its own.
        has_aperture: whether there is an aperture edge.
    """

    aperture: tuple[float, float, float]
    beam: tuple[float, float, float, float, float]
    background: int = 1
    halo: int = 2
    radial: int = 2
    tilt: bool = True
    has_beam: bool = True
    has_aperture: bool = True

    @property
    def counts(self) -> tuple[int, int, int]:
        """Numbers of background, halo and beam coefficients."""
        background = {0: 1, 1: 3, 2: 6}[self.background]
        halo = {-1: 0, 0: 1, 1: 3, 2: 6}[self.halo]
        beam = (1 + self.radial + 2 * self.tilt) if self.has_beam else 0
        return background, halo, beam

    @property
    def n_linear(self) -> int:
        """Number of linear coefficients."""
        return sum(self.counts)

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
        if max(n_background, n_halo) > 3:
            full += [xa * xa, xa * ya, ya * ya]
        background = np.stack(full[:n_background])
        halo = np.stack(full[:n_halo]) if n_halo else np.empty((0, x.size))
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
        return background, halo, np.stack(rows)


def evaluate(basis: Basis, x: Array, y: Array, aperture: Array | None, beam: Array | None, linear: Array) -> Array:
    """The model picture at points, gray levels.

    Args:
        basis: frozen coordinates and orders.
        x, y: coordinates, px, shape (n,).
        aperture, beam: the six edge parameters each, or ``None`` where the basis has no such edge.
        linear: coefficients in the order background, halo, beam; gray levels.
    """
    b0, h0, p0 = basis.polynomials(x, y)
    nb, nh, _ = basis.counts
    inside = linear[nb : nb + nh] @ h0
    if beam is not None:
        inside = inside + step(distance(x, y, beam), beam[5]) * (linear[nb + nh :] @ p0)
    if aperture is not None:
        inside = inside * step(distance(x, y, aperture), aperture[5])
    out: Array = linear[:nb] @ b0 + inside
    return out


def evaluate_with_jacobian(
    basis: Basis, x: Array, y: Array, aperture: Array | None, beam: Array | None, linear: Array
) -> tuple[Array, Array]:
    """The model picture and its Jacobian.

    Returns:
        picture: shape (n,), gray levels.
        jacobian: shape (m, n); rows are the aperture's six parameters (if any), the beam's six (if any), then the
            linear coefficients.
    """
    b0, h0, p0 = basis.polynomials(x, y)
    nb, nh, np_ = basis.counts
    n_edges = N_EDGE * ((aperture is not None) + (beam is not None))
    jacobian = np.empty((n_edges + basis.n_linear, x.size))
    halo = linear[nb : nb + nh] @ h0 if nh else np.zeros_like(x)
    lin = jacobian[n_edges:]
    lin[:nb] = b0
    if beam is not None:
        light = linear[nb + nh :] @ p0
        phi_b, d_b = step_with_derivatives(x, y, beam)
        inside = halo + phi_b * light
    else:
        light, phi_b, d_b, inside = np.zeros_like(x), np.zeros_like(x), None, halo
    if aperture is not None:
        phi_a, d_a = step_with_derivatives(x, y, aperture)
        jacobian[:N_EDGE] = d_a * inside
    else:
        phi_a = np.ones_like(x)
    if d_b is not None:
        jacobian[n_edges - N_EDGE : n_edges] = d_b * (phi_a * light)
    lin[nb : nb + nh] = h0 * phi_a
    if np_:
        lin[nb + nh :] = p0 * (phi_a * phi_b)
    return linear[:nb] @ b0 + phi_a * inside, jacobian


def render(shape: tuple[int, int], basis: Basis, aperture: Array | None, beam: Array | None, linear: Array) -> Array:
    """The noiseless model picture, shape (rows, columns), gray levels."""
    rows, columns = shape
    out = np.empty(shape)
    x = np.arange(columns, dtype=float)
    strip = max(1, 1_000_000 // max(columns, 1))
    for top in range(0, rows, strip):
        ys = np.arange(top, min(top + strip, rows), dtype=float)
        gx, gy = np.meshgrid(x, ys)
        out[top : top + len(ys)] = evaluate(basis, gx.ravel(), gy.ravel(), aperture, beam, linear).reshape(gx.shape)
    return out
