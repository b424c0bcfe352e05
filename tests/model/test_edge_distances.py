"""Signed distances and blurred steps of soft elliptical edges."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apertrue.fitting.ellipse import EllipseFit
from apertrue.model.edges import distance, step, step_with_derivatives
from apertrue.scene import Edge


def test_circle_is_exact():
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-300, 300, (2, 500))
    edge = np.array([12.0, -7.0, 90.0, 0.0, 0.0])
    np.testing.assert_allclose(distance(x, y, edge), 90.0 - np.hypot(x - 12, y + 7), rtol=1e-12, atol=1e-10)


def test_center_of_a_circle():
    assert distance(np.array([3.0]), np.array([4.0]), np.array([3.0, 4.0, 50.0, 0, 0]))[0] == pytest.approx(50.0)


@pytest.mark.parametrize(("e1", "e2"), [(0.05, 0.0), (0.0, -0.13), (0.08, 0.1)])
def test_ellipse_is_first_order(e1, e2):
    """Near the edge the error against the true distance falls with the square of the distance."""
    edge = np.array([40.0, 30.0, 100.0, e1, e2])
    true = EllipseFit(40.0, 30.0, 100.0, e1, e2, None, 0.0, 0, np.ones(1))
    outline = Edge(40.0, 30.0, 100.0, e1, e2).outline(200)
    np.testing.assert_allclose(distance(outline[:, 0], outline[:, 1], edge), 0, atol=1e-10)
    worst = []
    for factor in (1.01, 1.02, 1.04):
        p = (outline - (40, 30)) * factor + (40, 30)
        worst.append(np.abs(distance(p[:, 0], p[:, 1], edge) + true.distances(p)).max())
    assert worst[0] < 0.01
    assert 3.3 < worst[1] / worst[0] < 4.7
    assert 3.3 < worst[2] / worst[1] < 4.7


@given(
    x=st.floats(-50, 50),
    y=st.floats(-50, 50),
    radius=st.floats(10, 200),
    e1=st.floats(-0.15, 0.15),
    e2=st.floats(-0.15, 0.15),
    turn=st.floats(0, 2 * np.pi),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_turning_the_world_changes_nothing(x, y, radius, e1, e2, turn):
    """Ellipticity is a double-angle vector: turned by φ it turns by 2φ, and distances stay."""
    px, py = np.array([60.0, -20.0, 5.0]), np.array([10.0, 90.0, -40.0])
    c, s, c2, s2 = np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)
    before = distance(px, py, np.array([x, y, radius, e1, e2]))
    turned = np.array([c * x - s * y, s * x + c * y, radius, c2 * e1 - s2 * e2, s2 * e1 + c2 * e2])
    after = distance(c * px - s * py, s * px + c * py, turned)
    np.testing.assert_allclose(after, before, rtol=1e-7, atol=1e-6)


def test_step_is_half_on_the_edge_and_monotone():
    u = np.linspace(-12, 12, 97)
    value = step(u, 2.0)
    assert value[48] == pytest.approx(0.5, abs=1e-12)
    assert (np.diff(value) >= 0).all()
    assert value[0] < 1e-8
    assert value[-1] > 1 - 1e-8


def test_step_with_derivatives_agrees_with_step():
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 120, (2, 200))
    edge = np.array([60.0, 60.0, 40.0, 0.04, -0.03, 1.7])
    value, derivatives, _ = step_with_derivatives(x, y, edge)
    np.testing.assert_allclose(value, step(distance(x, y, edge), 1.7), atol=1e-12)
    assert derivatives.shape == (6, 200)
    assert np.isfinite(derivatives).all()
    # A wider circle holds more points: the radius only ever raises the step.
    assert (derivatives[2] >= 0).all()
