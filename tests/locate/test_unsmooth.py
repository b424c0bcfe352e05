"""Pictures whose light no smooth terms follow: both edges found one by one (drawn, not simulated)."""

import numpy as np
import pytest
from benchmarks.scenes import unsmooth
from benchmarks.scenes.case import Case, numbered
from scipy.special import ndtr

from apertrue.locate import apart
from apertrue.locate.contours import CONTOUR, contour_height
from apertrue.locate.faint import faint_edges
from apertrue.locate.find import Look, block_sigma, look
from apertrue.locate.lone_edge import lone_edge
from apertrue.locate.noise import estimate_noise
from apertrue.locate.reduce import reduce_picture
from apertrue.pipeline import judge

Array = np.ndarray


def drawn(group: str, number: int) -> Case:
    """One picture of the benchmark's set."""
    return numbered(unsmooth.GROUPS, unsmooth.one, 26, group, number)


@pytest.mark.parametrize(
    ("group", "number"), [("filament", 1), ("filament", 2), ("rim", 0), ("fibres", 0), ("film", 1), ("video", 0)]
)
def test_what_an_eye_sees_is_read(group: str, number: int) -> None:
    case = drawn(group, number)
    a = judge(case.frame()).assessment
    assert a.scene == "both-edges"
    for value, sigma, name in (
        (a.offset_x_percent, a.offset_x_percent_sigma, "offset_x_percent"),
        (a.offset_y_percent, a.offset_y_percent_sigma, "offset_y_percent"),
    ):
        assert value is not None
        assert sigma is not None
        assert abs(value - case.truth[name]) < min(4 * sigma, 1.5)


@pytest.mark.parametrize("group", unsmooth.ALONE)
@pytest.mark.parametrize("number", range(2))
def test_one_disc_is_not_told_as_two(group: str, number: int) -> None:
    a = judge(drawn(group, number).frame()).assessment
    assert a.scene != "both-edges"
    assert a.offset_percent is None


def uneven(halo: float, seed: int = 4) -> tuple[Look, Array, Array]:
    """A picture of a wildly lit beam in a faint halo that fades, and its two edges."""
    y, x = np.mgrid[:420, :420].astype(float)
    aperture, beam = np.array([205.0, 214.0, 160.0, 0, 0, 1.2]), np.array([196.0, 222.0, 110.0, 0, 0, 2.0])
    r, rho = np.hypot(x - 205, y - 214), np.hypot(x - 196, y - 222)
    turn = np.arctan2(y - 222, x - 196)
    light = 1 + 0.5 * np.cos(5 * turn) * (rho / 110) ** 4 + np.exp(-(((y - 222) / 9) ** 2))
    mean = ndtr((160 - r) / 1.2) * halo * (1 + 0.4 * np.sin(x / 60)) + ndtr((110 - rho) / 2.0) * light
    mean = mean + 0.002 * y / 420
    rng = np.random.default_rng(seed)
    counts = rng.poisson(20_000 * mean) + rng.normal(100, 5, mean.shape)
    pixels = np.clip(np.rint(counts), 0, 65535).astype(np.uint16)
    reduced = reduce_picture(pixels)
    noise = estimate_noise(pixels, 100.0, float(pixels.max()), None)
    return Look(pixels, reduced, noise, look(reduced, block_sigma(noise, reduced)), False), aperture, beam


def test_a_faint_edge_is_found_over_all_rays_and_fitted_in_its_band() -> None:
    first, aperture, beam = uneven(0.01)
    found = min(
        faint_edges(first.pixels, beam[:5]), key=lambda e: np.hypot(*(e[:2] - aperture[:2])) + abs(e[2] - aperture[2])
    )
    assert np.hypot(*(found[:2] - aperture[:2])) < 2
    assert found[2] == pytest.approx(160, abs=2)
    edge = lone_edge(first, np.array([*found, beam[5]]), beam, faint=True)
    assert edge is not None
    assert edge.settled
    assert edge.at.significance > apart.STANDS_OUT
    off, sigma = edge.edge[:3] - aperture[:3], np.sqrt(np.diag(edge.covariance)[:3])
    assert (np.abs(off) < np.minimum(4 * sigma, 1.0)).all()


def test_an_edge_is_right_however_uneven_its_light_is() -> None:
    """Over twelve pictures the misses of a beam's edge scatter as its σ says, or less."""
    misses = []
    for seed in range(12):
        first, _, beam = uneven(0.01, seed)
        edge = lone_edge(first, beam + np.array([1.5, -1.0, 1.0, 0, 0, 0.5]))
        assert edge is not None
        misses.append((edge.edge[:3] - beam[:3]) / np.sqrt(np.diag(edge.covariance)[:3]))
    assert float(np.sqrt(np.mean(np.square(misses)))) < 1.5
    assert np.abs(misses).max() < 4


def test_no_edge_where_there_is_none() -> None:
    first, _, beam = uneven(0.0)
    assert all(apart._around(first, told, edge, 0.0) is None for told in [lone_edge(first, beam)] if told is not None
               for edge in [*faint_edges(first.pixels, beam[:5]), np.array([205.0, 214, 160, 0, 0])])  # fmt: skip


def test_light_that_fades_has_contours_where_no_noise_blurs_the_levels() -> None:
    fading = np.repeat(np.arange(64, dtype=np.uint8)[None] // 4, 64, axis=0)
    assert contour_height(fading, 255.0) == CONTOUR
    noisy = np.rint(fading + np.random.default_rng(2).normal(5, 0.6, fading.shape)).astype(np.uint8)
    assert contour_height(noisy, 255.0) == 0.0
    assert contour_height(4.0 * fading, 255.0) == 4 * CONTOUR
    assert contour_height(uneven(0.01)[0].pixels, 3000.0) == 0.0  # sixteen bits with noise


def test_an_aperture_is_round_or_as_elliptical_as_its_beam() -> None:
    circle, tilted, other = (np.array([0, 0, 1, e1, e2]) for e1, e2 in ((0.0, 0.0), (0.08, 0.0), (0.0, 0.08)))
    assert apart._as_round(circle, tilted)
    assert apart._as_round(tilted, tilted)
    assert not apart._as_round(tilted, circle)
    assert not apart._as_round(tilted, other)
