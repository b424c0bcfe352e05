"""The round edge that a fit of two edges leaves over between them: where it lies, and when there is none."""

import numpy as np
import pytest
from scipy.special import ndtr

from apertrue.frame import as_frame
from apertrue.locate.find import Look, block_sigma, look
from apertrue.locate.noise import estimate_noise
from apertrue.locate.reduce import reduce_picture
from apertrue.locate.solution import Solution
from apertrue.locate.solve import fine
from apertrue.locate.third import edge_between
from apertrue.pipeline import judge
from apertrue.scene import Edge

#: Center x, y and radius, as shares of the picture's side.
RIM, APERTURE, BEAM = (0.51, 0.49, 0.45), (0.55, 0.53, 0.24), (0.57, 0.51, 0.15)
WIDTH = 1.2


def picture(side: int, steps: dict[tuple[float, ...], float], full: float = 3000.0) -> np.ndarray:
    """Blurred discs one on the other, each with its height, in counting and read noise."""
    y, x = np.mgrid[0:side, 0:side].astype(float)
    light = np.full((side, side), 0.01)
    for (cx, cy, radius, *shape), height in steps.items():
        edge = Edge(cx * side, cy * side, radius * side, *shape)
        u = np.stack([x - edge.x, y - edge.y])
        distance = np.hypot(*np.tensordot(edge.to_round(), u, 1)) - edge.radius
        light += height * ndtr(-distance / WIDTH)
    rng = np.random.default_rng(8)
    return np.rint(rng.poisson(full * light) + rng.normal(100.0, 4.0, light.shape)).astype(np.float32)


def left_over(pixels: np.ndarray, outer: tuple[float, ...] = RIM) -> np.ndarray | None:
    """The third edge, when the outer one and the beam's are fitted."""
    side = len(pixels)
    reduced = reduce_picture(pixels)
    noise = estimate_noise(pixels, float(np.quantile(reduced.mean, 0.02)), float(reduced.mean.max()), None)
    rough = look(reduced, block_sigma(noise, reduced))
    assert rough is not None
    ends = [np.array([*(side * np.array(e[:3])), 0.0, 0.0, WIDTH]) for e in (outer, BEAM)]
    pair: Solution | None = fine(pixels, reduced, noise, ends[0], ends[1], rough.bright - rough.dark, placed=True)
    assert pair is not None
    return edge_between(Look(pixels, reduced, noise, rough, drawn=False), pair)


@pytest.mark.parametrize("side", [256, 384, 640])
def test_it_lies_where_it_was_drawn(side: int) -> None:
    """To a tenth of a block, whatever the blocks' size (2, 3 and 5 px)."""
    found = left_over(picture(side, {RIM: 0.08, APERTURE: 0.12, BEAM: 0.8}))
    assert found is not None
    assert found[:3] == pytest.approx(side * np.array(APERTURE), abs=0.1 * side / 128)
    assert np.hypot(found[3], found[4]) < 0.01


@pytest.mark.parametrize(("e1", "e2"), [(0.06, 0.0), (-0.03, 0.05)])
def test_it_may_be_an_ellipse(e1: float, e2: float) -> None:
    found = left_over(picture(384, {RIM: 0.08, (*APERTURE, e1, e2): 0.12, BEAM: 0.8}))
    assert found is not None
    assert found[3:] == pytest.approx([e1, e2], abs=0.006)


@pytest.mark.parametrize("beam", [0.3, 0.8, 3.0])
def test_a_third_as_high_as_the_outer_step_is_enough_beside_any_beam(beam: float) -> None:
    found = left_over(picture(384, {RIM: 0.09, APERTURE: 0.03, BEAM: beam}))
    assert found is not None
    assert found[2] == pytest.approx(384 * APERTURE[2], abs=0.5)


def test_two_edges_leave_none_over() -> None:
    assert left_over(picture(384, {RIM: 0.2, BEAM: 0.8})) is None


def test_a_step_that_is_not_round_is_none() -> None:
    """A square panel's sides are no edge of an aperture."""
    pixels = picture(384, {RIM: 0.08, BEAM: 0.8})
    pixels[120:300, 130:310] += 360.0
    assert left_over(pixels) is None


@pytest.mark.parametrize("thick", [1.0, 2.0, 4.0])
def test_a_circle_drawn_or_engraved_is_none(thick: float) -> None:
    """Its light ends where a lit disc's would, but does not go on inside."""
    pixels = picture(384, {RIM: 0.08, BEAM: 0.8})
    y, x = np.mgrid[0:384, 0:384].astype(float)
    away = np.hypot(x - 384 * APERTURE[0], y - 384 * APERTURE[1]) - 384 * APERTURE[2]
    pixels[np.abs(away) < thick / 2] += 900.0
    assert left_over(pixels) is None


def test_too_near_the_beam_or_the_outer_edge_there_is_none() -> None:
    """There a step is what a fit leaves of the known edge itself."""
    for radius in (BEAM[2] + 0.004, RIM[2] - 0.012):
        at = BEAM if radius < 0.2 else RIM
        assert left_over(picture(384, {RIM: 0.08, (at[0], at[1], radius): 0.02, BEAM: 0.8})) is None


@pytest.mark.parametrize(("beam", "height"), [(2.0, 0.03), (6.0, 0.09)])
def test_beside_a_beam_many_times_as_bright_the_rim_is_not_told_as_the_aperture(beam: float, height: float) -> None:
    """What blocks at the beam's edge differ by from the model at their centers is no step."""
    told = judge(as_frame(picture(384, {RIM: 0.09, APERTURE: height, BEAM: beam}))).assessment
    assert told.aperture_radius_px == pytest.approx(384 * APERTURE[2], abs=0.5)
    assert told.offset_percent == pytest.approx(100 * np.hypot(0.02, 0.02) / 0.24, abs=0.3)
