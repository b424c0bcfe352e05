"""Pictures drawn without the simulator: a screen's rim in a room's light, a screen seen from near by, a lone edge's penumbra."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from apertrue.frame import as_frame
from apertrue.pipeline import judge
from apertrue.registry import SceneKind, Verdict

SIDE, FINE = 360, 3


def plane(tilt_deg: float = 0.0, distance: float = np.inf) -> tuple[np.ndarray, np.ndarray]:
    """For each (fine) pixel of a pinhole picture the place on the screen it shows, px from the frame's center.

    The screen is tilted about the picture's vertical; ``distance`` of the camera in px.
    """
    at = (np.arange(SIDE * FINE) + 0.5) / FINE - SIDE / 2
    u, v = np.meshgrid(at, at)
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    depth = 0.0 if np.isinf(distance) else 1.0 / distance
    # u = x·c/(1 + x·s/D), v = y/(1 + x·s/D)
    x = u / (c - u * s * depth)
    return x, v * (1.0 + x * s * depth)


def disc(at: tuple[np.ndarray, np.ndarray], x: float, y: float, radius: float) -> np.ndarray:
    return (np.hypot(at[0] - x, at[1] - y) < radius).astype(float)


def taken(light: np.ndarray, blur_px: float = 1.2, full: float = 3000.0, seed: int = 1) -> np.ndarray:
    """What a camera counts: blurred, averaged over each pixel, with counting and read noise, 16 bits."""
    rng = np.random.default_rng(seed)
    mean = gaussian_filter(light, blur_px * FINE).reshape(SIDE, FINE, SIDE, FINE).mean(axis=(1, 3))
    counts = rng.poisson(np.maximum(full * mean, 0.0)) + rng.normal(100.0, 4.0, mean.shape)
    return np.clip(np.rint(counts), 0, 65535).astype(np.uint16)


def test_the_screens_rim_is_not_taken_for_the_aperture() -> None:
    """A round screen in a dim room, the aperture's shadow on it and the beam within: three round edges."""
    at = plane()
    screen, aperture, beam = disc(at, 4.0, -3.0, 165.0), disc(at, 10.0, 6.0, 72.0), disc(at, 16.0, 1.0, 52.0)
    told = judge(as_frame(taken(0.01 + 0.08 * screen + 0.12 * aperture + 0.8 * beam))).assessment
    assert told.scene == SceneKind.BOTH_EDGES
    assert told.aperture_radius_px == pytest.approx(72.0, abs=0.5)
    assert told.offset_x_percent == pytest.approx(100 * 6 / 72, abs=1.0)
    assert told.offset_y_percent == pytest.approx(-100 * 5 / 72, abs=1.0)


@pytest.mark.parametrize("distance", [10.0, 20.0, 200.0])
def test_the_doubt_allows_for_a_camera_that_is_near(distance: float) -> None:
    radius = 110.0
    at = plane(25.0, distance * radius)
    aperture, beam = disc(at, 0.0, 0.0, radius), disc(at, 8.8, 5.5, 77.0)
    told = judge(as_frame(taken(0.02 + 0.08 * aperture + 0.9 * beam * aperture))).assessment
    assert "tilted-view" in (told.flags or ())
    for value, sigma, true in (
        (told.offset_x_percent, told.offset_x_percent_sigma, 8.0),
        (told.offset_y_percent, told.offset_y_percent_sigma, 5.0),
    ):
        assert value is not None
        assert sigma is not None
        assert abs(value - true) < 3 * sigma + 0.3
        assert sigma < 3.0


@pytest.mark.parametrize("shape", ["linear", "disc"])
@pytest.mark.parametrize("full", [800.0, 8000.0])
def test_one_edge_with_a_penumbra_is_not_told_as_two(shape: str, full: float) -> None:
    """A beam that fills the aperture, whose edge falls over some pixels, but not as a blurred step does."""
    x, y = plane()
    depth = (100.0 - np.hypot(x - 3.0, y + 2.0)) / 2.6
    if shape == "linear":
        light = np.clip(0.5 + 0.5 * depth, 0.0, 1.0)
    else:  # the shadow of a straight edge in the light of an even disc
        t = np.clip(depth, -1.0, 1.0)
        light = 0.5 + (np.arcsin(t) + t * np.sqrt(1 - t * t)) / np.pi
    told = judge(as_frame(taken(light, blur_px=0.3, full=full))).assessment
    assert told.scene in (SceneKind.ONE_EDGE, SceneKind.OVERFILLED)
    assert told.offset_percent is None
    assert told.verdict == Verdict.RETAKE


def test_a_beam_that_fades_in_a_bright_halo_shows_its_edge() -> None:
    """The beam falls to a fifth of its peak at its own edge, so that the aperture's edge is the larger step."""
    at = plane()
    aperture, beam = disc(at, 0.0, 0.0, 120.0), disc(at, 9.6, -6.0, 68.0)
    peak = np.exp(-1.6 * ((at[0] - 9.6) ** 2 + (at[1] + 6.0) ** 2) / 68.0**2)
    told = judge(as_frame(taken(0.01 + 0.36 * aperture + peak * beam))).assessment
    assert told.scene == SceneKind.BOTH_EDGES
    assert told.beam_radius_px == pytest.approx(68.0, abs=0.7)
    assert told.offset_x_percent == pytest.approx(8.0, abs=0.5)
    assert told.offset_y_percent == pytest.approx(-5.0, abs=0.5)


