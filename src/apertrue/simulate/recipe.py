"""What to simulate, in physical words: the parameters of the forward model and every nuisance of real pictures."""

from dataclasses import dataclass, fields, replace
from math import cos, hypot, radians, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..scene import Edge

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Recipe:
    """One picture to simulate. Angles in degrees, counter-clockwise from +x on the screen; y of percents points down.

    Attributes:
        rows, columns: size of the picture, px.
        aperture_x_px, aperture_y_px: the aperture's center; ``None`` = the frame's center.
        aperture_radius_px: geometric mean of its semi-axes as seen.
        aperture_edge_px, beam_edge_px: 1σ of the blurred steps before the camera's own blur, px.
        aperture_fringe_px, beam_fringe_px: scale √(λz/2) of straight-edge Fresnel fringes at the edge, px; 0 = none.
        beam_ratio: beam radius ÷ aperture radius (geometric means, aperture plane).
        offset_x_percent, offset_y_percent: beam center − aperture center in the aperture plane, % of its radius.
        astigmatism, astigmatism_axis_deg: the beam's own ellipticity (major − minor)/(major + minor) in the aperture
            plane, and its major axis.
        view_tilt_deg, view_axis_deg: tilt of the screen against the view; the axis about which it is tilted (which
            stays long). Aperture and beam are foreshortened together by cos(tilt) across it.
        dome: the beam's light falls by this share from center to rim as ρ² (negative = rises).
        light_tilt, light_tilt_direction_deg: linear slope of the light per beam radius, and where it is brighter.
        rim, rim_width: extra light in a ring just inside the beam's edge, relative to the level; its width ÷ radius.
        core, core_width: extra light at the beam's center, relative; its 1σ ÷ radius.
        rings, ring_count: amplitude and number of concentric rings in the beam's light.
        waist: the light is also multiplied by exp(−ρ²/(2·waist²)); 0 = not.
        peak_electrons: detected electrons per pixel at the beam's nominal level, without halo. 0 = no beam.
        halo_level: halo ÷ beam level at the aperture's center.
        halo_decay: falls as 1/(1 + decay·d²), d = distance from half-way to the beam in aperture radii.
        halo_slope, halo_direction_deg: linear unevenness of the halo per aperture radius, and where it is brighter.
        aperture_in: whether there is an aperture at all (without it the halo spreads over the whole picture).
        glare_level, glare_radius: camera glare around the beam that spills past the aperture, ÷ beam level; its 1σ in
            aperture radii.
        background_electrons: even light everywhere, electrons per pixel (also without a beam).
        background_level: even light everywhere ÷ beam level.
        background_slope_x, background_slope_y: its change over the frame's width and height ÷ beam level.
        bar_width_px, bar_angle_deg, bar_position, bar_transmission: a grid bar's shadow: width, direction, distance of
            its middle from the aperture's center in aperture radii, share of light that it lets through.
        dirt_count, dirt_size_px, dirt_depth: specks of dirt over the lit area: number, radius, share of light lost.
        grain, grain_px: relative rms of the screen's grain and its grain size (1σ).
        vignetting: share of light lost in the frame's corners (falls as the square of the distance).
        afterglow_level, afterglow_x_percent, afterglow_y_percent: the previous disc still glowing, ÷ beam level, and
            its offset in the aperture plane.
        blur_px: Gaussian point spread before detection, 1σ.
        spread_px: Gaussian point spread after detection, 1σ: blurs and correlates the noise.
        gain: gray levels per detected electron.
        bias: gray level without light.
        read_noise: 1σ of a pixel without light, gray levels.
        row_noise: 1σ of an extra offset common to each row, gray levels.
        drift_noise: 1σ of a slowly varying (40 px) additive noise, gray levels.
        hot_pixels, hot_level: share of hot pixels and their mean extra level, gray levels.
        dead_columns: number of columns that stay at the bias.
        dead_quadrant: 0 none, 1–4: that quadrant stays at the bias (1 = top right, counter-clockwise).
        interlace_px, interlace_gain: odd rows are shifted by this and multiplied by 1 + gain.
        saturation: gray level at which the camera saturates; ``None`` = the pixel type's top.
        bits: 8, 16 or 32 (float).
        gamma: gray = light^gamma on the display scale; 1 = linear.
        auto_contrast: the picture is stretched between its 0.2 % and 99.8 % levels.
        inverted: light is dark.
        color: ``""`` gray, or ``green``, ``blue``, ``amber``: a colored screen, saved as RGB.
        jpeg_quality: 0 = lossless, else 1–95.
        text, scale_bar, border_px: overlay: burnt-in text, a scale bar, a window's border of that width.
        working_ratio: beam radius ÷ aperture radius that the work uses, for ``working_score``.
    """

    rows: int = 512
    columns: int = 512
    aperture_x_px: float | None = None
    aperture_y_px: float | None = None
    aperture_radius_px: float = 180.0
    aperture_edge_px: float = 1.2
    beam_edge_px: float = 2.0
    aperture_fringe_px: float = 0.0
    beam_fringe_px: float = 0.0
    beam_ratio: float = 0.9
    offset_x_percent: float = 4.0
    offset_y_percent: float = -3.0
    astigmatism: float = 0.0
    astigmatism_axis_deg: float = 0.0
    view_tilt_deg: float = 0.0
    view_axis_deg: float = 0.0
    dome: float = 0.0
    light_tilt: float = 0.0
    light_tilt_direction_deg: float = 0.0
    rim: float = 0.0
    rim_width: float = 0.12
    core: float = 0.0
    core_width: float = 0.3
    rings: float = 0.0
    ring_count: float = 5.0
    waist: float = 0.0
    peak_electrons: float = 1000.0
    halo_level: float = 0.05
    halo_decay: float = 0.0
    halo_slope: float = 0.0
    halo_direction_deg: float = 0.0
    aperture_in: bool = True
    glare_level: float = 0.0
    glare_radius: float = 1.0
    background_electrons: float = 0.0
    background_level: float = 0.0
    background_slope_x: float = 0.0
    background_slope_y: float = 0.0
    bar_width_px: float = 0.0
    bar_angle_deg: float = 0.0
    bar_position: float = 0.0
    bar_transmission: float = 0.05
    dirt_count: int = 0
    dirt_size_px: float = 8.0
    dirt_depth: float = 0.6
    grain: float = 0.0
    grain_px: float = 1.0
    vignetting: float = 0.0
    afterglow_level: float = 0.0
    afterglow_x_percent: float = 0.0
    afterglow_y_percent: float = 0.0
    blur_px: float = 0.0
    spread_px: float = 0.0
    gain: float = 4.0
    bias: float = 100.0
    read_noise: float = 3.0
    row_noise: float = 0.0
    drift_noise: float = 0.0
    hot_pixels: float = 0.0
    hot_level: float = 2000.0
    dead_columns: int = 0
    dead_quadrant: int = 0
    interlace_px: float = 0.0
    interlace_gain: float = 0.0
    saturation: float | None = None
    bits: int = 16
    gamma: float = 1.0
    auto_contrast: bool = False
    inverted: bool = False
    color: str = ""
    jpeg_quality: int = 0
    text: str = ""
    scale_bar: bool = False
    border_px: int = 0
    working_ratio: float | None = None

    def __post_init__(self) -> None:
        if min(self.rows, self.columns) < 4:
            raise ValueError("rows and columns must be at least 4")
        positive = ("aperture_radius_px", "aperture_edge_px", "beam_edge_px", "beam_ratio", "gain")
        for name in positive:
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} must be positive")
        if self.bits not in (8, 16, 32):
            raise ValueError("bits must be 8, 16 or 32")
        if self.color not in COLORS:
            raise ValueError(f"color must be one of {', '.join(c or '(empty)' for c in COLORS)}")
        if not 0 <= self.astigmatism < 1:
            raise ValueError("astigmatism must be in [0, 1)")
        if not 0 <= self.view_tilt_deg < 80:
            raise ValueError("view_tilt_deg must be in [0, 80)")
        if not 0 <= self.jpeg_quality <= 95:
            raise ValueError("jpeg_quality must be 0 (lossless) to 95")
        if self.dead_quadrant not in (0, 1, 2, 3, 4):
            raise ValueError("dead_quadrant must be 0 (none) to 4")

    # --- geometry ------------------------------------------------------------------------------------------------
    @property
    def center(self) -> tuple[float, float]:
        """The aperture's center (x, y), px."""
        x = (self.columns - 1) / 2 if self.aperture_x_px is None else self.aperture_x_px
        y = (self.rows - 1) / 2 if self.aperture_y_px is None else self.aperture_y_px
        return x, y

    @property
    def view(self) -> Array:
        """The symmetric 2×2 matrix of determinant 1 that the view applies to the aperture plane (y down)."""
        c = cos(radians(self.view_tilt_deg))
        return stretch((1 - c) / (1 + c), self.view_axis_deg)

    @property
    def beam_plane(self) -> Array:
        """The 2×2 matrix from the beam's round unit coordinates to aperture-plane offsets (aperture radii, y down)."""
        return self.beam_ratio * stretch(self.astigmatism, self.astigmatism_axis_deg)

    @property
    def beam_seen(self) -> Array:
        """The 2×2 matrix from the beam's round unit coordinates to picture offsets, px."""
        return np.asarray(self.aperture_radius_px * self.view @ self.beam_plane)

    @property
    def offset(self) -> Array:
        """Beam center − aperture center in the aperture plane, aperture radii, y down."""
        return np.array([self.offset_x_percent, self.offset_y_percent]) / 100.0

    def to_picture(self, plane: Array) -> Array:
        """Picture positions (px) of aperture-plane positions (aperture radii); shapes (..., 2)."""
        out: Array = np.asarray(plane) @ (self.aperture_radius_px * self.view).T + self.center
        return out

    @property
    def aperture(self) -> Edge:
        """The aperture's edge as seen, before the camera's blur."""
        x, y = self.center
        e1, e2 = ellipticity_of(self.view)
        return Edge(x, y, self.aperture_radius_px, e1, e2, self.aperture_edge_px)

    @property
    def beam(self) -> Edge:
        """The beam's edge as seen, before the camera's blur."""
        return self.disc_at(self.offset)

    def disc_at(self, plane: Array) -> Edge:
        """The beam's edge if its center stood at ``plane`` (aperture radii)."""
        x, y = self.to_picture(plane)
        e1, e2 = ellipticity_of(self.beam_seen)
        radius = self.aperture_radius_px * self.beam_ratio
        return Edge(float(x), float(y), radius, e1, e2, self.beam_edge_px)

    @property
    def total_blur_px(self) -> float:
        """1σ of the camera's whole point spread, px."""
        return hypot(self.blur_px, self.spread_px)

    @property
    def linear(self) -> bool | None:
        """What a reader would know about linearity: ``False`` for display pictures, else ``None``."""
        display = self.bits == 8 or bool(self.color) or bool(self.jpeg_quality) or self.auto_contrast
        return False if display else None

    @property
    def distorted(self) -> bool:
        """Whether gray levels are in truth not proportional to light plus a constant, or this can't be known."""
        return self.gamma != 1.0 or self.linear is False

    def to_dict(self) -> dict[str, Any]:
        """All parameters by name."""
        return {f.name: getattr(self, f.name) for f in fields(self)}

    def with_values(self, **values: Any) -> "Recipe":
        """A copy with some parameters replaced."""
        return replace(self, **values)

    def displaced(self, view: Array, beam: Array) -> "Recipe":
        """The scene after a movement between two frames.

        Args:
            view: how far the whole view moved, (x, y), px.
            beam: how far the beam moved beside it, (x, y), px.
        """
        x, y = self.center
        percent = 100 * beam / self.aperture_radius_px
        return replace(
            self,
            aperture_x_px=x + float(view[0]),
            aperture_y_px=y + float(view[1]),
            offset_x_percent=self.offset_x_percent + float(percent[0]),
            offset_y_percent=self.offset_y_percent + float(percent[1]),
        )


