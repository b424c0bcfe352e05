"""Which flags a simulated picture must raise and which it may: limits from the registry, with a gray zone."""

from math import hypot, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..registry import FLAGS, SceneKind
from ..scene import Edge
from .recipe import Recipe
from .truth import Truth, halo_z

#: A flag must be raised beyond limit × this, and may be beyond limit ÷ this.
GRAY_ZONE = 1.5


def flags_of(
    recipe: Recipe, truth: Truth, picture: NDArray[Any], level: float | None, in_the_way: NDArray[np.float64]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(must, may) flags of a picture.

    Args:
        recipe: what was asked for.
        truth: its truth so far.
        picture: as saved, 2-D, before color and overlay.
        level: its saturation level, gray levels.
        in_the_way: share of light taken by bar and dirt, as from :func:`apertrue.simulate.light.shadows`.
    """
    must: list[str] = []
    may: list[str] = []

    def judge(name: str, value: float, limit: float | None = None) -> None:
        bound = FLAGS[name].limit if limit is None else limit
        assert bound is not None
        if value > bound * GRAY_ZONE:
            must.append(name)
        elif value > bound / GRAY_ZONE:
            may.append(name)

    lit = _disc(recipe.aperture, picture.shape) if recipe.aperture_in else np.ones(picture.shape[:2], bool)
    beam_lit = lit & _disc(recipe.beam, picture.shape)
    if level is not None and not recipe.inverted:
        share = float(np.mean(picture[beam_lit] >= level)) if beam_lit.any() else 0.0
        if recipe.auto_contrast or recipe.jpeg_quality or recipe.gamma != 1.0:
            may += ["saturated"] if share > 0 else []
        else:
            judge("saturated", share)
    covered = in_the_way > 0.05
    shares = [float(np.mean(covered[lit]))] if lit.any() else []
    shares += [_covered(covered, recipe.aperture)] if recipe.aperture_in else []
    shares += [_covered(covered, recipe.beam)] if truth.beam_x_px is not None else []
    judge("in-the-way", max(shares, default=0.0))
    if recipe.aperture_in and truth.aperture_x_px is not None:
        judge("cut-by-frame", _outside(recipe.aperture.outline(720), picture.shape))
    if truth.beam_x_px is not None:
        # Only the stretch of the beam's edge that the aperture lets through can be cut by the frame.
        outline = recipe.beam.outline(720)
        plane = (outline - recipe.center) @ np.linalg.inv(recipe.aperture_radius_px * recipe.view).T
        shown = outline[np.hypot(plane[:, 0], plane[:, 1]) < 1] if recipe.aperture_in else outline
        if len(shown) and "cut-by-frame" not in must:
            judge("cut-by-frame", _outside(shown, picture.shape))
    noise = sqrt((recipe.read_noise / recipe.gain) ** 2 + max(recipe.peak_electrons, 0.0))
    snr = recipe.peak_electrons / noise if noise > 0 else 1e9
    if snr < 3 / GRAY_ZONE:
        must.append("noisy")
    elif snr < 15 or halo_z(recipe) < 60:
        may.append("noisy")
    if truth.unevenness_percent is not None and "unevenness_percent" not in truth.must_be_null:
        judge("uneven", truth.unevenness_percent)
    if truth.beam_ellipticity is not None:
        judge("elliptical", recipe.astigmatism)
    if truth.aperture_ellipticity is not None:
        judge("tilted-view", truth.aperture_ellipticity)
    if recipe.text or recipe.scale_bar or recipe.border_px:
        must.append("overlay")
    if recipe.aperture_in and recipe.halo_level > 0:
        read = hypot(recipe.read_noise / recipe.gain, sqrt(recipe.halo_level * max(recipe.peak_electrons, 0.0)))
        sigma = recipe.halo_level * recipe.peak_electrons / max(read, 1e-12)
        weak = min(5.0 / max(sigma, 1e-12), 0.02 / recipe.halo_level)
        judge("low-contrast", weak, 1.0)
    if recipe.linear is False:
        must.append("nonlinear")
    elif recipe.gamma != 1.0:
        may.append("nonlinear")
    if 0.02 <= recipe.afterglow_level <= 0.6:
        apart = hypot(
            recipe.afterglow_x_percent - recipe.offset_x_percent, recipe.afterglow_y_percent - recipe.offset_y_percent
        )
        width = 100 * hypot(recipe.beam_edge_px, recipe.total_blur_px) / recipe.aperture_radius_px
        (must if apart > 4 * width else may).append("afterglow")
    elif recipe.afterglow_level > 0:
        may.append("afterglow")
    if truth.kind is SceneKind.DARK:
        # Nothing is lit; only what the file itself shows has to be noticed.
        told = {"overlay", "nonlinear"}
        may += [f for f in must if f not in told]
        must = [f for f in must if f in told]
    return tuple(dict.fromkeys(must)), tuple(f for f in dict.fromkeys(may) if f not in must)


def _disc(edge: Edge, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    y, x = np.ogrid[0 : shape[0], 0 : shape[1]]
    m = edge.to_round()
    dx, dy = x - edge.x, y - edge.y
    inside = (m[0, 0] * dx + m[0, 1] * dy) ** 2 + (m[1, 0] * dx + m[1, 1] * dy) ** 2 <= edge.radius**2
    return np.asarray(inside, dtype=np.bool_)


def _covered(covered: NDArray[np.bool_], edge: Edge) -> float:
    """Share of an edge's part in the frame that something covers."""
    at = np.rint(edge.outline(720)).astype(int)
    rows, columns = covered.shape
    at = at[(at[:, 0] >= 0) & (at[:, 1] >= 0) & (at[:, 0] < columns) & (at[:, 1] < rows)]
    return float(np.mean(covered[at[:, 1], at[:, 0]])) if len(at) else 0.0


def _outside(p: NDArray[np.float64], shape: tuple[int, ...]) -> float:
    rows, columns = shape[:2]
    out = (p[:, 0] < -0.5) | (p[:, 1] < -0.5) | (p[:, 0] > columns - 0.5) | (p[:, 1] > rows - 0.5)
    return float(out.mean())
