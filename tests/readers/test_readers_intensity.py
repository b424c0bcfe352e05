"""Colored screens: the light must not be lost, the noise not amplified, marks must not decide."""

import numpy as np
import pytest

from apertrue.readers.intensity import to_intensity


def disc(rows=120, columns=140, level=100.0):
    y, x = np.mgrid[:rows, :columns]
    return 10.0 + level * (np.hypot(x - 70, y - 60) < 40)


def screen(light, color, rng=None, sigma=2.0, dtype=np.uint8):
    picture = light[..., None] * np.asarray(color, float)
    if rng is not None:
        picture = picture + rng.normal(0, sigma, picture.shape)
    top = np.iinfo(dtype).max if np.dtype(dtype).kind == "u" else np.inf
    return np.clip(np.round(picture), 0, top).astype(dtype)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_neutral_gray_is_exact(rng, dtype):
    gray = rng.integers(0, 256, (40, 50)).astype(dtype)
    for samples in (3, 4):
        pixels = np.stack([gray] * 3 + [255 - gray] * (samples - 3), axis=-1)
        result = to_intensity(pixels, 255.0)
        np.testing.assert_array_equal(result.pixels, gray)
        assert result.pixels.dtype == dtype
        assert not result.color
        assert result.saturation == 255.0


@pytest.mark.parametrize("color", [(0, 1, 0), (0.1, 1, 0.2), (1, 0.6, 0), (0.1, 0.3, 1)])
def test_direction_of_a_phosphor(rng, color):
    result = to_intensity(screen(disc(), color, rng), 255.0)
    np.testing.assert_allclose(result.weights, np.array(color) / np.sum(color), atol=0.015)
    assert result.color
    assert result.pixels.dtype == np.float32


@pytest.mark.parametrize("color", [(0, 1, 0), (0.1, 1, 0.2), (1, 0.6, 0), (0.3, 1, 0.3)])
def test_better_than_the_mean_and_than_a_gray_conversion(rng, color):
    """Signal ÷ noise of the disc. Luma weights: ITU-R BT.601 (from memory)."""
    pixels = screen(disc(), color, rng, sigma=4.0, dtype=np.float32)
    inside, outside = disc() > 50, disc() < 50

    def quality(image):
        return (image[inside].mean() - image[outside].mean()) / image[outside].std()

    ours = quality(to_intensity(pixels).pixels)
    assert ours > 0.99 * quality(pixels @ np.array([0.299, 0.587, 0.114], np.float32))
    assert ours > 1.05 * quality(pixels.mean(axis=-1))
    # The bound: |color| · step / σ of one channel.
    best = np.linalg.norm(color) * 100.0 / 4.0
    assert ours == pytest.approx(best, rel=0.05)


def test_noise_is_never_amplified(rng):
    for _ in range(20):
        color = rng.uniform(0.05, 1, 3)
        result = to_intensity(screen(disc(), color, rng, sigma=3.0, dtype=np.float32))
        assert min(result.weights) >= 0
        assert sum(result.weights) == pytest.approx(1.0)
        assert result.pixels[disc() < 50].std() <= 3.0 * 1.03


def test_burnt_in_marks_do_not_decide(rng):
    """Red letters, a blue scale bar and a white frame, all brighter than the screen."""
    clean = screen(disc(level=60), (0.1, 1, 0.2), rng)
    marked = clean.copy()
    marked[4:14, 4:60] = (255, 0, 0)
    marked[108:114, 20:90] = (0, 0, 255)
    marked[:2], marked[-2:] = 255, 255
    expected, found = to_intensity(clean, 255.0).weights, to_intensity(marked, 255.0).weights
    np.testing.assert_allclose(found, expected, atol=0.02)
    gray = screen(disc(), (1, 1, 1))
    gray[4:14, 4:60] = (255, 0, 0)
    result = to_intensity(gray, 255.0)
    np.testing.assert_allclose(result.weights, 1 / 3, atol=1e-12)
    assert result.color
    np.testing.assert_allclose(result.pixels[20:], gray[20:, :, 0], rtol=1e-6)


def test_a_full_channel_neither_decides_nor_hides(rng):
    """A green screen so bright that green is full in the core, while red and blue still rise (it looks white)."""
    y, x = np.mgrid[:120, :140]
    light = 10 + 900 * np.exp(-((x - 70) ** 2 + (y - 60) ** 2) / (2 * 25**2))
    color = np.array([0.15, 1.0, 0.25])
    pixels = screen(light, color, rng)
    result = to_intensity(pixels, 255.0)
    np.testing.assert_allclose(result.weights, color / color.sum(), atol=0.03)
    full = pixels[..., 1] == 255
    assert full.mean() > 0.1
    assert result.saturation < 255
    # All of the core is at the reported level or above, hardly anything else is.
    assert (result.pixels[full] >= np.float32(result.saturation)).all()
    assert (result.pixels[~full] >= result.saturation).mean() < 0.02
    # Below that level intensity is proportional to the light.
    dim = light < 200
    slope = np.polyfit(light[dim], result.pixels[dim].astype(float), 1)
    residual = result.pixels[dim] - np.polyval(slope, light[dim])
    assert np.abs(np.mean(residual[light[dim] > 150])) < 1.0


def test_a_picture_that_is_full_all_over(rng):
    pixels = np.full((50, 50, 3), (30, 255, 60), np.uint8)
    result = to_intensity(pixels, 255.0)
    assert np.isfinite(result.pixels).all()
    assert np.ptp(result.pixels) == 0


@pytest.mark.parametrize("value", [0, 128])
def test_flat_colored_and_black_pictures(value):
    pixels = np.zeros((50, 50, 3), np.uint8)
    pixels[..., 1] = value
    result = to_intensity(pixels, 255.0)
    assert np.ptp(result.pixels) == 0
    assert np.isfinite(result.pixels).all()


def test_missing_pixels_stay_missing(rng):
    pixels = screen(disc(), (0, 1, 0), rng, dtype=np.float32)
    pixels[5, 5] = np.nan
    result = to_intensity(pixels)
    assert np.isnan(result.pixels[5, 5])
    assert np.isnan(result.pixels).sum() == 1
    assert result.weights[1] > 0.95


def test_the_input_is_left_alone(rng):
    pixels = screen(disc(), (0, 1, 0), rng)
    before = pixels.copy()
    pixels.flags.writeable = False
    to_intensity(pixels, 255.0)
    np.testing.assert_array_equal(pixels, before)