@pytest.mark.parametrize("axis", [0, 1])
def test_offsets_of_lines_are_taken_off(axis: int) -> None:
    at = plane()
    light = 0.01 + 0.1 * disc(at, 0.0, 0.0, 120.0) + 0.8 * disc(at, 9.6, -6.0, 70.0)
    offsets = np.random.default_rng(5).normal(0.0, 60.0, SIDE)
    pixels = taken(light).astype(np.float32) + np.expand_dims(offsets, axis).astype(np.float32)
    told = judge(as_frame(pixels)).assessment
    assert told.scene == SceneKind.BOTH_EDGES
    assert told.offset_x_percent == pytest.approx(8.0, abs=0.5)
    assert told.offset_y_percent == pytest.approx(-5.0, abs=0.5)


def test_bright_lines_and_hot_pixels_are_no_second_spot() -> None:
    at = plane()
    pixels = taken(0.01 + 0.1 * disc(at, 0.0, 0.0, 120.0) + 0.8 * disc(at, 9.6, -6.0, 60.0))
    pixels[250], pixels[:, 90] = 4000, 4000
    rng = np.random.default_rng(2)
    pixels[rng.integers(0, SIDE, 60), rng.integers(0, SIDE, 60)] = 60_000
    told = judge(as_frame(pixels, saturation=None)).assessment
    assert told.scene == SceneKind.BOTH_EDGES
    assert told.offset_x_percent == pytest.approx(8.0, abs=0.5)


def test_a_second_spot_within_the_aperture_still_is_one() -> None:
    at = plane()
    light = (
        0.01 + 0.1 * disc(at, 0.0, 0.0, 120.0) + 0.8 * disc(at, 20.0, -6.0, 60.0) + 0.5 * disc(at, -70.0, 20.0, 16.0)
    )
    told = judge(as_frame(taken(light))).assessment
    assert told.offset_percent is None


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_three_nested_edges_give_no_number_of_the_outer_two(seed: int) -> None:
    """A round field of view, the aperture in it and a fading beam within: which two are meant is not told by a guess."""
    at = plane()
    peak = np.exp(-1.8 * ((at[0] - 4.0) ** 2 + (at[1] - 14.0) ** 2) / 50.0**2)
    light = (
        0.02
        + 0.1 * disc(at, -20.0, 4.0, 150.0)
        + 0.25 * disc(at, 0.0, 0.0, 105.0)
        + 0.6 * peak * disc(at, 4.0, 14.0, 50.0)
    )
    told = judge(as_frame(taken(light, seed=seed))).assessment
    if told.offset_percent is not None:
        assert told.aperture_radius_px == pytest.approx(105.0, abs=1.0)
        assert told.beam_radius_px == pytest.approx(50.0, abs=1.0)


@pytest.mark.parametrize("tilt", [4.0, 7.0, 10.0])
def test_the_doubt_allows_for_a_camera_that_is_near_a_little_tilted_screen(tilt: float) -> None:
    at = plane(tilt, 8 * 110.0)
    light = 0.02 + 0.08 * disc(at, 0.0, 0.0, 110.0) + 0.9 * disc(at, 8.8, 5.5, 60.0)
    told = judge(as_frame(taken(light), color=True)).assessment
    for value, sigma, true in (
        (told.offset_x_percent, told.offset_x_percent_sigma, 8.0),
        (told.offset_y_percent, told.offset_y_percent_sigma, 5.0),
    ):
        assert value is not None
        assert sigma is not None
        assert abs(value - true) < 4 * sigma
        assert sigma < 1.5


@pytest.mark.parametrize("rim", [0.3, 1.0])
def test_what_a_bright_rim_adds_to_the_clipped_share_is_allowed_for(rim: float) -> None:
    """A smooth profile does not follow a narrow rim, and can give the middle up; the share's doubt says so."""
    at = plane()
    aperture, beam = disc(at, 0.0, 0.0, 150.0), disc(at, -66.0, 42.0, 88.0)
    rho = np.hypot(at[0] + 66.0, at[1] - 42.0) / 88.0
    light = beam * (1 + rim * np.exp(-(((rho - 0.93) / 0.08) ** 2))) / (1 + 0.5 * rim)
    true = 1.0 - (light * aperture).sum() / light.sum()
    told = judge(as_frame(taken(0.02 + aperture * (0.06 + 0.8 * light), full=30000.0))).assessment
    assert told.scene == SceneKind.CLIPPED
    assert told.clipped_fraction is not None
    assert abs(told.clipped_fraction - true) < max(4 * (told.clipped_fraction_sigma or 0.0), 0.002)
