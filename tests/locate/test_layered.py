"""Pictures with a third step: structured beams, a last position that still glows, panels, steps of few gray levels (drawn)."""

import numpy as np
import pytest
from benchmarks.scenes import layered, samplers
from benchmarks.scenes.case import Case, numbered
from scipy.special import ndtr

from apertrue.frame import as_frame
from apertrue.locate.apart import HIGH
from apertrue.locate.find import Look
from apertrue.locate.inverted import looks_inverted, may_be_inverted
from apertrue.locate.lone_edge import lone_edge
from apertrue.locate.noise import estimate_noise
from apertrue.locate.reduce import reduce_picture
from apertrue.locate.viewport import window_seen
from apertrue.pipeline import judge

Array = np.ndarray


def drawn(group: str, number: int) -> Case:
    """One picture of the benchmark's set."""
    return numbered(layered.GROUPS, layered.one, 27, group, number)


@pytest.mark.parametrize("number", range(2))
@pytest.mark.parametrize("group", ["bright-middle", "dim-middle", "few-levels", "negative", "panels"])
def test_the_outer_edges_are_those_of_aperture_and_beam(group: str, number: int) -> None:
    case = drawn(group, number)
    a = judge(case.frame()).assessment
    assert a.scene == "both-edges"
    for name in ("offset_x_percent", "offset_y_percent", "aperture_radius_px", "beam_radius_px"):
        value, sigma = getattr(a, name), getattr(a, name + "_sigma")
        if name in case.truth:
            assert abs(value - case.truth[name]) < 4 * sigma
    assert max(a.offset_x_percent_sigma, a.offset_y_percent_sigma) < 2.5
    assert set(case.must_flags) <= set(a.flags)


@pytest.mark.parametrize(("group", "number"), [("no-aperture", 1), ("no-aperture", 11), ("porthole", 1)])
def test_a_structured_disc_alone_is_not_told_as_two(group: str, number: int) -> None:
    a = judge(drawn(group, number).frame()).assessment
    assert a.offset_percent is None
    assert a.score is None


@pytest.mark.parametrize("number", [0, 2])
def test_the_last_position_is_named_and_takes_the_numbers(number: int) -> None:
    a = judge(drawn("glowing-before", number).frame()).assessment
    assert "afterglow" in a.flags
    assert "afterglow-seen" in a.reasons
    assert a.verdict == "retake"
    assert (a.offset_percent, a.score, a.unevenness_percent) == (None, None, None)


def flat(step: float, seed: int = 5) -> tuple[Look, Array]:
    """Noise on an even light with a round step of so many gray levels, and where that is."""
    y, x = np.mgrid[:300, :300].astype(float)
    edge = np.array([148.0, 152.0, 90.0, 0.0, 0.0, 0.8])
    level = 430 + step * ndtr((90 - np.hypot(x - 148, y - 152)) / 0.8)
    pixels = np.rint(np.random.default_rng(seed).normal(level, 30.0)).astype(np.uint16)
    return Look(pixels, reduce_picture(pixels), estimate_noise(pixels, 400.0, 460.0, None), None, False), edge


@pytest.mark.parametrize("seed", range(4))
def test_slopes_that_make_up_a_step_leave_it_no_height(seed: int) -> None:
    nothing, start = flat(0.0, seed)
    found = lone_edge(nothing, start + np.array([2.0, -1.0, 3.0, 0.0, 0.0, 0.0]), faint=True)
    assert found is None or found.high < HIGH
    step, edge = flat(120.0, seed)
    found = lone_edge(step, edge + np.array([0.3, -0.2, 0.5, 0.0, 0.0, 0.0]), faint=True)
    assert found is not None
    assert found.high > 2 * HIGH
    assert abs(found.edge[2] - 90) < 0.5


def test_a_disc_that_reaches_beyond_a_negative_is_seen_as_one() -> None:
    pixels = drawn("negative", 1).pixels
    reduced = reduce_picture(pixels)
    levels = np.sort(reduced.mean.ravel())
    assert looks_inverted(reduced.mean, levels) or may_be_inverted(pixels)
    assert not may_be_inverted(np.asarray(pixels.max() - pixels))


def test_panels_are_told_from_dead_lines_and_discs() -> None:
    assert window_seen(drawn("panels", 0).pixels)
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:300, :300]
    disc = 8 + 90 * (np.hypot(x - 130, y - 160) < 140)
    calm = (disc + (rng.random(disc.shape) < 0.1)).astype(np.uint8)
    assert not window_seen(calm)
    calm[:, 77:79] = calm[40] = 0
    assert not window_seen(calm)


def test_an_edge_whose_faint_part_lies_beyond_the_frame_is_cut_by_it() -> None:
    y, x = np.mgrid[:320, :260].astype(float)
    aperture, beam = ndtr((130 - np.hypot(x - 180, y - 160)) / 1.2), ndtr((70 - np.hypot(x - 120, y - 160)) / 1.5)
    mean = 4000 * aperture * (0.015 + beam)
    pixels = np.rint(np.random.default_rng(2).normal(100 + mean, np.sqrt(9 + mean))).astype(np.uint16)
    a = judge(as_frame(np.clip(pixels, 0, 65535))).assessment
    assert a.scene in ("both-edges", "clipped")
    assert "cut-by-frame" in a.flags


def test_a_soft_spot_is_no_bright_middle() -> None:
    *_, case = samplers.all_kinds(7)
    assert case.group == "crossover"
    a = judge(case.frame()).assessment
    assert a.scene == "crossover"
    assert abs(a.offset_x_percent - case.truth["offset_x_percent"]) < 4 * a.offset_x_percent_sigma
