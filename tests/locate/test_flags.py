"""Flags that locating raises, on simulated pictures with known truth."""

from typing import Any

import numpy as np
import pytest

from apertrue.frame import as_frame
from apertrue.locate import locate
from apertrue.locate.flags import plain_flags
from apertrue.pipeline import judge
from apertrue.scene import Hints, Scene
from apertrue.simulate import Recipe, simulate

BASE: dict[str, Any] = {
    "rows": 256,
    "columns": 256,
    "aperture_radius_px": 95.0,
    "beam_ratio": 0.75,
    "offset_x_percent": 6.0,
    "offset_y_percent": -4.0,
}


def scene_of(seed: int = 1, hints: Hints | None = None, **values: Any) -> Scene:
    shot = simulate(Recipe(**(BASE | values)), np.random.default_rng(seed), truth=False)
    return locate(shot.frame, hints or Hints())


def test_a_plain_picture_has_no_flags() -> None:
    assert scene_of().flags == ()


@pytest.mark.parametrize(
    ("flag", "values"),
    [
        ("saturated", {"saturation": 2500.0, "gain": 3.0, "bias": 100.0}),
        ("in-the-way", {"bar_width_px": 16.0, "bar_angle_deg": 35.0, "bar_position": 0.3}),
        ("in-the-way", {"dirt_count": 14, "dirt_size_px": 7.0}),
        ("uneven", {"light_tilt": 0.6}),
        ("elliptical", {"astigmatism": 0.08, "astigmatism_axis_deg": 60.0}),
        ("tilted-view", {"view_tilt_deg": 30.0, "view_axis_deg": 25.0}),
        ("low-contrast", {"halo_level": 0.004, "read_noise": 12.0}),
        ("afterglow", {"afterglow_level": 0.15, "afterglow_x_percent": -15.0, "afterglow_y_percent": 10.0}),
        ("cut-by-frame", {"aperture_x_px": 70.0}),
    ],
)
def test_the_flag_of_a_nuisance_and_no_other(flag: str, values: dict[str, Any]) -> None:
    assert scene_of(**values).flags == (flag,)


def test_noise_is_a_flag_of_its_own_and_hides_nothing_in_the_way() -> None:
    flags = scene_of(
        rows=512, columns=512, aperture_radius_px=190.0, peak_electrons=12.0, read_noise=80.0, gain=20.0, halo_level=0.3
    ).flags
    assert "noisy" in flags
    assert "in-the-way" not in flags


def test_saturation_is_seen_when_nothing_states_its_level() -> None:
    shot = simulate(Recipe(**(BASE | {"saturation": 2500.0, "gain": 3.0})), np.random.default_rng(3), truth=False)
    told = locate(as_frame(shot.frame.pixels, saturation=None), Hints())
    high = locate(as_frame(shot.frame.pixels, saturation=65535.0), Hints())
    assert "saturated" in told.flags
    assert "saturated" in high.flags


def test_hot_pixels_beside_the_beam_are_no_saturation() -> None:
    shot = simulate(Recipe(**BASE), np.random.default_rng(4), truth=False)
    pixels = shot.frame.pixels.copy()
    rng = np.random.default_rng(5)
    pixels[rng.integers(0, 30, 300), rng.integers(0, 256, 300)] = 65535
    assert "saturated" not in locate(as_frame(pixels), Hints()).flags


def test_a_statement_of_linearity_overrules_what_a_screen_suggests() -> None:
    shot = simulate(
        Recipe(**BASE, bits=8, gain=0.2, bias=8.0, read_noise=0.8, text="200 kV 14:05"), np.random.default_rng(5)
    )
    pixels = shot.frame.pixels
    assert plain_flags(as_frame(pixels), pixels, Hints()) == ("overlay", "nonlinear")
    assert plain_flags(as_frame(pixels), pixels, Hints(linear=True)) == ("overlay",)
    assert "nonlinear" in plain_flags(as_frame(pixels, linear=False), pixels, Hints())


def test_eight_bits_without_a_statement_are_not_taken_as_linear() -> None:
    shot = simulate(Recipe(**(BASE | {"peak_electrons": 400.0, "gain": 0.4, "bias": 8.0})), np.random.default_rng(6))
    eight = np.clip(np.rint(shot.frame.pixels.astype(float)), 0, 255).astype(np.uint8)
    unstated, stated = (judge(as_frame(eight, saturation=None), hints=Hints(linear=k)) for k in (None, True))
    assert "nonlinear" in (unstated.assessment.flags or ())
    assert unstated.assessment.score is None
    assert unstated.assessment.clipped_fraction is None
    assert unstated.assessment.offset_percent is not None
    assert "nonlinear" not in (stated.assessment.flags or ())
    assert stated.assessment.score is not None
    assert "nonlinear" not in locate(as_frame(eight.astype(np.uint16), saturation=None), Hints()).flags


def test_an_uneven_halo_is_no_afterglow() -> None:
    flags = scene_of(halo_level=0.15, halo_decay=0.8, halo_slope=0.3, dome=0.3).flags
    assert "afterglow" not in flags
