"""Ellipticity told apart, the aperture off the axis, the learned center difference."""

from dataclasses import replace

import numpy as np
import pytest
from _compare_cases import seen

from apertrue.compare.agreement import Point2
from apertrue.compare.difference import learn_difference
from apertrue.compare.misalignment import EllipticityVector, aperture_axis, ellipticity_of, through_crossover


def shaped(aperture=(0.0, None), beam=(0.0, None), sigma=0.002):
    return seen(
        1.0,
        0.0,
        aperture_ellipticity=aperture[0],
        aperture_axis_deg=aperture[1],
        aperture_ellipticity_sigma=sigma,
        beam_ellipticity=beam[0],
        beam_axis_deg=beam[1],
        beam_ellipticity_sigma=sigma,
    )


@pytest.mark.parametrize(
    ("aperture", "beam", "kind"),
    [
        ((0.0, None), (0.0, None), "round"),
        ((0.07, 30.0), (0.07, 30.0), "view"),
        ((0.0, None), (0.06, 120.0), "beam"),
        ((0.07, 30.0), (0.07, 120.0), "both"),
        ((0.004, 10.0), (0.005, 80.0), "round"),
    ],
)
def test_where_an_ellipse_comes_from(aperture, beam, kind):
    found = ellipticity_of(shaped(aperture, beam))
    assert found.kind == kind
    assert {"view": "screen", "beam": "astigmatism", "both": "view adds", "round": "round"}[kind] in found.sentence


def test_within_the_doubt_nothing_is_claimed():
    assert ellipticity_of(shaped(beam=(0.03, 50.0), sigma=0.02)).kind == "round"
    assert ellipticity_of(replace(shaped(), beam_ellipticity=None)).kind == "unknown"


def test_the_beams_own_ellipse_in_a_tilted_view():
    """Small ellipticities add as double-angle vectors: the view's is taken off, size and axis come back."""
    own, view = EllipticityVector(0.05, 0.0, 0.001), EllipticityVector.of(0.08, 0.001, 60.0)
    total = EllipticityVector(own.e1 + view.e1, own.e2 + view.e2, 0.001)
    found = ellipticity_of(shaped((view.size, view.axis_deg), (total.size, total.axis_deg))).own
    assert found.size == pytest.approx(0.05, abs=1e-9)
    assert min(found.axis_deg, 180 - found.axis_deg) == pytest.approx(0.0, abs=1e-6)


def test_axis_along_which_it_is_long():
    assert EllipticityVector.of(0.1, 0.01, 35.0).axis_deg == pytest.approx(35.0)
    assert EllipticityVector.of(0.1, 0.01, 179.0).axis_deg == pytest.approx(179.0)
    assert EllipticityVector.of(None, None, None) is None


def test_astigmatism_turns_through_crossover():
    turned = through_crossover(shaped(beam=(0.06, 20.0)), shaped(beam=(0.06, 110.0)))
    assert turned.kind == "turns"
    assert turned.turning.size == pytest.approx(0.06)
    assert turned.turning.axis_deg == pytest.approx(20.0)
    stays = through_crossover(shaped(beam=(0.06, 20.0)), shaped(beam=(0.06, 20.0)))
    assert stays.kind == "stays"
    assert "dispersion" in stays.sentence
    mixed = through_crossover(shaped(beam=(0.09, 20.0)), shaped(beam=(0.03, 110.0)))
    assert mixed.kind == "mixed"
    assert mixed.turning.size == pytest.approx(0.06)
    assert mixed.staying.size == pytest.approx(0.03)
    assert through_crossover(shaped(), shaped()).kind == "unknown"


# The aperture off the axis


def strengths_and_pictures(slope, rng, noise=0.05, n=6):
    s = np.linspace(10, 60, n)
    out = []
    for v in s:
        radius = 150 + v  # the disc grows with the lens
        x, y = 256 + slope[0] * (v - 30), 256 + slope[1] * (v - 30)
        x, y = x + rng.normal(0, noise), y + rng.normal(0, noise)
        out.append(
            seen(
                0,
                0,
                radius=radius,
                aperture_x_px=x,
                aperture_y_px=y,
                aperture_x_px_sigma=noise,
                aperture_y_px_sigma=noise,
            )
        )
    return list(s), out


def test_a_disc_that_moves_with_the_lens_is_off_the_axis():
    found = aperture_axis(*strengths_and_pictures((0.2, -0.2), np.random.default_rng(1)))
    assert found.off_axis
    assert found.direction_deg == pytest.approx(45.0, abs=4 * found.direction_sigma_deg)
    truth = 100 * np.hypot(0.2, 0.2) * 50 / 185
    assert found.swing_percent == pytest.approx(truth, abs=4 * found.swing_sigma)
    assert "off the optical axis" in found.sentence


def test_a_disc_that_only_grows_stays_concentric():
    found = aperture_axis(*strengths_and_pictures((0.0, 0.0), np.random.default_rng(2)))
    assert not found.off_axis
    assert found.direction_deg is None
    assert "stays concentric" in found.sentence


def test_slopes_doubt_is_honest():
    rng = np.random.default_rng(3)
    pulls = []
    for _ in range(400):
        f = aperture_axis(*strengths_and_pictures((0.03, 0.05), rng))
        pulls.append((f.slope.x - 100 * 0.03 / 185) / f.slope.x_sigma)
    assert np.std(pulls) == pytest.approx(1.0, abs=0.12)  # residuals only ever enlarge σ
    assert abs(np.mean(pulls)) < 0.2


def test_axis_needs_three_pictures():
    s, pictures = strengths_and_pictures((0, 0), np.random.default_rng(1))
    with pytest.raises(ValueError, match="three pictures"):
        aperture_axis(s[:2], pictures[:2])
    with pytest.raises(ValueError, match="must differ"):
        aperture_axis([1.0] * 6, pictures)
    hidden = [replace(p, aperture_source="remembered") for p in pictures]
    with pytest.raises(ValueError, match="three pictures"):
        aperture_axis(s, hidden)


# The learned difference


def test_no_runs_no_difference():
    found = learn_difference([])
    assert found.mean.x == 0.0
    assert not found.named
    assert found.runs == 0


def test_one_run_is_not_a_law():
    found = learn_difference([Point2(6.0, 0.0, 0.1, 0.1)])
    assert not found.named
    assert found.mean.x == pytest.approx(6.0 * 4 / (4 + 1 + 0.01))  # normal prior of 2 %, scatter 1 %, by hand
    assert found.mean.x_sigma > 0.8


def test_a_constant_difference_is_learned_and_named():
    rng = np.random.default_rng(4)
    truth, scatter = np.array([2.5, -1.5]), 0.6
    offsets = [Point2(*(truth + rng.normal(0, scatter, 2) + rng.normal(0, 0.1, 2)), 0.1, 0.1) for _ in range(40)]
    found = learn_difference(offsets)
    assert found.named
    for value, sigma, true in ((found.mean.x, found.mean.x_sigma, 2.5), (found.mean.y, found.mean.y_sigma, -1.5)):
        assert abs(value - true) < 4 * sigma
    assert found.scatter_percent == pytest.approx(scatter, rel=0.25)


def test_scatter_alone_is_not_named():
    rng = np.random.default_rng(5)
    named = 0
    for _ in range(200):
        named += learn_difference([Point2(*rng.normal(0, 1.0, 2), 0.1, 0.1) for _ in range(6)]).named
    assert named <= 9  # 1 % wanted, shrunk by the prior: 9 of 200 would be 99.9 % sure to be too many
