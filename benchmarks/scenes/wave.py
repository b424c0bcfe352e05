"""Wave-optics pictures: a beam through a decentered circular stop, computed as a coherent field, with real fringes.

The upstream stop makes the beam's disc. Its light travels to the aperture, where it is cut, and on to the screen.
Fields by LightPipes (F. A. van Goor, open source, BSD-3-Clause); :func:`propagate` is a plain FFT that checks
it. A faint incoherent surround passes the same aperture; both intensities add. Transmitted power is read from the field
at the aperture, so that the truth of the clipped share owes nothing to geometry.

    python benchmarks/scenes/wave.py [--quick]

prints the checks: I at a straight edge (0.25 ± 6 %), LightPipes against the FFT, and a Gaussian beam through an offset
stop against the noncentral χ² distribution.
"""

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, pi, sin, sqrt
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.special import fresnel
from scipy.stats import ncx2

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    from scenes.case import Case, children
else:
    from .case import Case, children

#: Units: grid cells are 10 µm; only the fringe scale √(λz/2) in cells matters.
CELL = 10e-6
WAVELENGTH = 0.5e-6


def distance_for(fringe_cells: float) -> float:
    """Propagation distance (m) whose straight-edge fringes have the scale √(λz/2) = ``fringe_cells`` cells."""
    return 2.0 * (fringe_cells * CELL) ** 2 / WAVELENGTH


def soft_disc(n: int, x: float, y: float, radius: float) -> np.ndarray:
    """A disc's coverage on an n × n grid (cells; the middle of the grid = (0, 0))."""
    at = np.arange(n) - n // 2
    d = np.hypot(at[None, :] - x, at[:, None] - y)
    return np.clip(radius - d + 0.5, 0.0, 1.0)


def propagate(field: np.ndarray, fringe_cells: float) -> np.ndarray:
    """Paraxial propagation over the distance of ``fringe_cells`` by the Fresnel transfer function (Goodman; memory).

    exp(−iπλz(fx² + fy²)) with λz = 2·fringe² in cells; the field must fade toward the frame.
    """
    f = np.fft.fftfreq(field.shape[0])
    phase = np.exp(-1j * pi * 2 * fringe_cells**2 * f**2)
    return np.fft.ifft2(np.fft.fft2(field) * phase[None, :] * phase[:, None])


def propagate_lightpipes(field: np.ndarray, fringe_cells: float) -> np.ndarray:
    """The same by LightPipes' spectral method (``Forvard``)."""
    import LightPipes

    n = field.shape[0]
    carrier = LightPipes.Begin(n * CELL, WAVELENGTH, n)
    carrier.field = field.astype(complex)
    return LightPipes.Forvard(carrier, distance_for(fringe_cells)).field


def fresnel_lightpipes(field: np.ndarray, fringe_cells: float) -> np.ndarray:
    """The same by LightPipes' direct integration (``Fresnel``), an algorithm of its own."""
    import LightPipes

    n = field.shape[0]
    carrier = LightPipes.Begin(n * CELL, WAVELENGTH, n)
    carrier.field = field.astype(complex)
    return LightPipes.Fresnel(carrier, distance_for(fringe_cells)).field


def half_level(fringe: float, blur: float) -> float:
    """Where a Fresnel edge blurred by ``blur`` reaches half its plateau: distance inside the geometric edge, same unit.

    Born & Wolf (from memory): I = ½ at v = 0.353637943 without blur.
    """
    if fringe <= 0:
        return 0.0
    dx = fringe / 60
    u = np.arange(-60 * fringe - 6 * blur, 60 * fringe + 6 * blur, dx)
    s, c = fresnel(u / fringe)
    light = 0.5 * ((c + 0.5) ** 2 + (s + 0.5) ** 2)
    if blur > 0:
        light = gaussian_filter1d(light, blur / dx, mode="nearest")
    k = int(np.argmax(light >= 0.5))
    return float(u[k - 1] + dx * (0.5 - light[k - 1]) / (light[k] - light[k - 1]))


