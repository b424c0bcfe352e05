"""What passes the aperture: overlap of discs in closed form, and of any tilted, soft, elliptical beam by quadrature.

Everything here lives in the aperture plane: the aperture is the unit disc at the origin, x right, y down.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from math import acos, ceil, hypot, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from .normal import cdf

Array = NDArray[np.float64]

#: A rise of the passed share that is as good as none.
NO_RISE = 1e-8
_N_ANGLES = 720
_N_RADII = 600
_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(16)


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
        light: light at ρ (beam radii, array → array) relative to any level; replaces ``radial`` and the soft edge.
        reach: ρ beyond which ``light`` is nothing.
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
    light: Callable[[Array], Array] | None = None
    reach: float = 1.0

    @classmethod
    def gaussian(cls, x: float, y: float, w: float) -> "PlaneBeam":
        """A round Gaussian beam, light ∝ exp(−2r²/w²), that has no edge: ``w`` is its 1/e² radius, aperture radii."""
        return cls(x, y, w, 0.0, 0.0, w, light=_gaussian_light, reach=4.5)

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

    @property
    def farthest(self) -> float:
        """At most how far from the aperture's center the beam has light, aperture radii."""
        largest = np.linalg.norm([[self.a, self.b], [self.c, self.d]], 2)
        return float(
            hypot(self.x, self.y) + largest * (1.0 + 5.0 * self.softness if self.light is None else self.reach)
        )

    def spread_to(self, ratio: float) -> "PlaneBeam":
        """The same beam at the same offset, spread to another radius ÷ aperture radius."""
        k = ratio / self.ratio
        return replace(self, a=self.a * k, b=self.b * k, c=self.c * k, d=self.d * k)

    def moved_to(self, x: float, y: float) -> "PlaneBeam":
        """The same beam at another place."""
        return replace(self, x=x, y=y)


