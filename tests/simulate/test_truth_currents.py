"""Truth of simulated pictures against closed forms and independent libraries."""

import numpy as np
import pytest
import shapely
from scipy import stats

from apertrue.simulate import Recipe, truth_of
from apertrue.simulate.plane import best_passed, current_of, gap_of, scores

FLAT = Recipe(beam_edge_px=0.01, aperture_radius_px=200.0, halo_level=0.05)


def disc(cx, cy, semi_major, semi_minor, angle, n=4000):
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    p = np.stack([semi_major * np.cos(t), semi_minor * np.sin(t)], 1)
    c, s = np.cos(angle), np.sin(angle)
    return shapely.Polygon(p @ np.array([[c, s], [-s, c]]) + (cx, cy))


@pytest.mark.parametrize(("ratio", "offset"), [(0.5, 0.7), (0.9, 0.3), (1.0, 0.05), (1.0, 0.2), (1.4, 0.6)])
def test_clipped_fraction_of_a_flat_round_beam_is_one_minus_the_lens_area(ratio, offset):
    # Tolerance: cells of 1/400 of the beam's radius.
    lens = disc(0, 0, 1, 1, 0).intersection(disc(offset, 0, ratio, ratio, 0)).area
    clipped, score = scores(
        FLAT.with_values(beam_ratio=ratio, offset_x_percent=100 * offset, offset_y_percent=0), _flat
    )
    assert clipped == pytest.approx(1 - lens / (np.pi * ratio**2), abs=1e-5)
    assert score == pytest.approx(100 * lens / (np.pi * min(ratio, 1) ** 2), abs=6e-3)  # the edge is not quite sharp


@pytest.mark.parametrize(("percent", "expected"), [(5, 96.8), (20, 87.3)])
def test_working_score_of_a_flat_beam_that_just_fills_the_aperture(percent, expected):
    truth = truth_of(FLAT.with_values(offset_x_percent=0.0, offset_y_percent=float(percent)))
    assert truth.working_score == pytest.approx(expected, abs=0.05)


def test_ellipse_on_a_round_aperture_agrees_with_shapely():
    # Center (0.4, 0.1), semi-axes 1.3 and 0.8, 25° counter-clockwise: 2.38281018 (shapely; chord integral).
    recipe = FLAT.with_values(
        beam_ratio=(1.3 * 0.8) ** 0.5,
        astigmatism=0.5 / 2.1,
        astigmatism_axis_deg=25.0,
        offset_x_percent=40.0,
        offset_y_percent=-10.0,
    )
    clipped, _ = scores(recipe, _flat)
    assert (1 - clipped) * np.pi * 1.3 * 0.8 == pytest.approx(2.38281018, abs=2e-5)
    outline = shapely.get_coordinates(disc(0.4, 0.1, 1.3, 0.8, np.radians(25)))
    assert gap_of(recipe.beam_plane, recipe.offset) == pytest.approx(1 - np.hypot(*outline.T).max(), abs=1e-5)


@pytest.mark.parametrize(("stop", "r"), [(1, 1), (1, 2), (2, 1), (2, 2), (3, 3), (2, 0.5), (1, 0)])
def test_gaussian_beam_through_an_offset_stop_is_noncentral_chi_square(stop, r):
    # σ = 1, stop radius R, offset r: P = ncx2.cdf(R², 2, r²). The beam ends 7σ out.
    matrix = np.eye(2) * 7.0 / stop
    current = current_of(matrix, 0.0, lambda x, y: np.exp(-0.5 * 49 * (x * x + y * y)), 600)
    expected = stats.ncx2.cdf(stop**2, 2, r**2) if r else 1 - np.exp(-(stop**2) / 2)
    assert current.passed(r / stop, 0.0) == pytest.approx(expected, abs=2e-5)


def test_most_current_of_a_tilted_beam_lies_off_center():
    light = lambda x, y: np.maximum(1 + 0.8 * x, 0)  # noqa: E731
    grids = [current_of(np.eye(2) * 1.2, 0.01, light, n) for n in (400, 120, 40)]
    best = best_passed(*grids, (0.0, 0.0))
    by_scan = max(grids[0].passed(-s, 0.0) for s in np.linspace(0, 0.3, 61))
    assert best == pytest.approx(by_scan, abs=1e-4)
    assert best > grids[0].passed(0.0, 0.0) + 1e-3


def test_most_current_of_a_bright_rim_lies_off_center():
    recipe = FLAT.with_values(beam_ratio=1.4, rim=3.0, rim_width=0.1, offset_x_percent=40.0, offset_y_percent=0.0)
    centered = scores(recipe.with_values(offset_x_percent=0.0), _profile(recipe))
    assert scores(recipe, _profile(recipe))[1] > centered[1]
    assert centered[1] < 99


def test_gap_and_offset_of_circles():
    truth = truth_of(Recipe(beam_ratio=0.85, offset_x_percent=6.0, offset_y_percent=8.0), currents=False)
    assert truth.offset_percent == pytest.approx(10.0)
    assert truth.gap_percent == pytest.approx(5.0, abs=1e-6)
    assert truth.offset_direction_deg == pytest.approx(360 - 53.130102354)
    assert truth.move_direction_deg == pytest.approx(180 - 53.130102354)


def test_a_tilted_view_changes_the_picture_but_not_the_plane():
    straight = truth_of(Recipe(offset_x_percent=12.0))
    tilted = truth_of(Recipe(offset_x_percent=12.0, view_tilt_deg=30.0, view_axis_deg=40.0))
    for name in ("offset_percent", "offset_direction_deg", "score", "working_score", "clipped_fraction"):
        assert getattr(tilted, name) == pytest.approx(getattr(straight, name), abs=1e-9)
    assert tilted.gap_percent == pytest.approx(straight.gap_percent, abs=1e-6)
    c = np.cos(np.radians(30))
    assert tilted.aperture_ellipticity == pytest.approx((1 - c) / (1 + c))
    assert tilted.aperture_axis_deg == pytest.approx(40.0)
    assert tilted.beam_ellipticity == pytest.approx(tilted.aperture_ellipticity)


def test_halo_share_of_flat_light():
    truth = truth_of(Recipe(beam_ratio=0.5, offset_x_percent=10.0, halo_level=0.1, beam_edge_px=0.6))
    # Halo 0.1 over the unit disc, beam 1 over a quarter of it.
    assert truth.halo_fraction == pytest.approx(0.1 / (0.1 + 0.25), rel=2e-3)
    assert truth.unevenness_percent == pytest.approx(0.0, abs=0.05)


def test_unevenness_of_a_tilt_is_half_its_slope():
    # Over a disc the mean square of one coordinate is ¼.
    truth = truth_of(Recipe(beam_ratio=0.8, light_tilt=0.2, halo_level=0.0001, aperture_radius_px=400.0))
    assert truth.unevenness_percent == pytest.approx(10.0, rel=0.03)


def _flat(x, y):
    return np.ones_like(x)


def _profile(recipe):
    from apertrue.simulate.light import profile_of

    return profile_of(recipe)
