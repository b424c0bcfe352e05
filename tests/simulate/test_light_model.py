"""The simulated light is the forward model's picture, and the forward model's Jacobian is its derivative."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from apertrue.model.forward import Basis, Points, evaluate, evaluate_with_jacobian, render
from apertrue.scene import Edge
from apertrue.simulate import Recipe
from apertrue.simulate.light import _fringe_table, blurred_edge, clean_light, edge_light
from apertrue.simulate.recipe import ellipticity_of, stretch

PLAIN = Recipe(
    rows=200,
    columns=240,
    aperture_radius_px=80.0,
    aperture_edge_px=1.7,
    beam_edge_px=2.6,
    beam_ratio=0.8,
    offset_x_percent=15.0,
    offset_y_percent=-9.0,
    dome=0.25,
    light_tilt=0.1,
    light_tilt_direction_deg=30.0,
    halo_level=0.06,
    background_level=0.03,
    background_slope_x=0.02,
    peak_electrons=800.0,
)


def params(edge):
    return np.array([edge.x, edge.y, edge.radius, edge.e1, edge.e2, edge.width])


def test_plain_light_is_the_forward_models_picture():
    for recipe in (PLAIN, PLAIN.with_values(view_tilt_deg=25.0, view_axis_deg=20.0, light_tilt=0.0)):
        a, b = recipe.aperture, recipe.beam
        basis = Basis((a.x, a.y, a.radius), (b.x, b.y, b.radius, b.e1, b.e2), halo=0, radial=1)
        width = recipe.background_slope_x * a.radius / (recipe.columns - 1)
        tilt = recipe.light_tilt * np.array([np.cos(np.pi / 6), -np.sin(np.pi / 6)])
        linear = 800.0 * np.array([0.03, width, 0.0, 0.06, 1.0, -0.25, *tilt])
        model = render((recipe.rows, recipe.columns), basis, params(a), params(b), linear)
        assert clean_light(recipe) == pytest.approx(model, abs=1e-6 * 800)


def test_jacobian_of_the_forward_model_is_its_numeric_derivative():
    rng = np.random.default_rng(3)
    x, y = rng.uniform(20, 180, 400), rng.uniform(20, 180, 400)
    aperture = np.array([100.0, 98.0, 70.0, 0.05, -0.03, 2.5])
    beam = np.array([108.0, 92.0, 60.0, -0.06, 0.08, 4.0])
    basis = Basis((100.0, 98.0, 70.0), (108.0, 92.0, 60.0, -0.06, 0.08))
    linear = np.array([50.0, 4.0, -3.0, 30.0, 5.0, 2.0, -4.0, 1.0, 2.0, 900.0, -120.0, 40.0, 60.0, -30.0])
    value, jacobian = evaluate_with_jacobian(basis, Points.at(x, y), aperture, beam, linear)
    assert value == pytest.approx(evaluate(basis, Points.at(x, y), aperture, beam, linear), abs=1e-9)
    theta = np.concatenate([aperture, beam, linear])
    assert jacobian.shape == (theta.size, x.size)

    def at(t):
        return evaluate(basis, Points.at(x, y), t[:6], t[6:12], t[12:])

    for k in range(theta.size):
        h = 1e-4 if k % 6 in (3, 4) and k < 12 else 1e-3
        up, down = theta.copy(), theta.copy()
        up[k] += h
        down[k] -= h
        numeric = (at(up) - at(down)) / (2 * h)
        scale = np.abs(numeric).max()
        # The interpolated normal distribution is good to 2e-11, which the difference divides by h.
        assert np.abs(jacobian[k] - numeric).max() < 2e-5 * scale + 1e-6, k


@pytest.mark.parametrize("axes", [(40.0, 40.0), (48.0, 36.0)])
def test_camera_blur_moves_a_curved_edge_inward_as_the_truth_says(axes):
    a, b = axes
    blur, edge = 3.0, Edge(79.0, 79.0, (a * b) ** 0.5, (a - b) / (a + b), 0.0, 0.8)
    y, x = np.mgrid[0:159, 0:159].astype(float)
    picture = gaussian_filter(edge_light(x, y, edge), blur, truncate=6)
    seen = blurred_edge(edge, blur)
    for line, semi in ((picture[79, 79:], seen.semi_axes[0]), (picture[79:, 79], seen.semi_axes[1])):
        k = int(np.argmax(line < 0.5))
        at = k - 1 + (line[k - 1] - 0.5) / (line[k - 1] - line[k])
        assert at == pytest.approx(semi, abs=0.012)
        assert abs(semi - (a if semi > 40 else b)) > 0.05


def test_fringed_edge_is_half_at_the_edge_and_rings_inside():
    edge = Edge(0.0, 0.0, 500.0, width=0.3)
    # First maximum 1.37044292 at v = 1.217198251, I = ½ at v = 0.353637943 (Fresnel integrals, recomputed).
    scale = 20.0
    assert edge_light(np.array([500.0]), np.zeros(1), edge, scale)[0] == pytest.approx(0.5, abs=1e-3)
    peak = 500.0 - (1.217198251 - 0.353637943) * scale
    assert edge_light(np.array([peak]), np.zeros(1), edge, scale)[0] == pytest.approx(1.37044, abs=2e-3)
    u, light = _fringe_table(5.0, 1.0)
    assert light[0] == pytest.approx(0.0, abs=1e-3)
    assert light[-1] == pytest.approx(1.0, abs=1e-3)
    assert np.interp(0.0, u, light) == pytest.approx(0.5, abs=1e-9)


def test_stretch_and_ellipticity_agree_with_the_edge_dataclass():
    for e, axis in ((0.1, 0.0), (0.13, 35.0), (0.05, 120.0)):
        e1, e2 = ellipticity_of(7.0 * stretch(e, axis))
        edge = Edge(0, 0, 1, e1, e2)
        assert edge.ellipticity == pytest.approx(e)
        assert edge.axis_deg == pytest.approx(axis)
        assert np.linalg.inv(edge.to_round()) == pytest.approx(stretch(e, axis))
