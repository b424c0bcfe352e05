"""The light before the camera: aperture × [halo + beam], and what lies in its way.

In the plain case (no fringes, polynomial light, no nuisances) this is the picture of :mod:`apertrue.model.forward`; a
test holds the two together. Coordinates: px, x right, y down. Light: electrons per pixel.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from math import cos, radians, sin

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.special import fresnel

from ..model.edges import distance, step
from ..scene import Edge
from .recipe import Recipe

Array = NDArray[np.float64]
#: A beam's light relative to its level, from its round unit coordinates ξ (right) and η (down).
Profile = Callable[[Array, Array], Array]


def profile_of(recipe: Recipe) -> Profile:
    """The beam's light as the recipe describes it; 1 at nominal level, never negative."""
    t = radians(recipe.light_tilt_direction_deg)
    tx, ty = recipe.light_tilt * cos(t), -recipe.light_tilt * sin(t)

    def light(xi: Array, eta: Array) -> Array:
        rho2 = xi * xi + eta * eta
        out = 1.0 - recipe.dome * rho2
        if recipe.rim or recipe.rings:
            rho = np.sqrt(rho2)
            if recipe.rim:
                w = recipe.rim_width
                out += recipe.rim * np.exp(-0.5 * ((rho - (1 - w)) / (0.5 * w)) ** 2)
            if recipe.rings:
                out += recipe.rings * np.cos(2 * np.pi * recipe.ring_count * rho)
        if recipe.core:
            out += recipe.core * np.exp(-0.5 * rho2 / recipe.core_width**2)
        if recipe.waist:
            out *= np.exp(-0.5 * rho2 / recipe.waist**2)
        if recipe.light_tilt:
            out += tx * xi + ty * eta
        return np.maximum(out, 0.0)

    return light


@lru_cache(maxsize=64)
def _fringe_table(fringe: float, width: float) -> tuple[Array, Array]:
    """Positions (px, positive inside) and light of a Fresnel edge blurred by ``width``, half its plateau at 0.

    I(v) = ½{[C(v) + ½]² + [S(v) + ½]²}, v = u/fringe (Born & Wolf, Principles of Optics, from memory). The blur stands
    for partial coherence; the table is shifted so that the half-plateau point lies at u = 0.
    """
    span = 40.0 * fringe + 8.0 * width
    dx = min(fringe, width) / 20.0
    u = np.arange(-span, span, dx)
    s, c = fresnel(u / fringe)
    light = 0.5 * ((c + 0.5) ** 2 + (s + 0.5) ** 2)
    # The far fringes are faded out so that the table ends on the plateau.
    fade = np.clip((u / span - 0.5) / 0.4, 0.0, 1.0)
    light = gaussian_filter1d(light * (1 - fade) + fade, width / dx, mode="nearest")
    k = int(np.argmax(light >= 0.5))
    at = u[k - 1] + dx * (0.5 - light[k - 1]) / (light[k] - light[k - 1])
    return u - at, light


def edge_light(x: Array, y: Array, edge: Edge, fringe: float = 0.0) -> Array:
    """Share of light that passes an edge at points: ½ on it, 1 far inside (with fringes around 1 if asked)."""
    u = distance(x, y, np.array([edge.x, edge.y, edge.radius, edge.e1, edge.e2]))
    if not fringe:
        return step(u, edge.width)
    at, light = _fringe_table(fringe, edge.width)
    return np.interp(u, at, light)


def halo_at(recipe: Recipe, px: Array, py: Array) -> Array:
    """The halo at aperture-plane positions (aperture radii, y down), ÷ beam level; never negative."""
    ox, oy = 0.5 * recipe.offset
    t = radians(recipe.halo_direction_deg)
    out = recipe.halo_level / (1.0 + recipe.halo_decay * ((px - ox) ** 2 + (py - oy) ** 2))
    out = out * (1.0 + recipe.halo_slope * (px * cos(t) - py * sin(t)))
    return np.asarray(np.maximum(out, 0.0))


