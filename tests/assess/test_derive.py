"""Derived numbers against closed forms and the simulator's own integration."""

import math

import numpy as np
import pytest

from apertrue.assess.current import currents, plane_beam
from apertrue.assess.geometry import ellipticity, gap, gradient, length_and_direction, plane_offset, steps_for
from apertrue.model.transmission import lens_area
from apertrue.pipeline import judge
from apertrue.registry import FIELDS
from apertrue.scene import BeamProfile
from apertrue.simulate import Recipe, simulate


def pair(d: float = 0.2, ratio: float = 1.0, soft: float = 0.3) -> np.ndarray:
    return np.array([200.0, 180.0, 100.0, 0, 0, 1.0, 200.0 + 100 * d, 180.0, 100.0 * ratio, 0, 0, soft])


def test_offset_and_gap_of_circles() -> None:
    p = pair(0.1, 0.8)
    assert plane_offset(p) == pytest.approx([0.1, 0.0])
    assert gap(p) == pytest.approx(1 - (0.1 + 0.8), abs=1e-6)


def test_flat_beam_that_just_fills_the_aperture() -> None:
    # design values of an even disc: 96.8 at 5 %, 87.3 at 20 % (two unit circles' lens area, textbook geometry, confirmed)
    for d, expected in ((0.05, 96.8), (0.2, 87.3)):
        shares = currents(pair(d, soft=1e-3), BeamProfile(100.0), np.zeros((16, 16)), 1.0)
        assert shares.working_score is not None
        assert shares.working_score[0] == pytest.approx(expected, abs=0.05)
        assert shares.clipped is not None
        assert shares.clipped[0] == pytest.approx(1 - lens_area(d, 1, 1) / math.pi, abs=2e-3)


def test_profile_that_turns_dark_gives_no_currents() -> None:
    shares = currents(pair(), BeamProfile(100.0, (-1.2,)), np.zeros((16, 16)), 1.0)
    assert shares.clipped is None
    assert shares.score is None


def test_direction_is_missing_when_the_length_is_noise() -> None:
    (length, sigma), direction = length_and_direction(0.3, 0.1, np.diag([0.04, 0.04]))
    assert length == pytest.approx(math.hypot(0.3, 0.1))
    assert sigma == pytest.approx(0.2)
    assert direction is None
    _, direction = length_and_direction(0.0, -3.0, np.diag([0.01, 0.01]))
    assert direction is not None
    assert direction[0] == pytest.approx(90.0)


def test_axis_of_an_ellipse_is_counter_clockwise_on_the_screen() -> None:
    t = math.radians(30)  # clockwise on the screen, as y points down
    (e, _), axis = ellipticity(0.1 * math.cos(2 * t), 0.1 * math.sin(2 * t), np.eye(2) * 1e-6)
    assert e == pytest.approx(0.1)
    assert axis is not None
    assert axis[0] == pytest.approx(150.0)


def test_gradient_of_the_offset_is_exact() -> None:
    p = pair(0.1, 0.8)
    jacobian = gradient(plane_offset, p, steps_for(p))
    assert jacobian[0, 6] == pytest.approx(0.01, rel=1e-6)
    assert jacobian[0, 0] == pytest.approx(-0.01, rel=1e-6)
    assert jacobian[0, 2] == pytest.approx(-0.1 / 100, rel=1e-4)


def test_beam_in_the_aperture_plane_keeps_its_ratio() -> None:
    p = pair(0.0, 0.8)
    p[3:5] = p[9:11] = (0.07, 0.02)  # both seen under the same tilt
    beam = plane_beam(p, (), 0.0, 0.0)
    assert beam.ratio == pytest.approx(0.8)
    assert abs(beam.b) + abs(beam.c) < 1e-12


@pytest.mark.parametrize("dome", [0.0, 0.3])
def test_clipped_share_and_score_against_direct_integration(dome: float) -> None:
    recipe = Recipe(rows=320, columns=320, aperture_radius_px=110.0, beam_ratio=0.95, offset_x_percent=14.0, dome=dome)
    picture = simulate(recipe, np.random.default_rng(3))
    a, truth = judge(picture.frame).assessment, picture.truth
    assert a.clipped_fraction == pytest.approx(truth.clipped_fraction, abs=0.003)
    assert a.score == pytest.approx(truth.score, abs=0.3)
    assert a.working_score == pytest.approx(truth.working_score, abs=3 * a.working_score_sigma + 0.1)


def test_every_value_has_its_sigma_and_no_nan() -> None:
    picture = simulate(Recipe(rows=256, columns=256, aperture_radius_px=90.0), np.random.default_rng(4), truth=False)
    a = judge(picture.frame).assessment
    for f in FIELDS:
        value = getattr(a, f.name)
        if f.measured:
            sigma = getattr(a, f.name + "_sigma")
            assert (value is None) == (sigma is None), f.name
            if value is not None:
                assert math.isfinite(value)
                assert math.isfinite(sigma)
                assert sigma > 0
