"""What lies in the way: taken out of the picture, and the edges read from the rest."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from apertrue.locate import locate
from apertrue.locate.coarse import coarse, to_pixels
from apertrue.locate.find import Look, block_sigma, look
from apertrue.locate.hypotheses import Start
from apertrue.locate.noise import estimate_noise
from apertrue.locate.reduce import reduce_picture
from apertrue.locate.shadow import without_shadow
from apertrue.locate.solve import fine
from apertrue.registry import SceneKind
from apertrue.scene import Hints
from apertrue.simulate import Recipe, simulate

TRUE: dict[str, Any] = {
    "aperture_radius_px": 95.0,
    "beam_ratio": 0.75,
    "offset_x_percent": 6.0,
    "offset_y_percent": -4.0,
}


def picture(**values: Any) -> np.ndarray:
    recipe = Recipe(**({"rows": 256, "columns": 256} | TRUE | values))
    return simulate(recipe, np.random.default_rng(5), truth=False).frame.pixels


def looked(pixels: np.ndarray) -> tuple[Look, Any]:
    """The picture, and a fit from about the true edges (the shadow is left to the fit's weights)."""
    reduced = reduce_picture(pixels)
    noise = estimate_noise(pixels, float(np.quantile(reduced.mean, 0.02)), float(reduced.mean.max()), None)
    rough = look(reduced, block_sigma(noise, reduced))
    assert rough is not None
    contrast = rough.bright - rough.dark
    k = reduced.size
    at = (127.5 - (k - 1) / 2) / k
    aperture = np.array([at, at, 95.0 / k, 0.0, 0.0])
    beam = np.array([at + 5.7 / k, at - 3.8 / k, 71.2 / k, 0.0, 0.0])
    start = coarse(reduced, noise, Start(aperture, beam), contrast)
    assert start is not None
    fit = fine(pixels, reduced, noise, to_pixels(start.fit.aperture, k), to_pixels(start.fit.beam, k), contrast)
    assert fit is not None
    return Look(pixels, reduced, noise, rough, drawn=False), fit


def test_a_clear_picture_has_no_shadow() -> None:
    assert without_shadow(*looked(picture())) is None


def test_a_bar_is_taken_out_as_a_strip_through_the_whole_picture() -> None:
    bar = {"bar_width_px": 14.0, "bar_angle_deg": 90.0, "bar_position": 0.0}
    first, fit = looked(picture(**bar))
    clear = without_shadow(first, fit)
    assert clear is not None
    assert clear.covered
    gone = np.isnan(clear.pixels)
    assert gone[:, 122:134].all()  # the bar, in the halo and beyond the aperture, too
    assert not gone[:, :105].any()
    assert not gone[:, 151:].any()
    assert np.array_equal(clear.pixels[~gone], first.pixels[~gone])  # nothing else is touched


def test_dirt_is_taken_out_where_it_lies() -> None:
    first, fit = looked(picture(dirt_count=8, dirt_size_px=8.0))
    clear = without_shadow(first, fit)
    assert clear is not None
    assert 0.01 < np.isnan(clear.pixels).mean() < 0.25


@pytest.mark.parametrize("angle", [20.0, 65.0, 140.0])
@pytest.mark.parametrize("width", [14.0, 26.0])
def test_edges_behind_a_bar_are_read_from_the_rest(angle: float, width: float) -> None:
    recipe = Recipe(rows=256, columns=256, **TRUE, bar_width_px=width, bar_angle_deg=angle, bar_position=0.15)
    shot = simulate(recipe, np.random.default_rng(7), truth=False)
    scene = locate(shot.frame, Hints())
    assert scene.kind is SceneKind.BOTH_EDGES
    assert "in-the-way" in scene.flags
    assert scene.aperture is not None
    assert scene.beam is not None
    assert scene.covariance is not None
    found = np.array([scene.beam.x - scene.aperture.x, scene.beam.y - scene.aperture.y])
    sigma = np.sqrt(np.diag(scene.covariance)[[0, 1]] + np.diag(scene.covariance)[[6, 7]])
    assert np.abs(found - [5.7, -3.8]).max() < 0.95  # 1 % of the radius
    assert (np.abs(found - [5.7, -3.8]) < 4 * sigma).all()


def test_a_second_spot_is_no_shadow() -> None:
    """Light where the fit has none takes nothing away: such a picture stays unread."""
    first, fit = looked(picture())
    y, x = np.mgrid[0:256, 0:256]
    bright = first.pixels.astype(float)
    bright[np.hypot(x - 40, y - 200) < 25] += 3000
    again = replace(first, pixels=bright, reduced=reduce_picture(bright))
    assert without_shadow(again, fit) is None
