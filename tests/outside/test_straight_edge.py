"""Fringes of a straight edge, as the simulated pictures draw them, and the Fresnel integrals behind them."""

import numpy as np
import pytest
from scipy.special import fresnel

from apertrue.scene import Edge
from apertrue.simulate.light import edge_light

SOURCE = {
    "author": "M. Born and E. Wolf; M. Abramowitz and I. A. Stegun",
    "title": "Principles of Optics, section 8.7.3; Handbook of Mathematical Functions, table 7.7",
    "year": "1999; 1964",
    "place": "Cambridge University Press; National Bureau of Standards (an optics manual prints the same edge)",
    "how": "from memory",
}
#: v at which the light is half its plateau: where the house puts the edge.
HALF = 0.353637943


def light_at(v):
    """Light of a very wide edge along its normal; v counts from the geometric shadow, the fringes' scale is 10 px."""
    radius, scale = 1e7, 10.0
    edge = Edge(0.0, 0.0, radius, width=0.1)  # a blur of 0.01 in v
    inward = (np.asarray(v) - HALF) * scale
    return edge_light(radius - inward, np.zeros_like(inward), edge, fringe=scale)


@pytest.mark.parametrize(
    ("name", "v", "published"),
    [
        ("geometric shadow", 0.0, 0.25),
        ("first maximum", 1.217198251, 1.37044292),
        ("first minimum", 1.872519062, 0.778251047),
        ("second maximum", 2.344485382, 1.199271203),
        ("half the plateau", HALF, 0.5),
    ],
)
def test_light(check, name, v, published):
    # 1e-3: the drawn edge is blurred by 0.01 in v on purpose (partial coherence).
    check(f"light at the {name}, v = {v:.6g}", light_at([v])[0], published, tol=1e-3)


def test_places(check):
    v = np.arange(0.8, 2.7, 0.0005)
    light = light_at(v)
    check("place of the first maximum", v[np.argmax(light)], 1.217198251, tol=0.003)
    late = v > 1.5
    check("place of the first minimum", v[late][np.argmin(light[late])], 1.872519062, tol=0.003)
    last = v > 2.1
    check("place of the second maximum", v[last][np.argmax(light[last])], 2.344485382, tol=0.003)


@pytest.mark.parametrize(
    ("x", "c", "s"),
    [
        (0.5, 0.4923442259, 0.0647324329),
        (1.0, 0.7798934004, 0.4382591474),
        (2.0, 0.4882534061, 0.3434156784),
        (5.0, 0.5636311887, 0.4991913819),
    ],
)
def test_fresnel_integrals(check, x, c, s):
    ours_s, ours_c = fresnel(x)
    check(f"C({x:g})", ours_c, c, tol=1e-9)
    check(f"S({x:g})", ours_s, s, tol=1e-9)
