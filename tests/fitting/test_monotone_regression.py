"""Monotone regression against an independent library, and what must hold for every input."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from apertrue.fitting.monotone import isotonic, monotone_rows

numbers = st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=40)


@pytest.mark.parametrize("increasing", [True, False])
@pytest.mark.parametrize("seed", range(6))
def test_scipy_agrees(seed, increasing):
    rng = np.random.default_rng(seed)
    y = np.cumsum(rng.normal(0.1, 1, 150))
    w = rng.uniform(0.1, 5, 150)
    theirs = isotonic_regression(y, weights=w, increasing=increasing).x
    np.testing.assert_allclose(isotonic(y, w, increasing=increasing), theirs, rtol=1e-10, atol=1e-10)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(numbers)
def test_properties(y):
    fit = isotonic(y)
    assert (np.diff(fit) >= 0).all()
    assert fit.sum() == pytest.approx(np.sum(y), abs=1e-6)  # blocks are means
    np.testing.assert_allclose(isotonic(fit), fit, atol=1e-9)  # a projection
    np.testing.assert_allclose(isotonic(np.negative(y), increasing=False), -fit, atol=1e-9)


def test_rows():
    rng = np.random.default_rng(1)
    rows = np.cumsum(rng.normal(-0.3, 1, (30, 25)), axis=1)
    rows[0] = np.arange(25.0)[::-1]  # already falling: untouched
    out = monotone_rows(rows, increasing=False)
    assert (np.diff(out, axis=1) <= 0).all()
    np.testing.assert_array_equal(out[0], rows[0])
    for a, b in zip(rows, out, strict=True):
        np.testing.assert_allclose(b, isotonic_regression(a, increasing=False).x, atol=1e-10)


@pytest.mark.parametrize(("y", "w"), [([1, float("nan")], None), ([[1, 2]], None), ([1, 2], [1, 0]), ([1, 2], [1])])
def test_refusals(y, w):
    with pytest.raises(ValueError, match="must be"):
        isotonic(y, w)
