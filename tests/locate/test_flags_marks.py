"""What pixels alone show: drawn marks, pile-up at the top level."""

from typing import Any

import numpy as np
import pytest

from apertrue.locate.marks import border_depths, border_seen, disc_values, overlay_seen, saturated_share
from apertrue.scene import Noise
from apertrue.simulate import Recipe, simulate
from apertrue.simulate.overlay import draw_overlay

MARKS: list[dict[str, Any]] = [{"text": "200 kV 14:05"}, {"scale_bar": True}, {"border_px": 5}]


def dark_frame(dtype: type, seed: int = 0) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(20.0, 3.0, (300, 340))
    return np.clip(np.rint(noise), 0, 255).astype(dtype)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("mark", MARKS)
def test_marks_on_a_dark_picture_are_seen(dtype: type, mark: dict[str, Any]) -> None:
    plain = dark_frame(dtype)
    assert not overlay_seen(plain)
    assert overlay_seen(draw_overlay(plain, Recipe(rows=300, columns=340, **mark)))


@pytest.mark.parametrize("mark", MARKS)
def test_marks_survive_a_lossy_compression(mark: dict[str, Any]) -> None:
    recipe = Recipe(bits=8, gain=0.2, bias=8.0, read_noise=0.8, jpeg_quality=60, **mark)
    shot = simulate(recipe, np.random.default_rng(1), truth=False)
    e = recipe.aperture
    disc = np.array([e.x, e.y, e.radius, e.e1, e.e2, e.width])
    assert overlay_seen(shot.frame.pixels, disc, lossy=True)


@pytest.mark.parametrize("wide", [1, 5, 8])
def test_a_border_is_as_deep_as_it_was_drawn(wide: int) -> None:
    plain = dark_frame(np.uint8)
    assert border_depths(plain) == (0, 0, 0, 0)
    drawn = draw_overlay(plain, Recipe(rows=300, columns=340, border_px=wide))
    title = 3 * wide  # a window's title bar
    assert border_depths(drawn) == (wide + 1, title + 1, wide + 1, wide + 1)


def test_a_deep_title_bar_with_buttons_hides_no_side() -> None:
    """The bar covers a tenth of both sides' lines, which then are not of one level; it is cut off first."""
    picture = dark_frame(np.uint8).astype(np.uint16) * 10
    picture[:, :12] = picture[:, -11:] = 52000
    picture[-10:] = 52000
    picture[:54] = 43000
    for x in (180, 220, 260):
        picture[10:30, x : x + 20] = 13000
    left, top, right, bottom = border_depths(picture)
    assert (left, top, right, bottom) == (13, 55, 12, 11)


@pytest.mark.parametrize("soft", [0.0, 0.7, 3.0])
def test_a_saturated_disc_is_no_mark(soft: float) -> None:
    y, x = np.mgrid[0:300, 0:340]
    u = 90.0 - np.hypot(x - 160.3, y - 150.6)
    share = (u > 0).astype(float) if soft == 0 else 1 / (1 + np.exp(-np.clip(u / soft, -50, 50)))
    picture = np.clip(np.rint(dark_frame(np.uint8) + 400 * share), 0, 255).astype(np.uint8)
    assert not overlay_seen(picture)


def test_hot_pixels_and_dead_columns_are_no_marks() -> None:
    picture = dark_frame(np.uint16)
    rng = np.random.default_rng(2)
    picture[rng.integers(0, 300, 80), rng.integers(0, 340, 80)] = 65535
    picture[:, [0, 17, 339]] = 0
    assert not overlay_seen(picture)


def test_a_black_frame_without_noise_has_no_border() -> None:
    picture = np.zeros((200, 200), np.uint8)
    assert not border_seen(picture)
    picture[60:140, 60:140] = 200
    assert not border_seen(picture)


def test_disc_values_keep_to_both_discs() -> None:
    picture = np.zeros((100, 100), np.int32)
    a, b = np.array([40.0, 50.0, 30.0, 0.0, 0.0]), np.array([60.0, 50.0, 30.0, 0.1, 0.05])
    y, x = np.mgrid[0:100, 0:100]
    in_a = np.hypot(x - 40, y - 50) < 30
    picture[~in_a] = 7
    values = disc_values(picture, (a, b))
    assert values.size > 500
    assert (values == 0).all()
    assert disc_values(picture, (a, np.array([300.0, 50.0, 30.0, 0.0, 0.0]))).size == 0


def test_share_at_the_top_level() -> None:
    rng = np.random.default_rng(3)
    noise = Noise(100.0, 16.0, 1.0)
    light = np.rint(rng.normal(5000.0, 70.0, 40_000)).astype(np.uint16)
    assert saturated_share(light, None, noise) == 0.0
    cut = np.minimum(light, 5100)
    expected = float(np.mean(light >= 5100))
    assert saturated_share(cut, None, noise) == pytest.approx(expected)
    assert saturated_share(cut, 5100.0, noise) == pytest.approx(expected)
    assert saturated_share(cut[:0], 5100.0, noise) == 0.0


def test_equal_pixels_tell_nothing_where_noise_is_finer_than_a_gray_level() -> None:
    assert saturated_share(np.full(5000, 180, np.uint8), None, Noise(10.0, 1 / 12, 0.0)) == 0.0
