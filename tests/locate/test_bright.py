"""Bright pictures, in which each thing that the model misses exceeds the noise by far (drawn, not simulated)."""

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.scenes import bright, samplers
from benchmarks.scenes.case import Case, numbered
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from apertrue.frame import as_frame
from apertrue.locate import engine, flags, ghost, levels, rays, roundness
from apertrue.locate.plateau import plateau_end
from apertrue.pipeline import judge
from apertrue.readers.intensity import to_intensity

Array = np.ndarray


def drawn(group: str, number: int) -> Case:
    """One picture of the benchmark's set."""
    return numbered(bright.GROUPS, bright.one, 25, group, number)


def holds(case: Case) -> bool:
    """Whether an offset is told and lies within 4σ and a percent and a half."""
    a = judge(case.frame()).assessment
    if a.offset_x_percent is None or a.offset_y_percent is None:
        return False
    off = np.array(
        [a.offset_x_percent - case.truth["offset_x_percent"], a.offset_y_percent - case.truth["offset_y_percent"]]
    )
    sigma = np.array([a.offset_x_percent_sigma, a.offset_y_percent_sigma])
    return bool((np.abs(off) < np.minimum(4 * sigma, 1.5)).all())


@pytest.mark.parametrize(
    ("group", "number"),
    [("patchy", 0), ("patchy", 8), ("patchy", 3), ("dead-middle", 0), ("faint-halo", 0), ("half-cut", 1)],
)
def test_what_an_eye_sees_is_read(group, number):
    assert holds(drawn(group, number))


@pytest.mark.parametrize("number", range(2))
def test_a_disc_with_a_bright_rim_is_one_edge(number):
    a = judge(drawn("rimmed-disc", number).frame()).assessment
    assert a.scene != "both-edges"
    assert a.offset_percent is None


def test_the_same_edges_in_a_part_of_the_picture_are_no_third_edge(monkeypatch):
    case = drawn("patchy", 0)
    assert holds(case)
    monkeypatch.setattr(engine, "_agree", lambda one, other: False)
    assert judge(case.frame()).assessment.offset_percent is None


def ringed(gap: float, halo: float, width: float = 1.0) -> tuple[rays.Rays, Array]:
    """Rays over a core of 30 blocks' radius with a halo so far around it, and the core's boundary on them."""
    y, x = np.mgrid[:120, :120]
    r = np.hypot(x - 60.0, y - 60.0)
    light = ndtr((30 - r) / width) * (1 + 0.1 * np.sin(x / 9.0)) + halo * ndtr((30 + gap - r) / 0.7)
    image = 100 + 20_000 * light + np.random.default_rng(5).normal(0, 15, r.shape)
    return rays.cast(image, 60.0, 60.0), np.full(rays.N_RAYS, 30.0)


@pytest.mark.parametrize(("gap", "halo"), [(4.0, 0.03), (6.0, 0.01), (9.0, 0.1)])
def test_a_narrow_halo_ends_where_it_was_drawn(gap, halo):
    found = plateau_end(*ringed(gap, halo), 30.0, 100.0)
    assert found == pytest.approx(gap, abs=0.75)


def test_the_flank_of_one_edge_is_no_plateau():
    assert plateau_end(*ringed(0.0, 0.0), 30.0, 100.0) is None
    at, boundary = ringed(5.0, 0.05)
    boundary[:60] = np.nan
    assert plateau_end(at, boundary, 30.0, 100.0) is None  # too few rays


def test_the_middle_of_a_beam_in_a_dead_part_is_looked_for_beside_it():
    image = np.full((60, 60), 10.0)
    y, x = np.mgrid[:60, :60]
    image[np.hypot(x - 28, y - 32) < 15] = 1000.0
    image[:34, :31] = np.nan
    start = rays.core_start(rays.Reduced(image, 1, 1, image.shape))
    assert start is not None
    assert np.isfinite(image[round(start[1]), round(start[0])])
    assert np.hypot(start[0] - 31, start[1] - 34) < 5


def sigmas(case: Case, field: str, monkeypatch, module, constant: str, value: float) -> tuple[float, float]:
    """A field's σ as it is, and with another value of a constant."""
    out = []
    for _ in range(2):
        sigma = getattr(judge(case.frame()).assessment, f"{field}_sigma")
        assert sigma is not None
        out.append(sigma)
        monkeypatch.setattr(module, constant, value)
    return out[0], out[1]


def test_a_held_arc_is_doubted_by_what_the_free_fit_found(monkeypatch):
    sigma, before = sigmas(drawn("half-cut", 1), "offset_x_percent", monkeypatch, roundness, "ALIKE", 0.015)
    assert sigma < 0.5 * before


def test_a_second_disc_that_hardly_shows_is_none(monkeypatch):
    """A beam's own light may be written as a faint disc that smooth light explains nearly as well."""
    found = []

    def kept(pixels, solution, noise):
        found.append((ghost.find_ghost(pixels, solution, noise), solution.fit))
        return found[-1][0]

    monkeypatch.setattr(flags, "find_ghost", kept)
    case = next(c for c in samplers.one_nuisance("afterglow", 7) if c.name.endswith("6"))
    assert "afterglow" in judge(case.frame()).assessment.flags
    disc, fit = found[0]
    assert disc is not None
    assert ghost.afterglow_seen(disc, fit)
    shown = ghost.SHOWN / disc.level
    assert ghost.afterglow_seen(replace(disc, apart=(1.1 * shown) ** 2 + ghost.APART), fit)
    faint = replace(disc, level=0.02, apart=(0.9 * ghost.SHOWN / 0.02) ** 2)
    assert faint.apart > ghost.APART
    assert not ghost.afterglow_seen(faint, fit)


def test_what_the_halo_is_under_the_beam_is_in_doubt(monkeypatch):
    sigma, without = sigmas(drawn("domed-snug", 7), "halo_fraction", monkeypatch, levels, "CONTINUED", 0.0)
    assert sigma > without


def test_gray_levels_of_a_window_with_a_colored_bar_stay_whole():
    """A mean of three equal channels in floats is off by a millionth, which no camera's noise is."""
    rng = np.random.default_rng(3)
    gray = rng.integers(0, 256, (200, 200)).astype(np.uint8)
    window = np.repeat(gray[..., None], 3, axis=2)
    window[:8] = (70, 62, 157)
    light = to_intensity(window, 255.0)
    assert light.color
    assert light.pixels.dtype == np.uint8
    np.testing.assert_array_equal(light.pixels[8:], gray[8:])
    assert (light.pixels[:8] == 96).all()


def test_a_screenshot_with_a_colored_bar_is_read():
    y, x = np.mgrid[:400, :400]
    light = 9.0 * ndtr((150 - np.hypot(x - 205, y - 215)) / 1.2) + 180.0 * ndtr(
        (130 - np.hypot(x - 200, y - 210)) / 1.2
    )
    view = np.rint(5 + gaussian_filter(light, 0.7)).astype(np.uint8)
    window = np.repeat(view[..., None], 3, axis=2)
    window[:20] = (70, 62, 157)
    frame = as_frame(to_intensity(window, 255.0).pixels, color=True, linear=False, saturation=255.0)
    a = judge(frame).assessment
    assert a.scene == "both-edges"
    assert a.aperture_radius_px == pytest.approx(150, abs=0.5)
