"""What was located in a picture: shapes, levels, noise, and the joint covariance of it all."""

from dataclasses import dataclass, field
from math import atan2, degrees, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .registry import SceneKind

#: Order of an edge's parameters in a covariance matrix.
EDGE_PARAMS = ("x", "y", "radius", "e1", "e2", "width")


@dataclass(frozen=True, slots=True)
class Edge:
    """A soft elliptical edge in pixel coordinates (x right, y down, center of the top-left pixel = (0, 0)).

    Attributes:
        x, y: center, px.
        radius: geometric mean of the semi-axes, px.
        e1, e2: ellipticity components (1): e·cos 2φ and e·sin 2φ with e = (major − minor)/(major + minor) and
            φ the major axis' direction from +x toward +y (clockwise on the screen, as y points down).
        width: 1σ of the blurred step, px.
        seen: share of the edge's circumference that carried the fit, 0 to 1.
        arcs: the stretches that carried it, as (start, end) in degrees counter-clockwise from +x on the screen.
    """

    x: float
    y: float
    radius: float
    e1: float = 0.0
    e2: float = 0.0
    width: float = 1.0
    seen: float = 1.0
    arcs: tuple[tuple[float, float], ...] = ()

    @property
    def ellipticity(self) -> float:
        """(major − minor)/(major + minor)."""
        return sqrt(self.e1 * self.e1 + self.e2 * self.e2)

    @property
    def axis_deg(self) -> float:
        """Direction of the major axis in [0, 180), counter-clockwise from +x on the screen."""
        return degrees(-0.5 * atan2(self.e2, self.e1)) % 180.0

    @property
    def semi_axes(self) -> tuple[float, float]:
        """(semi-major, semi-minor), px."""
        k = sqrt((1 + self.ellipticity) / (1 - self.ellipticity))
        return self.radius * k, self.radius / k

    def to_round(self) -> NDArray[np.float64]:
        """The symmetric 2×2 matrix of determinant 1 that makes this ellipse round: |M (p − center)| = radius on the edge."""
        e1, e2 = self.e1, self.e2
        m = np.array([[1 - e1, -e2], [-e2, 1 + e1]])
        return m / sqrt(1 - e1 * e1 - e2 * e2)

    def outline(self, n: int = 128) -> NDArray[np.float64]:
        """``n`` points (x, y) on the edge, shape (n, 2), px."""
        t = np.linspace(0, 2 * np.pi, n, endpoint=False)
        circle = np.stack([np.cos(t), np.sin(t)], axis=1) * self.radius
        return circle @ np.linalg.inv(self.to_round()).T + (self.x, self.y)


@dataclass(frozen=True, slots=True)
class Noise:
    """The camera's noise as estimated from the picture itself: variance = read_variance + gain · (level − bias).

    Attributes:
        bias: level without light, gray levels.
        read_variance: variance of a pixel without light, gray levels².
        gain: gray levels per detected electron (variance per level), gray levels.
        correlation: variance of the mean of many neighboring pixels ÷ that of independent pixels (1 = white noise).
        unevenness: 1σ of a slow unevenness of the level without light that averaging over pixels does not lessen, gray
            levels; 0 unless it was looked for.
        rounding: step to which levels were rounded, gray levels, where the noise is too small to make the mean of many
            pixels right in spite of it (8 bits of a quiet camera); else 0.
    """

    bias: float
    read_variance: float
    gain: float
    correlation: float = 1.0
    unevenness: float = 0.0
    rounding: float = 0.0

    def variance(self, level: Any) -> Any:
        """Variance of one pixel at ``level`` (gray levels, scalar or array); never below the read variance."""
        return self.read_variance + self.gain * np.maximum(np.asarray(level, dtype=float) - self.bias, 0.0)

    def mean_variance(self, level: Any, count: Any) -> Any:
        """Variance of the mean of ``count`` neighboring pixels at ``level`` (gray levels, scalars or arrays)."""
        variance = self.variance(level)
        common = self.unevenness**2
        if self.rounding > 0:
            common = common + rounding_variance(variance, self.rounding)
        return self.correlation * variance / count + common