#: Colored screens: name → relative light in red, green, blue.
COLORS: dict[str, tuple[float, float, float]] = {
    "": (1.0, 1.0, 1.0),
    "green": (0.28, 1.0, 0.22),
    "blue": (0.15, 0.35, 1.0),
    "amber": (1.0, 0.65, 0.12),
}


def stretch(ellipticity: float, axis_deg: float) -> Array:
    """The symmetric 2×2 matrix of determinant 1 that turns a circle into an ellipse.

    Args:
        ellipticity: (major − minor)/(major + minor).
        axis_deg: the major axis, counter-clockwise from +x on the screen; the matrix acts on (x right, y down).
    """
    k = ((1 + ellipticity) / (1 - ellipticity)) ** 0.5
    t = radians(axis_deg)
    u = np.array([cos(t), -sin(t)])
    outer = np.outer(u, u)
    return np.asarray(k * outer + (np.eye(2) - outer) / k)


def ellipticity_of(matrix: Array) -> tuple[float, float]:
    """(e1, e2) of the ellipse that ``matrix`` makes of the unit circle, as in :class:`apertrue.scene.Edge`."""
    u, s, _ = np.linalg.svd(matrix)
    e = float((s[0] - s[1]) / (s[0] + s[1]))
    c, d = float(u[0, 0]), float(u[1, 0])
    return e * (c * c - d * d), e * 2 * c * d
