"""What passes the aperture: overlap of discs in closed form, and of any tilted, soft, elliptical beam by quadrature.

Everything here lives in the aperture plane: the aperture is the unit disc at the origin, x right, y down.
"""

from dataclasses import dataclass, replace
from math import acos, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from .normal import cdf

Array = NDArray[np.float64]

_N_ANGLES = 720
_N_RADII = 600


def lens_area(distance: float, r: float, R: float) -> float:
    """Area common to two discs of radii ``r`` and ``R`` whose centers are ``distance`` apart; same units, squared.

    Textbook geometry (two circular segments). Raises ``ValueError`` for negative arguments.
    """
    if min(distance, r, R) < 0:
        raise ValueError("distance and radii must not be negative")
    if distance >= r + R:
        return 0.0
    if distance <= abs(R - r):
        return pi * min(r, R) ** 2
    c1 = (distance**2 + r**2 - R**2) / (2 * distance * r)
    c2 = (distance**2 + R**2 - r**2) / (2 * distance * R)
    c1, c2 = max(-1.0, min(1.0, c1)), max(-1.0, min(1.0, c2))
    kite = (-distance + r + R) * (distance + r - R) * (distance - r + R) * (distance + r + R)
    return r * r * acos(c1) + R * R * acos(c2) - 0.5 * sqrt(max(kite, 0.0))


@dataclass(frozen=True, slots=True)
class PlaneBeam:
    """A beam in the aperture plane.

    Attributes:
        x, y: its center, aperture radii, y down.
        a, b, c, d: the 2×2 matrix ((a, b), (c, d)) that maps the beam's round unit coordinates to plane offsets.
        radial: coefficients of ρ², ρ⁴, … of its light relative to the center.
        tilt_x, tilt_y: linear slope of its light, per beam radius.
        softness: width of its edge (1σ) ÷ its radius.
    """

    x: float
    y: float
    a: float
    b: float
    c: float
    d: float
    radial: tuple[float, ...] = ()
    tilt_x: float = 0.0
    tilt_y: float = 0.0
    softness: float = 0.0

    @classmethod
    def round(
        cls,
        x: float,
        y: float,
        ratio: float,
        radial: tuple[float, ...] = (),
        tilt: tuple[float, float] = (0.0, 0.0),
        softness: float = 0.0,
    ) -> "PlaneBeam":
        """A round beam whose radius is ``ratio`` aperture radii."""
        return cls(x, y, ratio, 0.0, 0.0, ratio, radial, tilt[0], tilt[1], softness)

    @property
    def ratio(self) -> float:
        """Beam radius ÷ aperture radius (geometric mean of the semi-axes)."""
        return sqrt(abs(self.a * self.d - self.b * self.c))

    def spread_to(self, ratio: float) -> "PlaneBeam":
        """The same beam at the same offset, spread to another radius ÷ aperture radius."""
        k = ratio / self.ratio
        return replace(self, a=self.a * k, b=self.b * k, c=self.c * k, d=self.d * k)

    def moved_to(self, x: float, y: float) -> "PlaneBeam":
        """The same beam at another place."""
        return replace(self, x=x, y=y)


def _cumulative(beam: PlaneBeam) -> tuple[Array, Array, Array]:
    """Radii and the running integrals of light·ρ dρ and light-slope·ρ² dρ from the center."""
    edge = 1.0 + 5.0 * beam.softness
    t = np.linspace(0.0, edge, _N_RADII * 2 + 1)
    light = np.ones_like(t)
    power = np.ones_like(t)
    for coefficient in beam.radial:
        power = power * t * t
        light = light + coefficient * power
    shade = cdf((1.0 - t) / beam.softness) if beam.softness > 0 else np.where(t < 1, 1.0, np.where(t > 1, 0.0, 1.0))
    f, g = light * shade * t, shade * t * t
    h = t[1]

    def simpson(v: Array) -> Array:
        return np.concatenate([[0.0], np.cumsum(h / 3 * (v[:-2:2] + 4 * v[1::2] + v[2::2]))])

    return t[::2], simpson(f), simpson(g)


def _at(table: tuple[Array, Array, Array], rho: Array) -> tuple[Array, Array]:
    """Both running integrals at ``rho``, interpolated to third order (in ρ², where they are almost straight)."""
    t, f, g = table
    return np.interp(rho * rho, t * t, f), np.interp(rho**3, t**3, g)


def passed_fraction(beam: PlaneBeam) -> float:
    """Share of the beam's current that passes the unit aperture, 0 to 1.

    Integrates along rays from the beam's center, where the aperture's edge cuts each ray in closed form.
    Raises ``ValueError`` when the beam's light adds up to nothing.
    """
    table = _cumulative(beam)
    angle = (np.arange(_N_ANGLES) + 0.5) * (2 * pi / _N_ANGLES)
    co, si = np.cos(angle), np.sin(angle)
    px, py = beam.a * co + beam.b * si, beam.c * co + beam.d * si
    # |B + ρ P|² ≤ 1: A ρ² + 2 B ρ + C ≤ 0
    qa, qb, qc = px * px + py * py, beam.x * px + beam.y * py, beam.x**2 + beam.y**2 - 1.0
    root = qb * qb - qa * qc
    hit = root > 0
    root = np.sqrt(np.where(hit, root, 0.0))
    end = table[0][-1]
    inner = np.clip((-qb - root) / qa, 0.0, end)
    outer = np.clip((-qb + root) / qa, 0.0, end)
    (f1, g1), (f0, g0) = _at(table, outer), _at(table, inner)
    slope = beam.tilt_x * co + beam.tilt_y * si
    through = float(np.mean(np.where(hit, (f1 - f0) + slope * (g1 - g0), 0.0)))
    total = float(table[1][-1])
    if not total > 0:
        raise ValueError("the beam's light adds up to nothing")
    return min(max(through / total, 0.0), 1.0)


def best_passed_fraction(beam: PlaneBeam) -> tuple[float, float, float]:
    """The most of the beam's current that can pass over all shifts, and the (x, y) of the beam's center that passes it.

    For symmetric light the center is best. A tilt moves the optimum; it is found by a shrinking pattern search.
    """
    x = y = 0.0
    best = passed_fraction(beam.moved_to(x, y))
    if beam.tilt_x == beam.tilt_y == 0.0 or best >= 1 - 1e-9:
        return best, x, y
    size = 0.25
    while size > 2e-3:
        trials = [(x + size, y), (x - size, y), (x, y + size), (x, y - size)]
        values = [passed_fraction(beam.moved_to(*t)) for t in trials]
        k = int(np.argmax(values))
        if values[k] > best:
            best, (x, y) = values[k], trials[k]
        else:
            size *= 0.5
    return best, x, y


def score(beam: PlaneBeam) -> float:
    """100 × current through the aperture now ÷ the most over all shifts."""
    now = passed_fraction(beam)
    best, _, _ = best_passed_fraction(beam)
    return 100.0 * min(now / best, 1.0) if best > 0 else 0.0
