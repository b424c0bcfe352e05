"""The Cramér–Rao bound of a circle's center and radius, full circle and arcs, and that our fit reaches it."""

from math import pi, radians, sqrt

import numpy as np
import pytest

from apertrue.fitting.bounds import arc_bound
from apertrue.fitting.circle import fit_circle

SOURCE = {
    "author": "Y. T. Chan, S. M. Thomas; K. Kanatani; N. Chernov",
    "title": "Cramér–Rao lower bounds for estimation of a circular arc center and its radius; and later accounts",
    "year": "1995, 1998, 2010",
    "place": "Graph. Models Image Process. 57:527–532; IEEE Trans. PAMI 20:1246; CRC Monographs on Statistics 117",
    "how": "from memory",
}


def test_full_circle(check):
    along, across, radius = arc_bound(360, 0.5)
    check("center, 360 points, σ 0.5, σ√(2/N)", along, 0.0372677996, tol=1e-9)
    check("center across", across, 0.0372677996, tol=1e-9)
    check("radius, σ/√N", radius, 0.0263523138, tol=1e-9)


@pytest.mark.parametrize(
    ("half_angle", "values"),
    [
        (90, (0.08562661, 0.03726780, 0.06054716)),
        (60, (0.17440644, 0.04866296, 0.14662057)),
        (30, (0.6575722, 0.0895988, 0.6284879)),
    ],
)
def test_arcs(check, half_angle, values):
    bound = arc_bound(360, 0.5, radians(half_angle))
    for name, ours, published in zip(("along the axis", "across it", "radius"), bound, values, strict=True):
        check(f"arc of ±{half_angle}°, {name}", ours, published, tol=2e-5, relative=True)


@pytest.mark.parametrize("half_angle", [180, 90, 40])
def test_our_covariance_is_the_bound(check, half_angle):
    """Noise-free points, evenly spread: the fit's covariance must be the bound (of N points instead of a continuum)."""
    n, sigma, a = 2000, 0.5, radians(half_angle)
    t = (np.arange(n) + 0.5) / n * 2 * a - a
    fit = fit_circle(np.stack([100 * np.cos(t), 100 * np.sin(t)], axis=1), sigma)
    for ours, bound in zip(fit.sigma, arc_bound(n, sigma, a), strict=True):
        check(f"1σ of our fit, ±{half_angle}°", ours, bound, tol=2e-5, relative=True)


def test_the_fit_reaches_the_bound():
    """1 000 noisy arcs of ±60°: variance ÷ bound within the two-sided 99.9 % interval of 1 000 degrees of freedom."""
    rng = np.random.default_rng(2026)
    n, sigma, a = 120, 0.3, pi / 3
    t = (np.arange(n) + 0.5) / n * 2 * a - a
    clean = np.stack([np.cos(t), np.sin(t)], axis=1)
    found = []
    for _ in range(1000):
        fit = fit_circle(clean * (80 + rng.normal(0, sigma, n))[:, None], sigma)
        found.append((fit.x, fit.y, fit.radius - 80))
    variance = np.mean(np.square(found), axis=0)
    ratio = variance / np.square(arc_bound(n, sigma, a))
    assert (ratio > 0.8594).all(), ratio
    assert (ratio < 1.1537).all(), ratio
    assert abs(np.mean(found, axis=0)[0]) < 4 * sqrt(variance[0] / 1000)  # no bias beyond chance
