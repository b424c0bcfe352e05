"""The virtual camera, quick enough for a live view: blurred steps are worked out near edges only.

Geometry, profile and halo are those of :mod:`apertrue.simulate`; a test holds this picture to ``simulate``'s.
Counting noise is taken as normal, which above a few electrons can't be told apart.
"""

from math import cos, radians, sin

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance, step
from ..scene import Edge
from ..simulate import Recipe

F32 = NDArray[np.float32]


def light_of(recipe: Recipe) -> F32:
    """Electrons per pixel without noise, shape (rows, columns), for dome, tilt and an even or sloping halo."""
    x = np.arange(recipe.columns, dtype=np.float32)[None, :]
    y = np.arange(recipe.rows, dtype=np.float32)[:, None]
    cx, cy = recipe.center
    plane = np.linalg.inv(recipe.aperture_radius_px * recipe.view).astype(np.float32)
    out = np.full((recipe.rows, recipe.columns), np.float32(recipe.halo_level))
    if recipe.halo_slope:
        t = radians(recipe.halo_direction_deg)
        a = plane[0, 0] * cos(t) - plane[1, 0] * sin(t)
        b = plane[0, 1] * cos(t) - plane[1, 1] * sin(t)
        k = recipe.halo_level * recipe.halo_slope
        out += np.float32(k * a) * (x - np.float32(cx)) + np.float32(k * b) * (y - np.float32(cy))
    out += _beam(recipe, x, y)
    out *= _shade(recipe.aperture, x, y)
    out *= np.float32(recipe.peak_electrons)
    if recipe.background_level:
        out += np.float32(recipe.background_level * recipe.peak_electrons)
    return out


def _beam(recipe: Recipe, x: F32, y: F32) -> F32:
    edge = recipe.beam
    m = np.linalg.inv(recipe.beam_seen).astype(np.float32)
    dx, dy = x - np.float32(edge.x), y - np.float32(edge.y)
    light = np.ones((y.shape[0], x.shape[1]), dtype=np.float32)
    if recipe.dome:
        g = m.T @ m
        light -= np.float32(recipe.dome) * (g[0, 0] * dx * dx + 2 * g[0, 1] * dx * dy + g[1, 1] * dy * dy)
    if recipe.light_tilt:
        t = radians(recipe.light_tilt_direction_deg)
        tx, ty = recipe.light_tilt * cos(t), -recipe.light_tilt * sin(t)
        light += np.float32(tx * m[0, 0] + ty * m[1, 0]) * dx + np.float32(tx * m[0, 1] + ty * m[1, 1]) * dy
    np.maximum(light, 0.0, out=light)
    light *= _shade(edge, x, y)
    return light


def _shade(edge: Edge, x: F32, y: F32) -> F32:
    """The blurred step of an edge on the whole grid: 1 inside, 0 outside, exact within 6 widths of the edge."""
    n = 1.0 / np.sqrt(1.0 - edge.e1**2 - edge.e2**2)
    a, b, c = (1 - edge.e1) * n, -edge.e2 * n, (1 + edge.e1) * n
    g11, g12, g22 = np.float32(a * a + b * b), np.float32(2 * b * (a + c)), np.float32(b * b + c * c)
    dx, dy = x - np.float32(edge.x), y - np.float32(edge.y)
    q2 = g11 * dx * dx + g12 * dx * dy + g22 * dy * dy
    reach = 6.0 * edge.width * (1.0 + 2.0 * edge.ellipticity) + 1.0
    low, high = max(edge.radius - reach, 0.0), edge.radius + reach
    out = (q2 < np.float32(edge.radius**2)).astype(np.float32)
    rows, columns = np.nonzero(
        (q2 > np.float32(low * low)) & (q2 < np.float32(high * high)) if low > 0 else q2 < high * high
    )
    u = distance(columns.astype(float), rows.astype(float), np.array([edge.x, edge.y, edge.radius, edge.e1, edge.e2]))
    out[rows, columns] = step(u, edge.width)
    return out


def expose(light: F32, recipe: Recipe, rng: np.random.Generator) -> NDArray[np.uint16]:
    """The 16-bit picture of a counting camera that sees ``light`` (electrons per pixel)."""
    gain = np.float32(recipe.gain)
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    noise *= np.sqrt(light * (gain * gain) + np.float32(recipe.read_noise**2))
    noise += light * gain
    noise += np.float32(recipe.bias + 0.5)
    top = 65535.0 if recipe.saturation is None else recipe.saturation
    np.clip(noise, 0.0, top, out=noise)
    return noise.astype(np.uint16)