@dataclass(frozen=True, slots=True)
class Bench:
    """A set-up in cells of the field's grid (``binning`` cells a pixel); offsets in aperture radii, y down."""

    n: int = 1024
    binning: int = 2
    radius: float = 300.0
    ratio: float = 0.85
    offset: tuple[float, float] = (0.05, -0.03)
    fringe_before: float = 5.0
    fringe_after: float = 4.0
    waist: float = 0.0  # 1σ of a Gaussian beam's intensity ÷ beam radius; 0 = top hat
    halo: float = 0.06
    coherence_blur: float = 2.0  # 1σ of the source's image on the screen, cells

    @property
    def beam_fringe(self) -> float:
        """Fringe scale of the beam's edge on the screen: λz adds up over both stretches."""
        return hypot(self.fringe_before, self.fringe_after)


def beam_at_aperture(b: Bench, where: tuple[float, float] | None = None) -> np.ndarray:
    """The beam's field at the aperture's plane."""
    x, y = (v * b.radius for v in (b.offset if where is None else where))
    field = soft_disc(b.n, x, y, b.ratio * b.radius).astype(complex)
    if b.waist:
        at = np.arange(b.n) - b.n // 2
        d2 = (at[None, :] - x) ** 2 + (at[:, None] - y) ** 2
        field *= np.exp(-0.25 * d2 / (b.waist * b.ratio * b.radius) ** 2)
    return propagate_lightpipes(field, b.fringe_before)


def passed_share(field: np.ndarray, stop: np.ndarray) -> float:
    """Transmitted ÷ incident power."""
    power = np.abs(field) ** 2
    return float((power * stop**2).sum() / power.sum())


