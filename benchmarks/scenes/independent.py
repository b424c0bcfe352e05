"""Pictures from a renderer that shares no code, and no edge, halo or noise model, with apertrue.

Discs are drawn on a grid four times finer than the pixels, with edges of several shapes; the halo is made of
exponentials, Gaussians and streaks; the beam's light is a super-Gaussian, has a cosine rim, an exponential tilt or a
coma-like term. The camera counts electrons with an excess noise, and spreads each over its neighbors. Pixels integrate
over their area. Truth: the geometry, and currents by Cartesian sums and one FFT correlation over all shifts.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, pi, sin, sqrt

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.signal import fftconvolve

from .case import Case, children

FINE = 4

#: Edge shapes: share of light at signed distance d (positive inside) for a shape's width w; ½ at d = 0.
SHAPES: dict[str, Callable[[np.ndarray, float], np.ndarray]] = {
    "sharp": lambda d, _w: np.clip(d * FINE + 0.5, 0.0, 1.0),
    "linear": lambda d, w: np.clip(0.5 + d / (3.4 * w), 0.0, 1.0),
    "tanh": lambda d, w: 0.5 * (1.0 + np.tanh(1.2 * d / w)),
    "exponential": lambda d, w: np.where(d > 0, 1 - 0.5 * np.exp(-np.abs(d) / w), 0.5 * np.exp(-np.abs(d) / w)),
    "long-tailed": lambda d, w: np.clip(0.5 + np.arctan(2.0 * d / w) / pi * 1.117, 0.0, 1.0),
}


@dataclass(frozen=True, slots=True)
class Setup:
    """All that is drawn, in px, gray levels and aperture radii (y down)."""

    size: int
    center: tuple[float, float]
    radius: float
    ratio: float
    offset: tuple[float, float]
    stretch: tuple[float, float]  # major ÷ minor axis of the beam, direction (rad, toward +y)
    aperture_shape: str
    aperture_width: float
    beam_shape: str
    beam_width: float
    psf: float
    power: float
    reach: float
    rim: tuple[float, float]  # amplitude, number of waves
    tilt: tuple[float, float]
    coma: float
    halo: float
    halo_parts: tuple[float, float, float]  # exponential, Gaussian, streak: relative amounts beside an even part
    streak_angle: float
    peak: float
    gain: float
    excess: float
    spread: float
    read: float
    bias: float


def random_setup(rng: np.random.Generator, kind: str) -> Setup:
    """A random scene of kind ``both-edges`` or ``clipped``."""
    size = int(rng.choice([256, 320, 384, 512]))
    radius = size * rng.uniform(0.25, 0.42)
    while True:
        ratio = rng.uniform(0.5, 1.35)
        d = rng.uniform(0.0, 0.95)
        if kind == "both-edges" and d + ratio < 0.98:
            break
        if kind == "clipped" and d + ratio > 1.03 and ratio - d < 0.9 and d < 0.9:
            break
    t = rng.uniform(0, 2 * pi)
    peak = float(np.exp(rng.uniform(np.log(20), np.log(2e4))))
    gain = float(min(np.exp(rng.uniform(np.log(0.4), np.log(20))), 4.5e4 / peak))
    margin = size / 2 - radius * 1.05
    parts = rng.dirichlet((1.0, 1.0, 0.4)) * rng.uniform(0.0, 0.8)
    return Setup(
        size=size,
        center=tuple(size / 2 - 0.5 + rng.uniform(-1, 1, 2) * margin * 0.8),
        radius=radius,
        ratio=ratio,
        offset=(d * cos(t), d * sin(t)),
        stretch=(1.0 + (rng.uniform(0, 0.08) if rng.random() < 0.3 else 0.0), rng.uniform(0, pi)),
        aperture_shape=str(rng.choice(list(SHAPES))),
        aperture_width=float(rng.uniform(0.5, 2.5)),
        beam_shape=str(rng.choice(list(SHAPES))),
        beam_width=float(rng.uniform(0.6, 4.0)),
        psf=float(rng.uniform(0.5, 1.3)),
        power=float(rng.uniform(2.0, 8.0)),
        reach=float(rng.uniform(1.3, 2.5)),
        rim=(float(rng.uniform(0, 0.08) if rng.random() < 0.3 else 0.0), float(rng.uniform(0.5, 1.5))),
        tilt=tuple(rng.normal(0, 0.06, 2) if rng.random() < 0.4 else (0.0, 0.0)),
        coma=float(rng.normal(0, 0.05) if rng.random() < 0.2 else 0.0),
        halo=float(np.exp(rng.uniform(np.log(0.02), np.log(0.2)))),
        halo_parts=tuple(parts),
        streak_angle=float(rng.uniform(0, pi)),
        peak=peak,
        gain=gain,
        excess=float(rng.uniform(0.0, 0.5)),
        spread=float(rng.uniform(0.0, 0.9)),
        read=float(gain * rng.uniform(0.1, 2.0) + 0.3),
        bias=float(rng.uniform(20, 400)),
    )


def eased(s: Setup) -> Setup:
    """The same scene with an ordinary beam and edges: a gentle dome, edges close to a blurred step, a smooth halo."""
    from dataclasses import replace

    shapes = {"exponential": "tanh", "long-tailed": "linear"}
    return replace(
        s,
        aperture_shape=shapes.get(s.aperture_shape, s.aperture_shape),
        beam_shape=shapes.get(s.beam_shape, s.beam_shape),
        power=2.0,
        reach=max(s.reach, 1.8),
        rim=(0.0, 1.0),
        coma=0.0,
        halo_parts=(0.0, s.halo_parts[1], 0.0),
    )


def beam_light(s: Setup, xi: np.ndarray, eta: np.ndarray) -> np.ndarray:
    """The beam's light in its round unit coordinates, 1 at its center."""
    rho = np.hypot(xi, eta)
    light = np.exp(-((rho / s.reach) ** s.power))
    light = light * (1.0 - s.rim[0] * (1.0 - np.cos(2 * pi * s.rim[1] * np.minimum(rho, 1.2))))
    light = light * np.exp(s.tilt[0] * xi + s.tilt[1] * eta)
    return light * (1.0 + s.coma * xi * np.minimum(rho, 1.2) ** 2)