def _gaussian_light(rho: Array) -> Array:
    return np.asarray(np.exp(-2.0 * rho * rho), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Running:
    """Running integrals from the beam's center on equally spaced radii, with their slopes.

    ``f`` of light·ρ dρ, ``g`` of (light of the tilt)·ρ² dρ; ``start`` holds the limits of f/ρ² and g/ρ³ at the center;
    ``hard`` tells that the light stops abruptly at the end.
    """

    end: float
    f: Array
    df: Array
    g: Array
    dg: Array
    start: tuple[float, float]
    hard: bool

    def at(self, rho: Array) -> tuple[Array, Array]:
        """f/ρ² and g/ρ³, by cubic Hermite interpolation of f and g; beyond the end both stand still."""
        step = self.end / _N_RADII
        pos = np.minimum(rho, self.end) / step
        i = np.minimum(pos.astype(np.intp), _N_RADII - 1)
        u = pos - i
        safe = np.maximum(rho, 1e-7)
        out = []
        for value, slope, power, limit in (
            (self.f, self.df, safe * safe, self.start[0]),
            (self.g, self.dg, safe * safe * safe, self.start[1]),
        ):
            cubic = _hermite(value, slope, step, i, u)
            out.append(np.where(rho > 1e-7, cubic / power, limit))
        return out[0], out[1]


def _hermite(value: Array, slope: Array, step: float, i: NDArray[np.intp], u: Array) -> Array:
    """Cubic interpolation of values and slopes at equal steps (last axis), ``u`` of the way from place ``i`` to the next."""
    v0 = value.take(i, axis=-1)
    rise = value.take(i + 1, axis=-1) - v0
    m0, m1 = slope.take(i, axis=-1) * step, slope.take(i + 1, axis=-1) * step
    return np.asarray(v0 + u * (m0 + u * (3 * rise - 2 * m0 - m1 + u * (m0 + m1 - 2 * rise))), dtype=np.float64)


def radial_light(rho2: Array, radial: tuple[float, ...]) -> Array:
    """The polynomial 1 + Σ k_i ρ^(2i) at squared radii ``rho2`` (beam radii²), any shape."""
    light, power = np.ones_like(rho2), np.ones_like(rho2)
    for coefficient in radial:
        power = power * rho2
        light = light + coefficient * power
    return light


@lru_cache(maxsize=32)
def _running(
    radial: tuple[float, ...], softness: float, light: Callable[[Array], Array] | None, reach: float
) -> _Running:
    end = 1.0 + 5.0 * softness if light is None else reach
    t = np.linspace(0.0, end, _N_RADII * 2 + 1)
    if light is not None:
        level = np.asarray(light(t), dtype=np.float64)
        shade = level
    else:
        shade = cdf((1.0 - t) / softness) if softness > 0 else np.ones_like(t)
        level = radial_light(t * t, radial) * shade
    df, dg = level * t, shade * t * t
    h = t[1]

    def simpson(v: Array) -> Array:
        return np.concatenate([[0.0], np.cumsum(h / 3 * (v[:-2:2] + 4 * v[1::2] + v[2::2]))])

    start = (float(level[0]) / 2, float(shade[0]) / 3)
    hard = abs(float(level[-1])) > 1e-5 * float(np.abs(level).max())
    return _Running(end, simpson(df), df[::2], simpson(dg), dg[::2], start, hard)


def passed_fraction(beam: PlaneBeam) -> float:
    """Share of the beam's current that passes the unit aperture, 0 to 1.

    By the divergence theorem the current through the aperture is an integral along the aperture's edge alone: in the
    beam's round coordinates (ξ, η), with f(ρ) and g(ρ) the running integrals of light·ρ and shade·ρ², the field
    (f/ρ² + (tilt·(ξ, η)) g/ρ³)·(ξ, η) has the light as its divergence. The integrand is smooth and periodic, so that
    equal steps are exact to rounding for soft beams; a hard edge bends it where it crosses the aperture's, and there
    the integral is split. Errors are under 1e-6 (a test compares with closed forms and brute force).

    Raises:
        ValueError: the beam's light adds up to nothing, or its matrix has no area.
    """
    run = _running(beam.radial, beam.softness, beam.light, beam.reach)
    total = 2 * pi * float(run.f[-1])
    det = beam.a * beam.d - beam.b * beam.c
    if not total > 0:
        raise ValueError("the beam's light adds up to nothing")
    if det == 0:
        raise ValueError("the beam has no area")

    def integrand(t: Array) -> Array:
        co, si = np.cos(t), np.sin(t)
        xi, eta = _round(beam, det, co - beam.x, si - beam.y)
        f, g = run.at(np.hypot(xi, eta))
        cross = (1.0 - beam.x * co - beam.y * si) / abs(det)
        return np.asarray((f + (beam.tilt_x * xi + beam.tilt_y * eta) * g) * cross, dtype=np.float64)

    t = _angles(beam, det)
    xi, eta = _round(beam, det, np.cos(t) - beam.x, np.sin(t) - beam.y)
    dark = np.hypot(xi, eta) >= run.end
    if dark.all():  # the whole edge of the aperture lies in the dark: all of the beam is inside it, or none
        return 1.0 if hypot(beam.x, beam.y) < 1 else 0.0
    cuts = _crossings(beam, det, run.end, t, dark) if run.hard else np.empty(0)
    if not len(cuts):
        through = float(integrand(t).mean()) * 2 * pi
    else:
        panels = cuts[0] + np.linspace(0, 2 * pi, len(t) // 16 + 1)[:-1]
        ends = np.unique(np.mod(np.concatenate([cuts, panels]), 2 * pi))
        ends = np.append(ends, ends[0] + 2 * pi)
        half = 0.5 * np.diff(ends)
        nodes = np.asarray(ends[:-1, None] + half[:, None] * (1 + _GAUSS_X), dtype=np.float64)
        through = float((integrand(nodes.ravel()).reshape(nodes.shape) @ _GAUSS_W) @ half)
    return min(max(through / total, 0.0), 1.0)


def _angles(beam: PlaneBeam, det: float) -> Array:
    """Equally spaced angles along the aperture's edge; more where the beam is narrow beside it and varies faster."""
    narrow = abs(det) / sqrt(beam.a**2 + beam.b**2 + beam.c**2 + beam.d**2)
    n = _N_ANGLES * min(max(1, ceil(0.07 / narrow)), 16)
    return np.asarray(np.arange(n) * (2 * pi / n), dtype=np.float64)


def _round(beam: PlaneBeam, det: float, dx: Array, dy: Array) -> tuple[Array, Array]:
    """Offsets in the plane → the beam's round unit coordinates."""
    return (beam.d * dx - beam.b * dy) / det, (beam.a * dy - beam.c * dx) / det


def _crossings(beam: PlaneBeam, det: float, end: float, t: Array, dark: NDArray[np.bool_]) -> Array:
    """Angles at which the aperture's edge crosses the beam's: Newton's method within each bracket of the grid."""
    index = np.flatnonzero(dark != np.roll(dark, -1))
    low = t[index]
    high = low + (t[1] - t[0])
    angle = 0.5 * (low + high)
    for _ in range(8):
        co, si = np.cos(angle), np.sin(angle)
        xi, eta = _round(beam, det, co - beam.x, si - beam.y)
        dxi, deta = _round(beam, det, -si, co)
        slope = 2 * (xi * dxi + eta * deta)
        step = np.divide(xi * xi + eta * eta - end * end, slope, out=np.zeros_like(slope), where=slope != 0)
        angle = np.clip(angle - step, low, high)
    return np.asarray(angle, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class PassedGradient:
    """The share of a soft beam that passes, and its derivatives.

    Attributes:
        passed: as :func:`passed_fraction`.
        place: by x, y, a, b, c, d, shape (6,).
        radial: by each radial coefficient.
        tilt: by tilt_x and tilt_y, shape (2,).
    """

    passed: float
    place: Array
    radial: Array
    tilt: Array


@lru_cache(maxsize=32)
def _moments(softness: float, n: int) -> tuple[Array, Array]:
    """Running integrals of shade·ρ^(2k+1), k = 0 … n, and last of shade·ρ², with their slopes; shapes (n + 2, radii)."""
    t = np.linspace(0.0, 1.0 + 5.0 * softness, _N_RADII * 2 + 1)
    shade = cdf((1.0 - t) / softness)
    slopes = np.stack([shade * t ** (2 * k + 1) for k in range(n + 1)] + [shade * t * t])
    steps = t[1] / 3 * (slopes[:, :-2:2] + 4 * slopes[:, 1::2] + slopes[:, 2::2])
    sums = np.concatenate([np.zeros((n + 2, 1)), np.cumsum(steps, axis=1)], axis=1)
    return sums, slopes[:, ::2]


def passed_gradient(beam: PlaneBeam) -> PassedGradient:
    """The share of the beam's current that passes the unit aperture, with its derivatives.

    The current is linear in the light; moving or stretching the beam moves the aperture's edge through the light in the
    beam's own coordinates, so that these derivatives are the light along that edge times how fast it moves across
    (Reynolds' transport theorem).

    Args:
        beam: with ``softness`` above zero and no ``light`` of its own.
    """
    if beam.softness <= 0 or beam.light is not None:
        raise ValueError("derivatives need a soft beam whose light is a polynomial")
    n = len(beam.radial)
    sums, slopes = _moments(beam.softness, n)
    det = beam.a * beam.d - beam.b * beam.c
    t = _angles(beam, det)
    co, si = np.cos(t), np.sin(t)
    xi, eta = _round(beam, det, co - beam.x, si - beam.y)
    rho2 = xi * xi + eta * eta
    rho = np.sqrt(rho2)
    end = 1.0 + 5.0 * beam.softness
    position = np.minimum(rho, end) * (_N_RADII / end)
    i = np.minimum(position.astype(np.intp), _N_RADII - 1)
    u = position - i
    integral = _hermite(sums, slopes, end / _N_RADII, i, u)
    cross = (1.0 - beam.x * co - beam.y * si) / abs(det)
    safe = np.maximum(rho, 1e-7)
    flux = integral[:-1] * (cross / (safe * safe))
    through = flux.mean(axis=1)  # of 1, ρ², ρ⁴ …; in units of 2π
    tilted = integral[-1] * (cross / (safe * safe * safe))
    by_tilt = np.array([(tilted * xi).mean(), (tilted * eta).mean()])
    weights = np.concatenate([[1.0], beam.radial])
    totals = sums[:-1, -1]
    total = float(weights @ totals)
    if not total > 0:
        raise ValueError("the beam's light adds up to nothing")
    passed = float(weights @ through + beam.tilt_x * by_tilt[0] + beam.tilt_y * by_tilt[1]) / total
    light = (
        cdf((1.0 - rho) / beam.softness)
        * (radial_light(rho2, beam.radial) + beam.tilt_x * xi + beam.tilt_y * eta)
        / abs(det)
    )
    rows = np.array([co, si, co * xi, co * eta, si * xi, si * eta])
    place = -(rows @ light) / len(t) / total
    return PassedGradient(
        min(max(passed, 0.0), 1.0), place, (through[1:] - passed * totals[1:]) / total, by_tilt / total
    )


def best_passed_fraction(beam: PlaneBeam) -> tuple[float, float, float]:
    """The most of the beam's current that can pass over all shifts, and the (x, y) of the beam's center that passes it.

    For symmetric light the center is best. A tilt moves the optimum: Newton's method where the light is a soft
    polynomial and the optimum no plateau, else a shrinking pattern search.
    """
    best = passed_fraction(beam.moved_to(0.0, 0.0))
    if beam.tilt_x == beam.tilt_y == 0.0 or best >= 1 - 1e-9:
        return best, 0.0, 0.0
    found = _climb(beam, best) if beam.softness > 0 and beam.light is None else None
    return _search(beam, best) if found is None else found


def _climb(beam: PlaneBeam, start: float) -> tuple[float, float, float] | None:
    """Newton's method on the passed share, its curvature kept for a while; ``None`` when that is not concave or no rise."""
    at, h, best, bend = np.zeros(2), 0.02, start, None
    here = passed_gradient(beam.moved_to(0.0, 0.0))
    for _ in range(8):
        slope, fresh = here.place[:2], bend is None
        if bend is None:
            bend = np.empty((2, 2))
            for k, d in enumerate(((h, 0.0), (0.0, h))):
                aside = passed_gradient(beam.moved_to(float(at[0] + d[0]), float(at[1] + d[1])))
                bend[k] = (aside.place[:2] - slope) / h
            bend = (bend + bend.T) / 2
            if np.linalg.eigvalsh(bend)[-1] > -0.02:
                return None
        step = -np.linalg.solve(bend, slope)
        length = min(float(np.hypot(*step)), 0.3)
        step *= length / max(float(np.hypot(*step)), 1e-12)
        there = at + step
        value = passed_gradient(beam.moved_to(float(there[0]), float(there[1])))
        if value.passed < best - 1e-9:
            if fresh:  # no rise where one was promised; one too small to matter (half of slope · step) needs no search
                return (best, float(at[0]), float(at[1])) if slope @ step < NO_RISE else None
            bend = None
            continue
        at, here, best = there, value, max(best, value.passed)
        if length < 2e-4:
            break
        if length > h:
            bend = None
    return best, float(at[0]), float(at[1])


def _search(beam: PlaneBeam, best: float) -> tuple[float, float, float]:
    x = y = 0.0
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
    best = best_passed_fraction(beam)[0]
    return 100.0 * min(passed_fraction(beam) / best, 1.0) if best > 0 else 0.0