def render(b: Bench) -> tuple[np.ndarray, dict[str, float]]:
    """(light on the screen, beam level 1, shape (n ÷ binning)²; truth)."""
    stop = soft_disc(b.n, 0.0, 0.0, b.radius)
    field = beam_at_aperture(b)
    now = passed_share(field, stop)
    best = max(passed_share(beam_at_aperture(b, (0.0, 0.0)), stop), now)
    light = np.abs(propagate_lightpipes(field * stop, b.fringe_after)) ** 2
    surround = np.abs(propagate_lightpipes(stop.astype(complex), b.fringe_after)) ** 2
    light = gaussian_filter(light + b.halo * surround, b.coherence_blur)
    m = b.n // b.binning
    picture = light.reshape(m, b.binning, m, b.binning).mean(axis=(1, 3))
    # Index i of the grid's middle n//2 → pixel coordinates of the binned picture.
    center = (b.n // 2 - (b.binning - 1) / 2) / b.binning
    blur = hypot(b.coherence_blur, b.binning / sqrt(12))
    r_a = (b.radius - half_level(b.fringe_after, blur)) / b.binning
    r_b = (b.ratio * b.radius - half_level(b.beam_fringe, blur)) / b.binning
    x, y = (v * b.radius / b.binning for v in b.offset)
    d = hypot(x, y)
    truth = {
        "aperture_x_px": center,
        "aperture_y_px": center,
        "aperture_radius_px": r_a,
        "beam_x_px": center + x,
        "beam_y_px": center + y,
        "beam_radius_px": r_b,
        "offset_x_px": x,
        "offset_y_px": y,
        "offset_x_percent": 100 * x / r_a,
        "offset_y_percent": 100 * y / r_a,
        "offset_percent": 100 * d / r_a,
        "offset_direction_deg": degrees(atan2(-y, x)) % 360,
        "gap_percent": 100 * (1 - (d + r_b) / r_a),
        "clipped_fraction": 1 - now,
        "score": 100 * now / best,
    }
    return picture, truth


def random_bench(rng: np.random.Generator, kind: str, n: int = 1024) -> Bench:
    """A random set-up of kind ``both-edges`` or ``clipped``."""
    radius = n * float(rng.uniform(0.24, 0.34))
    while True:
        ratio, d = float(rng.uniform(0.5, 1.2)), float(rng.uniform(0.0, 0.8))
        if kind == "both-edges" and ratio + d < 0.97:
            break
        # The beam's disc has to stay inside the grid, and not to cover the aperture.
        if kind == "clipped" and ratio + d > 1.04 and ratio - d < 0.9 and (ratio + d) * radius < 0.46 * n:
            break
    t = float(rng.uniform(0, 2 * pi))
    return Bench(
        n=n,
        radius=radius,
        ratio=ratio,
        offset=(d * cos(t), d * sin(t)),
        fringe_before=float(rng.uniform(3.5, 8.0)),
        fringe_after=float(rng.uniform(3.5, 7.0)),
        waist=float(rng.uniform(0.7, 1.5)) if rng.random() < 0.4 else 0.0,
        halo=float(rng.uniform(0.03, 0.12)),
        coherence_blur=float(rng.uniform(1.0, 4.0)),
    )


def scenes(n: int, seed: int = 21, grid: int = 1024) -> Iterator[Case]:
    """``n`` wave-optics pictures, `both-edges` and `clipped` in turn, with counting noise."""
    for k, rng in enumerate(children(seed, n)):
        kind = ("both-edges", "clipped")[k % 2]
        light, truth = render(random_bench(rng, kind, grid))
        peak, gain = float(np.exp(rng.uniform(np.log(50), np.log(3000)))), float(rng.uniform(0.5, 10))
        gray = rng.poisson(light * peak) * gain + rng.normal(200, 2 * gain, light.shape)
        yield Case(
            f"wave-{k:05d}",
            kind,
            np.clip(np.rint(gray), 0, 65535).astype(np.uint16),
            truth,
            allowed=("both-edges", "clipped") if abs(truth["gap_percent"]) <= 5 else (kind,),
            may_flags=("uneven", "noisy", "low-contrast"),
            about={"saturation": 65535.0},
            source="wave optics, LightPipes",
        )


def edge_check(n: int = 1024, fringe: float = 8.0) -> float:
    """I at the geometric edge of a wide disc ÷ its plateau, averaged around (0.25 at a straight edge)."""
    radius = 0.3 * n
    light = np.abs(propagate_lightpipes(soft_disc(n, 0, 0, radius).astype(complex), fringe)) ** 2
    at = np.arange(n) - n // 2
    d = np.hypot(at[None, :], at[:, None])
    ring = np.abs(d - radius) < 0.5
    inner = d < 0.6 * radius
    return float(light[ring].mean() / light[inner].mean())


def cross_check(n: int = 512, fringe: float = 6.0) -> tuple[float, float]:
    """Largest differences of the intensity from the plain FFT: LightPipes' spectral method, its direct integration."""
    field = soft_disc(n, 12.3, -7.6, 0.25 * n).astype(complex)
    own = np.abs(propagate(field, fringe)) ** 2
    spectral = np.abs(propagate_lightpipes(field, fringe)) ** 2
    direct = np.abs(fresnel_lightpipes(field, fringe)) ** 2
    return float(np.abs(own - spectral).max()), float(np.sqrt(np.mean((own - direct) ** 2)))


def gaussian_check(n: int = 1024, stop: float = 2.0, offset: float = 1.0) -> tuple[float, float]:
    """Share that passes an offset stop: (wave optics, noncentral χ²); lengths in σ of the intensity."""
    import LightPipes

    sigma = n / 14
    carrier = LightPipes.Begin(n * CELL, WAVELENGTH, n)
    # LightPipes' w0 is the 1/e² radius of the intensity, 2σ; so the field's amplitude falls to 1/e there.
    beam = LightPipes.GaussBeam(carrier, 2 * sigma * CELL)
    cut = LightPipes.CircAperture(beam, stop * sigma * CELL, offset * sigma * CELL, 0.0)
    return float(LightPipes.Power(cut) / LightPipes.Power(beam)), float(ncx2.cdf(stop**2, 2, offset**2))


def main() -> None:
    parser = argparse.ArgumentParser(description="Checks of the wave-optics pictures.")
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    n = 512 if quick else 1024
    value = edge_check(n)
    good = "yes" if abs(value / 0.25 - 1) < 0.06 else "NO"
    print(f"I at the edge ÷ plateau           {value:.4f}   (0.25 ± 6 %: {good})")
    spectral, direct = cross_check(256 if quick else 512)
    print(f"FFT − LightPipes spectral, max    {spectral:.1e}")
    print(f"FFT − LightPipes direct, rms      {direct:.1e}")
    for stop, offset in ((1.0, 1.0), (2.0, 1.0), (3.0, 2.0)):
        got, expected = gaussian_check(n, stop, offset)
        print(f"Gaussian, stop {stop:g}σ, offset {offset:g}σ    {got:.5f}   noncentral χ² {expected:.5f}")


if __name__ == "__main__":
    main()
