"""Glow: light that a camera spreads beyond the aperture's edge is no halo, no second edge and no second disc."""

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.scenes import glowing
from benchmarks.scenes.case import Case, numbered
from scipy.ndimage import map_coordinates
from scipy.signal import fftconvolve
from scipy.special import ndtr

from apertrue.frame import as_frame
from apertrue.locate import glow as g
from apertrue.locate import rivals
from apertrue.locate.reduce import Reduced, reduce_picture
from apertrue.model.forward import Basis, Points, evaluate, evaluate_with_jacobian
from apertrue.model.glow import Glow
from apertrue.pipeline import judge

Array = np.ndarray


def drawn(group: str, number: int) -> Case:
    """One picture of the benchmark's set."""
    return numbered(glowing.GROUPS, glowing.one, 24, group, number)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(12)


def test_glow_between_blocks_is_what_scipy_interpolates(rng):
    terms = rng.uniform(0, 1, (3, 20, 30))
    glow = Glow(terms, 5)
    x, y = rng.uniform(2, 5 * 30 - 8, 50), rng.uniform(2, 5 * 20 - 8, 50)
    expected = [map_coordinates(t, [(y - 2) / 5, (x - 2) / 5], order=1) for t in terms]
    assert np.allclose(glow.at(x, y), expected, atol=1e-12)
    assert np.allclose(glow.at(np.array([-50.0]), np.array([1000.0]))[:, 0], terms[:, -1, 0], atol=2e-3)  # beyond


def test_glow_is_the_picture_spread_by_its_kernel():
    """Against a convolution with the kernel ρ/(2π(r² + ρ²)^{3/2}) itself (SciPy), but for strength and an even level."""
    y, x = np.mgrid[0:64, 0:80]
    image = np.where(np.hypot(x - 40, y - 30) < 12, 7.0, 0.0)
    glow = g.glow_of(Reduced(image, 4, 16, (256, 320)), 12.0)
    assert glow is not None
    assert len(glow) == g.RANGES
    ranges = np.geomspace(3.0, g.LONGEST * 64, g.RANGES)  # a width of 12 px is 3 blocks
    v, u = np.mgrid[-127:128, -127:128]
    for term, reach in zip(glow.terms, ranges, strict=True):
        kernel = reach / (2 * np.pi * (u * u + v * v + reach * reach) ** 1.5)
        expected = fftconvolve(image, kernel, mode="same").ravel()
        alike = np.polyval(np.polyfit(expected, term.ravel(), 1), expected)
        assert np.allclose(term.ravel(), alike, atol=0.01)


@pytest.mark.parametrize("image", [np.zeros((40, 40)), np.full((40, 40), 3.0), np.full((8, 8), 1.0)])
def test_no_light_or_hardly_a_picture_has_no_glow(image):
    assert g.glow_of(Reduced(image, 4, 16, (160, 160)), 1.0) is None


def test_the_model_adds_glow_to_the_background(rng):
    glow = Glow(rng.uniform(0, 1, (2, 10, 10)), 10)
    edge = np.array([50.0, 50.0, 30.0, 0.0, 0.0, 2.0])
    plain = Basis((50.0, 50.0, 30.0), (50.0, 50.0, 15.0, 0.0, 0.0))
    with_it = replace(plain, glow=glow)
    at = Points.at(rng.uniform(5, 90, 40), rng.uniform(5, 90, 40))
    linear = rng.normal(size=plain.n_linear)
    nb = plain.counts[0]
    more = np.concatenate([linear[:nb], [3.0, -2.0], linear[nb:]])
    beam = np.array([50.0, 50.0, 15.0, 0.0, 0.0, 2.0])
    added = evaluate(with_it, at, edge, beam, more) - evaluate(plain, at, edge, beam, linear)
    assert np.allclose(added, np.array([3.0, -2.0]) @ glow.at(at.x, at.y))
    picture, jacobian = evaluate_with_jacobian(with_it, at, edge, beam, more)
    assert np.allclose(picture, evaluate(with_it, at, edge, beam, more))
    assert np.allclose(jacobian[12 + nb : 12 + nb + 2], glow.at(at.x, at.y))


def told(case: Case) -> tuple[str, float | None]:
    a = judge(case.frame()).assessment
    return a.scene, a.offset_percent


@pytest.mark.parametrize("number", [7, 15])
def test_a_single_disc_that_glows_is_not_two(monkeypatch, number):
    case = drawn("one-disc", number)
    scene, offset = told(case)
    assert scene == "one-edge"
    assert offset is None
    if number == 15:
        for module in (rivals, g):
            monkeypatch.setattr(module, "glow_of", lambda *_: None)
        assert told(case)[1] is not None  # its glow passes for a halo with a soft edge


def test_glow_is_fitted_where_it_is_and_sharpens_the_numbers(monkeypatch):
    x, y = np.meshgrid(np.arange(400.0), np.arange(400.0))
    beam = ndtr((143 - np.hypot(x - 194, y - 192)) / 5.0)
    light = ndtr((150 - np.hypot(x - 200, y - 205)) / 1.2) * (0.06 + beam)
    rng = np.random.default_rng(3)
    counts = rng.poisson(30000 * np.maximum(glowing.spread(light, 150.0, rng), 0))
    frame = as_frame((counts / 30.0 + rng.normal(0, 0.2, light.shape)).astype(np.float32))
    a = judge(frame).assessment
    assert a.scene == "clipped"
    for name, true in (("offset_x_percent", -6 / 1.5), ("offset_y_percent", -13 / 1.5)):
        assert abs(getattr(a, name) - true) < 4 * getattr(a, f"{name}_sigma")
    monkeypatch.setattr(g, "glow_of", lambda *_: None)
    assert judge(frame).assessment.offset_x_percent_sigma > 5 * a.offset_x_percent_sigma


def test_a_bare_lens_that_glows_is_a_lens():
    assert told(drawn("bare-lens", 2)) == ("clipped", None)


def test_what_is_less_than_nothing_or_most_of_the_light_is_no_glow(rng):
    case = drawn("nested", 0)
    reduced = reduce_picture(case.pixels)
    glow = g.glow_of(reduced, 2.0)
    assert glow is not None

    class Fitted:
        basis = Basis((0.0, 0.0, 1.0), (0.0, 0.0, 1.0, 0.0, 0.0), glow=glow)

        def __init__(self, *terms: float) -> None:
            self.linear = np.concatenate([np.zeros(3), terms, np.ones(20)])

    assert g.is_glow(Fitted(5.0, 1.0, 1.0, 1.0), 100.0)  # type: ignore[arg-type]
    assert not g.is_glow(Fitted(50.0, 1.0, 1.0, 1.0), 100.0)  # type: ignore[arg-type]
    assert not g.is_glow(Fitted(-5.0, 1.0, 1.0, 1.0), 100.0)  # type: ignore[arg-type]
