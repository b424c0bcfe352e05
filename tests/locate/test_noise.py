"""The camera's noise is estimated from the picture, never assumed."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from apertrue.locate.noise import dark_unevenness, estimate_noise
from apertrue.locate.reduce import reduce_picture
from apertrue.scene import Noise
from apertrue.simulate import Recipe, simulate


@pytest.mark.parametrize(
    ("gain", "read", "peak"), [(1.0, 3.0, 1000.0), (10.0, 3.0, 200.0), (0.5, 1.0, 20000.0), (3.0, 20.0, 50.0)]
)
def test_gain_and_read_noise(gain: float, read: float, peak: float) -> None:
    recipe = Recipe(gain=gain, read_noise=read, peak_electrons=peak, bias=100.0)
    pixels = simulate(recipe, np.random.default_rng(1), truth=False).frame.pixels
    noise = estimate_noise(pixels, 100.0, 100.0 + gain * peak, None)
    assert noise.read_variance == pytest.approx(read**2 + 1 / 12, rel=0.12)
    assert noise.variance(100 + gain * peak) == pytest.approx(read**2 + gain**2 * peak, rel=0.12)
    assert noise.correlation == 1.0


@pytest.mark.parametrize("blur", [0.6, 0.75])
def test_correlated_noise_is_noticed(blur: float) -> None:
    rng = np.random.default_rng(2)
    x, y = np.meshgrid(np.arange(512) - 255.5, np.arange(512) - 255.5)
    light = np.where(np.hypot(x, y) < 180, 400.0, 20.0)
    pixels = gaussian_filter(rng.poisson(light).astype(float), blur) * 5 + 100
    noise = estimate_noise(pixels, 200.0, 2100.0, None)
    block = gaussian_filter(rng.poisson(400.0, (512, 512)).astype(float), blur)
    true = block.reshape(32, 16, 32, 16).mean(axis=(1, 3)).var() * 256 / block.var()
    assert noise.correlation == pytest.approx(true, rel=0.4)


def test_picture_without_noise_has_almost_none() -> None:
    noise = estimate_noise(np.tile(np.linspace(0, 1, 64), (64, 1)), 0.0, 1.0, None)
    assert 0 < noise.read_variance < 1e-9


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_slow_unevenness_of_the_dark_is_told_from_the_noise_of_its_blocks(seed: int) -> None:
    rng = np.random.default_rng(seed)
    slow = gaussian_filter(rng.normal(size=(512, 512)), 40.0, mode="wrap")
    slow *= 3.0 / slow.std()
    plain = 100.0 + rng.normal(0, 4.0, slow.shape)
    y, x = np.mgrid[0:512, 0:512]
    lit = 4000.0 * (np.hypot(x - 250, y - 260) < 150)
    noise = Noise(100.0, 16.0, 0.0)
    assert dark_unevenness(reduce_picture(plain + lit), noise, 4000.0) == 0.0
    sloping = plain + 0.02 * x + lit
    assert dark_unevenness(reduce_picture(sloping), noise, 4000.0) == 0.0  # the model has a plane
    found = dark_unevenness(reduce_picture(plain + slow + lit), noise, 4000.0)
    assert 1.5 < found < 4.5  # some fifty independent places along the rim


def test_light_at_the_rim_is_no_uneven_dark() -> None:
    rng = np.random.default_rng(4)
    y, x = np.mgrid[0:256, 0:256]
    waves = 100.0 + rng.normal(0, 4.0, (256, 256)) + 400.0 * np.sin(x / 9) * np.sin(y / 9)
    assert dark_unevenness(reduce_picture(waves), Noise(100.0, 16.0, 0.0), 800.0) == 0.0


def test_the_mean_of_pixels_keeps_what_they_share() -> None:
    noise = Noise(100.0, 16.0, 2.0, correlation=1.5, unevenness=0.5)
    assert noise.mean_variance(100.0, 64) == pytest.approx(1.5 * 16 / 64 + 0.25)
    assert noise.mean_variance(150.0, 64) == pytest.approx(1.5 * 116 / 64 + 0.25)


def test_noise_that_was_taken_for_less_is_not_slow() -> None:
    rng = np.random.default_rng(5)
    rough = 100.0 + rng.normal(0, 8.0, (100, 100))
    assert dark_unevenness(reduce_picture(rough), Noise(100.0, 16.0, 0.0), 4000.0) == 0.0