def beam_axes(s: Setup) -> np.ndarray:
    """From the beam's round unit coordinates to aperture-plane offsets."""
    k, t = sqrt(s.stretch[0]), s.stretch[1]
    u = np.array([[cos(t), -sin(t)], [sin(t), cos(t)]])
    return s.ratio * u @ np.diag([k, 1 / k]) @ u.T


def shaped(shape: str, distance: np.ndarray, width: float) -> np.ndarray:
    return SHAPES[shape](distance, width)


def plane_light(s: Setup, px: np.ndarray, py: np.ndarray) -> np.ndarray:
    """The unclipped beam at aperture-plane positions relative to its own center."""
    inverse = np.linalg.inv(beam_axes(s))
    xi, eta = inverse[0, 0] * px + inverse[0, 1] * py, inverse[1, 0] * px + inverse[1, 1] * py
    rho = np.hypot(xi, eta)
    scale = s.radius * s.ratio
    return beam_light(s, xi, eta) * shaped(s.beam_shape, (1 - rho) * scale, s.beam_width)


def halo_light(s: Setup, px: np.ndarray, py: np.ndarray) -> np.ndarray:
    """The halo at aperture-plane positions; mean about ``s.halo`` over the aperture."""
    e, g, k = s.halo_parts
    d = np.hypot(px - s.offset[0], py - s.offset[1])
    across = np.abs(px * sin(s.streak_angle) - py * cos(s.streak_angle))
    even = 1.0 - e - g - k
    return s.halo * (even + e * 1.6 * np.exp(-d) + g * 1.8 * np.exp(-(d**2)) + k * 1.5 * np.exp(-across / 0.6))


def render(s: Setup) -> np.ndarray:
    """Expected electrons per pixel, before the detector."""
    n = s.size * FINE
    at = (np.arange(n) + 0.5) / FINE - 0.5
    px = (at[None, :] - s.center[0]) / s.radius
    py = (at[:, None] - s.center[1]) / s.radius
    inside = shaped(s.aperture_shape, (1.0 - np.hypot(px, py)) * s.radius, s.aperture_width)
    light = inside * (halo_light(s, px, py) + plane_light(s, px - s.offset[0], py - s.offset[1]))
    light = gaussian_filter(light.astype(np.float32), s.psf * FINE, truncate=5)
    return light.reshape(s.size, FINE, s.size, FINE).mean(axis=(1, 3)).astype(float) * s.peak


