"""Hot pixels and dead lines: found, replaced, and no picture refused for them."""

import numpy as np
import pytest

from apertrue.frame import as_frame
from apertrue.locate.spikes import dead_lines, spikes
from apertrue.pipeline import judge
from apertrue.registry import SceneKind
from apertrue.scene import Noise
from apertrue.simulate import Recipe, simulate

SIDE = 400


def picture() -> np.ndarray:
    recipe = Recipe(
        rows=SIDE, columns=SIDE, aperture_radius_px=130.0, beam_ratio=0.8, offset_x_percent=7.0, offset_y_percent=-3.0,
        peak_electrons=2000.0,
    )  # fmt: skip
    return np.asarray(simulate(recipe, np.random.default_rng(3), truth=False).frame.pixels).copy()


def read(pixels: np.ndarray) -> tuple[float, float]:
    told = judge(as_frame(pixels)).assessment
    assert told.scene == SceneKind.BOTH_EDGES
    assert told.offset_x_percent is not None
    assert told.offset_y_percent is not None
    return told.offset_x_percent, told.offset_y_percent


@pytest.mark.parametrize("share", [0.001, 0.005])
def test_hot_pixels_cost_no_picture(share: float) -> None:
    pixels, rng = picture(), np.random.default_rng(1)
    pixels[rng.random(pixels.shape) < share] = 60_000
    assert read(pixels) == pytest.approx((7.0, -3.0), abs=0.2)


def test_dead_columns_and_rows_cost_no_picture() -> None:
    pixels = picture()
    pixels[:, [150, 177, 240]] = 0
    pixels[[133, 260]] = 0
    assert read(pixels) == pytest.approx((7.0, -3.0), abs=0.2)


def test_what_is_odd_is_found_where_it_was_put_and_nowhere_else() -> None:
    rng = np.random.default_rng(2)
    pixels = rng.normal(100.0, 3.0, (120, 140))
    noise = Noise(bias=0.0, read_variance=9.0, gain=0.0)
    assert not spikes(pixels, noise).any()
    assert not len(dead_lines(pixels, noise))
    pixels[40, 50], pixels[70, 20] = 200.0, 10.0
    assert list(zip(*np.nonzero(spikes(pixels, noise)), strict=True)) == [(40, 50), (70, 20)]
    pixels[:, 90] = 0.0
    assert list(dead_lines(pixels, noise)) == [90]


def test_an_edge_is_no_spike() -> None:
    y, x = np.mgrid[0:100, 0:100]
    sharp = np.where(np.hypot(x - 50.2, y - 49.7) < 30, 1000.0, 10.0)
    noise = Noise(bias=0.0, read_variance=4.0, gain=0.1)
    assert not spikes(sharp, noise).any()
    assert not len(dead_lines(sharp, noise))


@pytest.mark.parametrize("unit", [1e-3, 1.0, 1e3])
def test_dead_lines_beside_the_border_are_found_in_any_unit_of_light(unit: float) -> None:
    pixels = np.random.default_rng(4).normal(100.0, 3.0, (90, 70)) * unit
    pixels[:, [1, 30, 68]] = 0.0
    noise = Noise(bias=0.0, read_variance=9.0 * unit**2, gain=0.0)
    assert list(dead_lines(pixels, noise)) == [1, 30, 68]
    assert list(dead_lines(pixels.T, noise)) == []
