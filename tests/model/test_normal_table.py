"""The tabulated normal distribution function against scipy's."""

import numpy as np
from scipy.special import ndtr
from scipy.stats import norm

from apertrue.model.normal import cdf, cdf_pdf


def test_cdf_everywhere():
    t = np.concatenate([np.linspace(-8.5, 8.5, 200_001), np.random.default_rng(4).normal(0, 2, 50_000)])
    assert np.abs(cdf(t) - ndtr(t)).max() < 2e-11


def test_pdf():
    t = np.linspace(-9, 9, 10_001)
    np.testing.assert_allclose(cdf_pdf(t)[1], norm.pdf(t), rtol=1e-12)


def test_far_out_and_shapes():
    np.testing.assert_allclose(cdf(np.array([-1e9, -40.0, 40.0, 1e9])), [0, 0, 1, 1], atol=1e-15)
    assert cdf(np.zeros((3, 4))).shape == (3, 4)
    assert float(cdf(np.float64(0.0))) == 0.5


def test_symmetry():
    t = np.linspace(0, 8, 4001)
    np.testing.assert_allclose(cdf(t) + cdf(-t), 1.0, atol=4e-11)