def rounding_variance(variance: Any, step: float) -> Any:
    """Mean square of what rounding makes of the mean of many equal pixels, gray levels².

    Rounding is right in the mean only where noise spreads over its steps. Pixels of mean μ (in steps) with Gaussian noise of
    1σ s before it have a mean error of Σ (−1)ᵏ⁺¹ sin(2πkμ)·exp(−2π²k²s²)/(πk) (Widrow & Kollár, Quantization Noise, 2008,
    from memory). Taken is its whole mean square without noise, 1/12, with the decay of the first term, which is up to twice
    too much.

    Args:
        variance: of a pixel after rounding, gray levels² (scalar or array).
        step: between levels, gray levels.
    """
    before = np.maximum(np.asarray(variance, dtype=float) / step**2 - 1 / 12, 0.0)
    return step**2 / 12 * np.exp(-4 * np.pi**2 * before)


@dataclass(frozen=True, slots=True)
class BeamProfile:
    """The beam's own light (without halo), continued over its whole disc.

    Light at p = level · (1 + Σ radial[k]·ρ^(2(k+1)) + tilt_x·ξ + tilt_y·η) inside the beam's soft edge, where
    (ξ, η) = M (p − center)/radius with the beam's :meth:`Edge.to_round` M, and ρ² = ξ² + η².
    """

    level: float
    radial: tuple[float, ...] = ()
    tilt_x: float = 0.0
    tilt_y: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What :mod:`apertrue.locate` found in one picture.

    Attributes:
        kind, confidence, flags: as in the registry.
        aperture, beam: the edges, ``None`` where not found. ``edge`` is the one edge of unknown owner, if that is all.
        parameters: joint covariance's order is aperture (6, :data:`EDGE_PARAMS`), beam (6), then
            beam level, radial…, tilt_x, tilt_y (relative to level), then halo_mean. ``None`` when there is none.
        covariance: of those, model error included; NaN-free. Rows of a missing edge are zero.
        profile: the beam's profile; ``None`` when not measured.
        halo_mean: mean level of the halo inside the aperture above the background, gray levels.
        background: level outside, gray levels.
        core: level of the beam's plateau incl. halo, gray levels.
        unevenness: (value, σ) in %, spread of the smoothed light over the lit area; ``None`` if unknown.
        noise: the camera's noise; ``None`` if it could not be estimated.
        chi2: reduced χ² of the fit before it enlarged the covariance.
        aperture_remembered: whether the aperture is a remembered one.
        sign_known: whether it is known which edge is whose (else only the offset's length is known).
        guided: whether a user's hint was the start.
        levels_linear: whether score, clipped share and evenness may be given.
        why: ids of reasons that locate itself can give (``one-edge-only``, ``sides-ambiguous``, …).
    """

    kind: SceneKind
    confidence: float
    shape: tuple[int, int]
    flags: tuple[str, ...] = ()
    aperture: Edge | None = None
    beam: Edge | None = None
    edge: Edge | None = None
    covariance: NDArray[np.float64] | None = None
    profile: BeamProfile | None = None
    halo_mean: float | None = None
    background: float | None = None
    core: float | None = None
    unevenness: tuple[float, float] | None = None
    noise: Noise | None = None
    chi2: float | None = None
    aperture_remembered: bool = False
    sign_known: bool = True
    guided: bool = False
    levels_linear: bool = True
    why: tuple[str, ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Hints:
    """What is known before looking; all optional.

    Attributes:
        aperture: a remembered aperture edge, shown to have stayed still, with its 1σ position doubt in px.
        aperture_sigma_px: that doubt.
        aperture_radius_px: the aperture's radius in this view, and its relative doubt (1σ).
        linear: ``True``/``False`` when the camera was declared linear or not; ``None`` to judge from the picture.
        region: (left, top, right, bottom) in px to which the search is restricted.
        start_aperture, start_beam: edges drawn by the user, taken as the fit's start.
        previous: the last frame's scene, for tracking.
    """

    aperture: Edge | None = None
    aperture_sigma_px: float = 0.0
    aperture_radius_px: float | None = None
    aperture_radius_sigma: float = 0.02
    linear: bool | None = None
    region: tuple[float, float, float, float] | None = None
    start_aperture: Edge | None = None
    start_beam: Edge | None = None
    previous: "Scene | None" = None
