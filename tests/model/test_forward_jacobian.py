"""The forward model's analytic derivatives against central differences, for every combination of its parts."""

from itertools import product

import numpy as np
import pytest

from apertrue.model.forward import Basis, Points, evaluate, evaluate_with_jacobian, linear_rows, prepare, render

APERTURE = np.array([60.0, 55.0, 42.0, 0.03, -0.02, 1.4])
BEAM = np.array([66.0, 50.0, 33.0, -0.04, 0.05, 2.1])


def points(rng, n=400):
    """Points that crowd around both edges, where the derivatives live."""
    t, spread = rng.uniform(0, 2 * np.pi, n), rng.normal(0, 4, n)
    center, radius = (APERTURE[:2], APERTURE[2]) if rng.random() < 0.5 else (BEAM[:2], BEAM[2])
    x, y = center[0] + (radius + spread) * np.cos(t), center[1] + (radius + spread) * np.sin(t)
    return Points.at(x, y)


@pytest.mark.parametrize(
    ("background", "halo", "decays", "radial", "tilt"),
    list(product((0, 1, 2), (-1, 0, 2), (0, 2), (0, 2), (False, True))),
)
def test_jacobian(background, halo, decays, radial, tilt):
    rng = np.random.default_rng(background * 100 + (halo + 1) * 10 + decays + radial)
    basis = Basis((60.0, 55.0, 42.0), (66.0, 50.0, 33.0, -0.04, 0.05), background, halo, radial, tilt, decays)
    linear = rng.uniform(0.2, 1.5, basis.n_linear) * 50
    at = points(rng)
    value, jacobian = evaluate_with_jacobian(basis, at, APERTURE, BEAM, linear)
    np.testing.assert_allclose(value, evaluate(basis, at, APERTURE, BEAM, linear), rtol=1e-12, atol=1e-10)
    everything = np.concatenate([APERTURE, BEAM, linear])
    assert jacobian.shape == (everything.size, at.x.size)
    for k in range(everything.size):
        h = 1e-4 if k in (3, 4, 9, 10) else 1e-3
        lo, hi = everything.copy(), everything.copy()
        lo[k] -= h
        hi[k] += h
        numeric = (evaluate(basis, at, hi[:6], hi[6:12], hi[12:]) - evaluate(basis, at, lo[:6], lo[6:12], lo[12:])) / (
            2 * h
        )
        # Central differences err by h²/6 of the third derivative; the ellipticities' scale is the radius.
        scale = np.abs(numeric).max() + 1e-9
        np.testing.assert_allclose(jacobian[k], numeric, atol=3e-5 * scale, err_msg=f"parameter {k}")


@pytest.mark.parametrize("edges", [(APERTURE, BEAM), (None, BEAM), (APERTURE, None)])
def test_the_picture_is_the_sum_of_its_linear_rows(edges):
    both = all(e is not None for e in edges)
    basis = Basis(
        (60.0, 55.0, 42.0), (66.0, 50.0, 33.0, -0.04, 0.05), halo=3 if edges[0] is not None else -1, decays=2,
        meeting=both, has_beam=edges[1] is not None, has_aperture=edges[0] is not None,
    )  # fmt: skip
    rng = np.random.default_rng(5)
    at = points(rng)
    linear = rng.uniform(0.2, 1.5, basis.n_linear) * 50
    rows = linear_rows(basis, at, *edges, prepare(basis, at))
    value, jacobian = evaluate_with_jacobian(basis, at, *edges, linear)
    np.testing.assert_allclose(linear @ rows, value, rtol=1e-12, atol=1e-10)
    np.testing.assert_allclose(rows, jacobian[-basis.n_linear :], rtol=1e-12, atol=1e-13)


@pytest.mark.parametrize("without", ["aperture", "beam"])
def test_jacobian_with_one_edge(without):
    rng = np.random.default_rng(3)
    basis = Basis(
        (60.0, 55.0, 42.0), (66.0, 50.0, 33.0, 0.0, 0.0), has_beam=without != "beam", has_aperture=without != "aperture"
    )
    edges = {"aperture": APERTURE, "beam": BEAM, without: None}
    linear = rng.uniform(1, 3, basis.n_linear)
    at = points(rng)
    value, jacobian = evaluate_with_jacobian(basis, at, edges["aperture"], edges["beam"], linear)
    assert jacobian.shape == (6 + basis.n_linear, at.x.size)
    kept = "beam" if without == "aperture" else "aperture"
    for k in range(6):
        lo, hi = edges[kept].copy(), edges[kept].copy()
        lo[k] -= 1e-4
        hi[k] += 1e-4
        pair = [evaluate(basis, at, *({**edges, kept: e}[n] for n in ("aperture", "beam")), linear) for e in (hi, lo)]
        numeric = (pair[0] - pair[1]) / 2e-4
        np.testing.assert_allclose(jacobian[k], numeric, atol=3e-5 * (np.abs(numeric).max() + 1e-9))
    # The model is linear in the rest: the rows are the picture of each coefficient alone.
    for k in range(basis.n_linear):
        unit = np.zeros(basis.n_linear)
        unit[k] = 1.0
        np.testing.assert_allclose(
            jacobian[6 + k], evaluate(basis, at, edges["aperture"], edges["beam"], unit), rtol=1e-10, atol=1e-12
        )
    np.testing.assert_allclose(value, linear @ jacobian[6:], rtol=1e-10)


def test_render_equals_evaluate():
    basis = Basis((60.0, 55.0, 42.0), (66.0, 50.0, 33.0, -0.04, 0.05))
    linear = np.linspace(1, 4, basis.n_linear)
    picture = render((40, 70), basis, APERTURE, BEAM, linear)
    assert picture.shape == (40, 70)
    rows, columns = np.mgrid[0:40, 0:70].astype(float)
    expected = evaluate(basis, Points.at(columns.ravel(), rows.ravel()), APERTURE, BEAM, linear)
    np.testing.assert_allclose(picture.ravel(), expected, rtol=1e-12)


def test_levels_far_from_the_edges():
    """Outside: background; in the aperture alone: background + halo; in the core: all three."""
    basis = Basis((100.0, 100.0, 80.0), (100.0, 100.0, 40.0, 0.0, 0.0), background=0, halo=0, radial=0, tilt=False)
    aperture, beam = np.array([100.0, 100.0, 80.0, 0, 0, 1.0]), np.array([100.0, 100.0, 40.0, 0, 0, 1.0])
    at = Points.at(np.array([100.0, 160.0, 195.0]), np.array([100.0, 100.0, 100.0]))
    np.testing.assert_allclose(evaluate(basis, at, aperture, beam, np.array([7.0, 5.0, 300.0])), [312.0, 12.0, 7.0])
