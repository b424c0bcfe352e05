"""Edges, halos and roundings that are not the model's: what must be read all the same, and what must not be told."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from apertrue.frame import as_frame
from apertrue.locate.noise import estimate_noise
from apertrue.locate.readings import _chosen
from apertrue.locate.reduce import reduce_picture
from apertrue.locate.solve import fine
from apertrue.locate.support import displaced, support
from apertrue.pipeline import judge
from apertrue.registry import SceneKind
from apertrue.scene import Noise, rounding_variance
from apertrue.simulate import Recipe, random_recipe, simulate

SHAPE = (420, 480)
APERTURE = (235.0, 212.0, 150.0)


def inward(x: float, y: float, radius: float, e: float = 0.0) -> np.ndarray:
    """Distance inward from an ellipse whose axes are (1 ± e) of its radius along x and y, px (small ``e``)."""
    u, v = np.arange(SHAPE[1])[None, :] - x, np.arange(SHAPE[0])[:, None] - y
    rho = np.hypot(u / (1 + e), v / (1 - e))
    slope = np.hypot(u / (1 + e) ** 2, v / (1 - e) ** 2) / np.maximum(rho, 1e-9)
    return np.asarray((radius - rho) / np.maximum(slope, 1e-9))


def powered(u: np.ndarray, width: float) -> np.ndarray:
    """A step blurred by a kernel with tails: Student's t with three degrees of freedom."""
    from scipy.stats import t

    return np.asarray(t.cdf(u / width, 3))


def counted(light: np.ndarray, peak: float, seed: int, gain: float = 1.0) -> np.ndarray:
    """16 bits with shot and read noise."""
    rng = np.random.default_rng(seed)
    counts = rng.poisson(light * peak) + rng.normal(0, 3, SHAPE)
    return np.clip(np.rint(200 + gain * counts), 0, 65535).astype(np.uint16)


def test_rounding_leaves_in_the_mean_what_quiet_noise_does_not_spread():
    """The formula against rounding itself: 400 levels, 40 000 numbers each."""
    rng = np.random.default_rng(1)
    means = np.linspace(0, 1, 400, endpoint=False)
    for s in (0.15, 0.25, 0.35):
        values = np.rint(means[:, None] + s * rng.normal(size=(400, 40_000)))
        error = values.mean(axis=1) - means
        expected = np.mean(error**2) - s**2 / 40_000
        variance = float(np.mean(values.var(axis=1)))
        assert expected < rounding_variance(variance, 1.0) < 4 * expected + 1e-4  # rather too much than too little
    assert rounding_variance(1 / 12, 1.0) == pytest.approx(1 / 12)
    assert rounding_variance(2.0, 1.0) < 1e-12


@pytest.mark.parametrize("kind", ["uint8", "float32"])
def test_a_quiet_camera_of_few_levels_is_told(kind):
    light = 40 + 180 * ndtr(inward(*APERTURE) / 2.0)
    quiet = np.rint(light + 0.2 * np.random.default_rng(2).normal(size=SHAPE)).astype(kind)
    loud = np.rint(light + 2.0 * np.random.default_rng(2).normal(size=SHAPE)).astype(kind)
    assert estimate_noise(quiet, 40, 220, None).rounding == 1.0
    assert estimate_noise(loud, 40, 220, None).rounding == 0.0
    noise = estimate_noise(quiet, 40, 220, None)
    assert float(noise.mean_variance(40.0, 10_000)) > 0.5 * 0.05**2
    assert Noise(0, 1.0, 0.0).mean_variance(0.0, 100) == pytest.approx(0.01)


def test_a_faint_halo_of_few_gray_levels_without_noise_is_read():
    lit = ndtr(inward(*APERTURE) / 1.0)
    light = lit * (0.02 + 0.9 * (1 - 0.1 * (inward(0, 0, 0) / 600) ** 2) * ndtr(inward(228.0, 218.0, 120.0) / 1.8))
    a = judge(as_frame(np.rint(4 + 240 * light).astype(np.uint8))).assessment
    assert a.offset_x_percent == pytest.approx(100 * (228 - 235) / 150, abs=0.3)
    assert a.offset_y_percent == pytest.approx(100 * (218 - 212) / 150, abs=0.3)


@pytest.mark.parametrize("seed", [1, 2])
def test_an_elliptical_beam_behind_a_round_aperture_is_read_though_its_edge_is_no_blurred_step(seed):
    """Both edges stand over much of their circumference and follow their ellipses: nothing bent them."""
    x, y = 268.0, 230.0
    lit = powered(inward(*APERTURE), 0.6)
    light = lit * (0.06 + 0.94 * powered(inward(x, y, 140.0, 0.045), 0.8))
    a = judge(as_frame(counted(light, 9000, seed))).assessment
    assert a.scene == "clipped"
    assert "elliptical" in (a.flags or ())
    assert a.offset_x_percent == pytest.approx(100 * (x - 235) / 150, abs=1.0)
    assert a.offset_x_percent_sigma < 2.0
    assert abs(a.offset_x_percent - 100 * (x - 235) / 150) < 4 * a.offset_x_percent_sigma