def clean_light(recipe: Recipe, profile: Profile | None = None) -> Array:
    """Aperture × [halo + beam] + background + glare, electrons per pixel, shape (rows, columns)."""
    light = profile or profile_of(recipe)
    out = np.empty((recipe.rows, recipe.columns))
    to_plane = np.linalg.inv(recipe.aperture_radius_px * recipe.view)
    cx, cy = recipe.center
    strip = max(1, 500_000 // recipe.columns)
    xs = np.arange(recipe.columns, dtype=float)
    for top in range(0, recipe.rows, strip):
        ys = np.arange(top, min(top + strip, recipe.rows), dtype=float)
        x, y = np.meshgrid(xs, ys)
        px = to_plane[0, 0] * (x - cx) + to_plane[0, 1] * (y - cy)
        py = to_plane[1, 0] * (x - cx) + to_plane[1, 1] * (y - cy)
        inside = halo_at(recipe, px, py) + _disc(recipe, recipe.beam, x, y, light)
        if recipe.afterglow_level:
            ghost = recipe.disc_at(np.array([recipe.afterglow_x_percent, recipe.afterglow_y_percent]) / 100)
            inside = inside + recipe.afterglow_level * _disc(recipe, ghost, x, y, light)
        if recipe.aperture_in:
            inside = inside * edge_light(x, y, recipe.aperture, recipe.aperture_fringe_px)
        if recipe.glare_level:
            d2 = (px - recipe.offset[0]) ** 2 + (py - recipe.offset[1]) ** 2
            inside = inside + recipe.glare_level * np.exp(-0.5 * d2 / recipe.glare_radius**2)
        background = (
            recipe.background_level
            + recipe.background_slope_x * (x / max(recipe.columns - 1, 1) - 0.5)
            + recipe.background_slope_y * (y / max(recipe.rows - 1, 1) - 0.5)
        )
        out[top : top + len(ys)] = inside + np.maximum(background, 0.0)
    return out * recipe.peak_electrons + recipe.background_electrons


def _disc(recipe: Recipe, edge: Edge, x: Array, y: Array, light: Profile) -> Array:
    m = np.linalg.inv(recipe.beam_seen)
    dx, dy = x - edge.x, y - edge.y
    xi, eta = m[0, 0] * dx + m[0, 1] * dy, m[1, 0] * dx + m[1, 1] * dy
    return edge_light(x, y, edge, recipe.beam_fringe_px) * light(xi, eta)


def shadows(recipe: Recipe, rng: np.random.Generator) -> tuple[Array, Array]:
    """What the light loses on its way to the camera, and the part of it that is in the way.

    Returns:
        share: share of light that arrives, shape (rows, columns): bar, dirt, grain and vignetting together.
        in_the_way: share of light that bar and dirt alone take, same shape, 0 to 1.
    """
    rows, columns = recipe.rows, recipe.columns
    y, x = np.ogrid[0:rows, 0:columns]
    cx, cy = recipe.center
    keep = np.ones((rows, columns))
    if recipe.bar_width_px > 0:
        t = radians(recipe.bar_angle_deg)
        across = (x - cx) * sin(t) + (y - cy) * cos(t) - recipe.bar_position * recipe.aperture_radius_px
        depth = 1 - recipe.bar_transmission
        keep *= 1 - depth * step(recipe.bar_width_px / 2 - np.abs(across), 1.2)
    for _ in range(recipe.dirt_count):
        r = recipe.aperture_radius_px * np.sqrt(rng.uniform()) * 1.05
        angle = rng.uniform(0, 2 * np.pi)
        size = recipe.dirt_size_px * rng.uniform(0.6, 1.5)
        k = rng.uniform(0.6, 1.6)
        d = np.hypot((x - cx - r * np.cos(angle)) * k, (y - cy - r * np.sin(angle)) / k)
        keep *= 1 - recipe.dirt_depth * step(size - d, 0.15 * size + 0.6)
    in_the_way = 1 - keep
    if recipe.grain > 0:
        texture = gaussian_filter(rng.normal(size=(rows, columns)), recipe.grain_px, mode="wrap")
        keep = keep * np.maximum(1 + recipe.grain * texture / texture.std(), 0.0)
    if recipe.vignetting > 0:
        corner = (columns / 2) ** 2 + (rows / 2) ** 2
        keep = keep * (1 - recipe.vignetting * ((x - columns / 2) ** 2 + (y - rows / 2) ** 2) / corner)
    return keep, in_the_way


def blurred_edge(edge: Edge, blur: float) -> Edge:
    """The edge as it stands in the picture after a Gaussian camera blur.

    Widths add in squares. On a curved edge the half-plateau point moves inward by blur²·curvature/2 (second-order
    expansion of the blurred disc; own derivation, checked by a test).
    """
    if not blur:
        return edge
    a, b = edge.semi_axes
    a2, b2 = a - blur**2 * a / (2 * b * b), b - blur**2 * b / (2 * a * a)
    e = (a2 - b2) / (a2 + b2)
    k = e / edge.ellipticity if edge.ellipticity > 0 else 0.0
    width = float(np.hypot(edge.width, blur))
    return replace(edge, radius=float(np.sqrt(a2 * b2)), e1=edge.e1 * k, e2=edge.e2 * k, width=width)