def detect(s: Setup, light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Gray levels, uint16: counting with excess noise, a two-Gaussian spread after detection, read noise, rounding."""
    electrons = rng.poisson(light).astype(float)
    if s.excess > 0:
        # A sum of n exponential-like responses: mean n, variance excess · n.
        electrons = rng.gamma(np.maximum(electrons, 1e-9) / s.excess, s.excess)
    if s.spread > 0:
        electrons = 0.8 * gaussian_filter(electrons, s.spread) + 0.2 * gaussian_filter(electrons, 2.5 * s.spread)
    gray = electrons * s.gain + rng.normal(s.bias, s.read, light.shape)
    return np.clip(np.rint(gray), 0, 65535).astype(np.uint16)


def currents(s: Setup, ratio: float | None = None) -> tuple[float, float]:
    """(share passed now, most over all shifts) by Cartesian sums; the maximum's place from one FFT correlation."""
    from dataclasses import replace

    if ratio is not None:
        # The edge's width grows with the beam.
        s = replace(s, ratio=ratio, beam_width=s.beam_width * ratio / s.ratio)
    half = s.ratio * sqrt(s.stretch[0]) + 10 * s.beam_width / s.radius

    def box(n: int) -> tuple[np.ndarray, float]:
        cell = 2 * half / n
        return (np.arange(n) + 0.5) * cell - half, cell

    def stop(x: np.ndarray, y: np.ndarray, cell: float) -> np.ndarray:
        return np.clip((1.0 - np.hypot(x, y)) / cell + 0.5, 0.0, 1.0)

    at, cell = box(1600)
    light = plane_light(s, at[None, :], at[:, None])
    light /= light.sum()
    now = float(np.sum(light * stop(at[None, :] + s.offset[0], at[:, None] + s.offset[1], cell)))
    at, cell = box(360)
    coarse = plane_light(s, at[None, :], at[:, None])
    m = int(1.3 / cell)
    disc_at = np.arange(-m, m + 1) * cell
    disc = stop(disc_at[None, :], disc_at[:, None], cell)
    # Correlation of the beam with the stop; index → place of the stop's center in the beam's box.
    passed = fftconvolve(coarse / coarse.sum(), disc, mode="same")
    k = np.unravel_index(int(np.argmax(passed)), passed.shape)
    at, cell = box(1600)
    x0, y0 = -half + (k[1] + 0.5) * 2 * half / 360, -half + (k[0] + 0.5) * 2 * half / 360
    best = max(
        float(np.sum(light * stop(at[None, :] - x0, at[:, None] - y0, cell))),
        float(np.sum(light * stop(at[None, :], at[:, None], cell))),
        now,
    )
    return now, best


def truth_of(s: Setup) -> dict[str, float]:
    """Truth under the registry's field names."""
    # A Gaussian point spread moves the half level of a curved edge inward by σ²/(2R).
    shift_a = s.psf**2 / (2 * s.radius)
    shift_b = s.psf**2 / (2 * s.radius * s.ratio)
    x, y = s.offset
    t = np.linspace(0, 2 * pi, 3600, endpoint=False)
    outline = np.stack([np.cos(t), np.sin(t)], 1) @ beam_axes(s).T * (1 - shift_b / (s.radius * s.ratio)) + s.offset
    now, best = currents(s)
    work_now, work_best = currents(s, 1.0)
    scale = s.radius - shift_a
    return {
        "aperture_x_px": s.center[0],
        "aperture_y_px": s.center[1],
        "aperture_radius_px": scale,
        "beam_x_px": s.center[0] + s.radius * x,
        "beam_y_px": s.center[1] + s.radius * y,
        "beam_radius_px": s.radius * s.ratio - shift_b,
        "beam_ellipticity": (s.stretch[0] - 1) / (s.stretch[0] + 1),
        "aperture_ellipticity": 0.0,
        "offset_x_px": s.radius * x,
        "offset_y_px": s.radius * y,
        "offset_x_percent": 100 * x,
        "offset_y_percent": 100 * y,
        "offset_percent": 100 * hypot(x, y),
        "offset_direction_deg": degrees(atan2(-y, x)) % 360,
        "gap_percent": 100 * (1 - float(np.hypot(*outline.T).max()) * s.radius / scale),
        "clipped_fraction": 1 - now,
        "score": 100 * now / best,
        "working_score": 100 * work_now / work_best,
    }


def halo_z(s: Setup) -> float:
    """How many σ the halo's step stands out over the aperture's circumference, three pixels wide."""
    step = s.halo * s.peak
    noise = sqrt(0.5 * step * (1 + s.excess) + (s.read / s.gain) ** 2)
    return step * sqrt(2 * pi * s.radius * 3) / noise / 2


LEVELS = ("ordinary", "odd")


def scenes(n: int, seed: int = 11, level: str | None = None) -> Iterator[Case]:
    """``n`` readable scenes, `both-edges` and `clipped` in turn.

    Args:
        n: how many.
        seed: of all randomness.
        level: ``ordinary`` (a gentle dome, near-normal edges, smooth halo) or ``odd`` (any edge, profile and halo that
            this renderer has, all at once); both in turn when ``None``. The group names kind and level.
    """
    for k, rng in enumerate(children(seed, n)):
        kind = ("both-edges", "clipped")[k % 2]
        how = level or LEVELS[(k // 2) % 2]
        setup = random_setup(rng, kind)
        if how == "ordinary":
            setup = eased(setup)
        truth = truth_of(setup)
        allowed = ("both-edges", "clipped") if abs(truth["gap_percent"]) <= 5 else (kind,)
        if halo_z(setup) < 30:
            allowed = (*allowed, "one-edge", "beam-only")
        yield Case(
            f"independent-{k:05d}",
            f"{kind}, {how}",
            detect(setup, render(setup), rng),
            truth,
            allowed=allowed,
            may_flags=("elliptical", "uneven", "noisy", "low-contrast"),
            about={"saturation": 65535.0},
            source="independent renderer",
        )