def test_stretches_off_their_ellipse_are_measured():
    """Every other twelfth of the circumference lies 0.6 px farther out; the robust fit follows some more than others."""
    angle = np.arctan2(np.arange(SHAPE[0])[:, None] - 212.0, np.arange(SHAPE[1])[None, :] - 235.0)
    wavy = 0.6 * np.where(np.floor(6 * angle / np.pi) % 2 == 0, 0.5, -0.5)
    noise = Noise(200.0, 9.0, 1.0)
    away = []
    for shift in (0.0 * wavy, wavy):
        pixels = counted(ndtr((inward(*APERTURE) + shift) / 1.5), 4000, 5).astype(float)
        solution = fine(pixels, reduce_picture(pixels), noise, None, np.array([*APERTURE, 0, 0, 1.5]), 4000.0)
        assert solution is not None
        away.append(
            displaced(solution.fit, solution.cells, "beam", support(solution.fit, solution.cells, "beam", SHAPE))
        )
    assert away[0] < 0.05
    assert 0.3 < away[1] < 0.6  # half of the wave's height, root mean square, at least


def test_a_lobed_halo_is_no_afterglow():
    """A broad bump of the halo has no edge; a second disc has one."""
    lit = ndtr(inward(*APERTURE) / 1.2)
    x, y = np.arange(SHAPE[1])[None, :], np.arange(SHAPE[0])[:, None]
    lobe = np.exp(-((x - 300.0) ** 2 + (y - 260.0) ** 2) / (2 * 38.0**2))
    beam = 0.85 * ndtr(inward(210.0, 180.0, 75.0) / 2.5)
    for bump, seen in ((0.035 * lobe, False), (0.06 * ndtr(inward(260.0, 235.0, 75.0) / 2.5), True)):
        a = judge(as_frame(counted(lit * (0.1 + bump + beam), 4000, 7))).assessment
        assert ("afterglow" in (a.flags or ())) == seen
        assert (a.offset_percent is None) == seen


def test_the_foot_of_the_beams_own_blur_is_no_aperture():
    """Without a halo nothing but the tail of the beam's edge shows where it is cut: its shape is no edge."""
    recipe = Recipe(
        aperture_radius_px=120.0, beam_ratio=0.75, offset_x_percent=-2.8, offset_y_percent=3.4,
        beam_edge_px=6.2, aperture_edge_px=4.0, halo_level=0.0, peak_electrons=20_000.0, gain=2.0, read_noise=1.0,
    )  # fmt: skip
    for seed in range(3):
        a = judge(simulate(recipe, np.random.default_rng(seed), truth=False).frame).assessment
        assert a.offset_percent is None


def test_a_frame_that_is_full_all_over_is_saturated():
    for pixels in (np.full((300, 300), 65535, np.uint16), np.full((300, 300), 255, np.uint8)):
        assert "saturated" in (judge(as_frame(pixels)).assessment.flags or ())
    assert "saturated" not in (judge(as_frame(np.zeros((300, 300), np.uint8))).assessment.flags or ())


def test_of_readings_that_explain_alike_the_one_that_shows_farther_round_is_given():
    from apertrue.locate.classify import Judged
    from apertrue.locate.readings import Candidate
    from apertrue.scene import Edge, Scene

    def candidate(seen: float, worth: float) -> Candidate:
        edge = Edge(50.0, 50.0, 40.0, seen=seen)
        return Candidate(
            Judged(Scene(SceneKind.BOTH_EDGES, 1.0, (100, 100), aperture=edge, beam=edge, sign_known=True)), worth, None
        )

    short, long = candidate(0.15, 0.052), candidate(1.0, 0.0537)
    assert _chosen([short, long]) is long.judged
    assert _chosen([short, replace(long, worth=0.07)]) is short.judged  # explains the picture less well


def test_a_short_arc_of_a_large_beam_is_told_rightly_or_not_at_all():
    """A quarter of the beam's edge fits an ellipse close by as well as the circle farther away."""
    rng = np.random.default_rng(np.random.SeedSequence(5).spawn(27)[26])
    shot = simulate(random_recipe(rng, None, ()), rng)
    a, truth = judge(shot.frame).assessment, shot.truth.values()
    assert truth["clipped_fraction"] > 0.4
    assert (
        a.offset_x_percent is None or abs(a.offset_x_percent - truth["offset_x_percent"]) < 4 * a.offset_x_percent_sigma
    )
