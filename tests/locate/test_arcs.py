"""Arcs that are no circle's, small things beside a beam, and a photographed screen's bright rim (drawn, not simulated)."""

import numpy as np
import pytest
from benchmarks.scenes import arcs
from benchmarks.scenes.case import Case, numbered
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from apertrue.frame import as_frame
from apertrue.locate import classify, doubts, roundness
from apertrue.pipeline import judge

Array = np.ndarray


def drawn(group: str, number: int) -> Case:
    """One picture of the benchmark's set."""
    return numbered(arcs.GROUPS, arcs.one, 22, group, number)


def sigmas_off(case: Case) -> float | None:
    """By how many σ the offset is off, x or y, whichever is worse; ``None`` when none is told."""
    a = judge(case.frame()).assessment
    if a.offset_x_percent is None:
        return None
    names = ("offset_x_percent", "offset_y_percent")
    return max(abs(getattr(a, name) - case.truth[name]) / getattr(a, f"{name}_sigma") for name in names)


def test_half_an_edge_with_threefold_astigmatism_is_doubted(monkeypatch):
    case = drawn("threefold-cut", 5)
    off = sigmas_off(case)
    assert off is not None
    assert off < 4.0
    monkeypatch.setattr(doubts, "_unlike_ellipse", lambda fit, at, covariance: np.zeros_like(covariance))
    off = sigmas_off(case)
    assert off is not None
    assert off > 4.0  # it passes for an ellipse with another center


def test_a_round_edge_in_full_view_is_doubted_no_more():
    """The doubt is that of what is hidden, and of an ellipticity that was found."""
    x, y = np.meshgrid(np.arange(400.0), np.arange(400.0))
    light = ndtr((150 - np.hypot(x - 200, y - 200)) / 1.5) * (0.1 + 0.9 * ndtr((90 - np.hypot(x - 215, y - 190)) / 1.5))
    pixels = np.random.default_rng(5).poisson(20 + 4000 * light).astype(np.uint16)
    a = judge(as_frame(pixels)).assessment
    assert a.offset_percent_sigma < 0.05


def test_a_photographed_rim_is_no_aperture(monkeypatch):
    case = drawn("bright-rim", 41)
    off = sigmas_off(case)
    assert off is None or off < 4.0
    monkeypatch.setattr(classify, "is_rim", lambda *_: False)
    off = sigmas_off(case)
    assert off is not None
    assert off > 4.0


@pytest.mark.parametrize("held", [False, True])
def test_a_held_arc_of_an_ellipse_is_doubted_by_what_the_free_fit_found(monkeypatch, held):
    """Where patches bend an ellipse's arc so that its held fit is given, that is off, and says so."""
    x, y = np.meshgrid(np.arange(560.0), np.arange(480.0))
    u, v = x - 260.0, y - 190.0
    oval = 158.0 - np.hypot((u - v) / np.sqrt(2) / 1.05, (u + v) / np.sqrt(2) * 1.05)
    patches = gaussian_filter(np.random.default_rng(6).normal(size=x.shape), 4.0)
    beam = np.maximum(1.0 + 0.2 * patches / patches.std(), 0.1) * ndtr(oval)
    light = ndtr((182.0 - np.hypot(x - 314.0, y - 262.0)) / 1.2) * (0.05 + beam)
    if not held:
        monkeypatch.setattr(roundness, "FOUND", (0.0, 0.0))
    a = judge(as_frame(np.random.default_rng(7).poisson(20 + 30000 * light).astype(np.uint16))).assessment
    off = abs(a.offset_x_percent + 100 * 54 / 182) / a.offset_x_percent_sigma
    assert (off < 2.2) == held


@pytest.mark.parametrize("number", [1, 2, 3])
def test_within_a_bright_rim_both_edges_are_read(number):
    off = sigmas_off(drawn("bright-rim", number))
    assert off is not None
    assert off < 4.0


def test_an_ellipse_in_patchy_light_is_not_held_round(monkeypatch):
    """Held round, its arc lies beside the edge all along; the free one shows."""
    x, y = np.meshgrid(np.arange(560.0), np.arange(480.0))
    u, v = x - 260.0, y - 190.0
    along, across = (u - v) / np.sqrt(2), (u + v) / np.sqrt(2)
    oval = 158.0 - np.hypot(along / 1.06, across * 1.06)
    rng = np.random.default_rng(6)
    patches = gaussian_filter(rng.normal(size=x.shape), 4.0)
    beam = np.maximum(1.0 + 0.3 * patches / patches.std(), 0.1) * ndtr(oval)
    light = ndtr((182.0 - np.hypot(x - 314.0, y - 262.0)) / 1.2) * (0.05 + beam)
    frame = as_frame(rng.poisson(20 + 10000 * light).astype(np.uint16))
    a = judge(frame).assessment
    assert a.offset_x_percent == pytest.approx(100 * -54 / 182, abs=1.0)
    assert a.offset_y_percent == pytest.approx(100 * -72 / 182, abs=1.0)
    monkeypatch.setattr(roundness, "STILL", 0.0)
    assert judge(frame).assessment.offset_x_percent is None


def beside(radius: float) -> Array:
    """A beam, and a second spot of this radius within the aperture."""
    x, y = np.meshgrid(np.arange(420.0), np.arange(420.0))
    aperture = ndtr((160 - np.hypot(x - 210, y - 215)) / 1.2)
    beam = ndtr((75 - np.hypot(x - 240, y - 190)) / 1.5)
    spot = gaussian_filter((np.hypot(x - 120, y - 270) < radius).astype(float), 1.5)
    light = 0.01 + aperture * (0.08 + 0.9 * beam + 0.6 * spot)
    return np.random.default_rng(7).poisson(100 + 3000 * light).astype(np.uint16)


def test_a_small_reflection_is_no_second_spot():
    a = judge(as_frame(beside(10.0))).assessment
    assert a.offset_x_percent == pytest.approx(100 * 30 / 160, abs=4 * a.offset_x_percent_sigma)
    assert a.offset_y_percent == pytest.approx(100 * -25 / 160, abs=4 * a.offset_y_percent_sigma)


def test_a_spot_of_a_tenth_of_the_beam_is_one():
    a = judge(as_frame(beside(26.0))).assessment
    assert a.offset_x_percent is None
    assert a.scene == "other-view"
