"""The bound that the engine is compared with: closed forms, all pixels against blocks, and fits to pictures with noise."""

import numpy as np
import pytest
from benchmarks.cramer_rao_bound import (
    NAMES,
    all_pixels,
    biases,
    bounds,
    dark_variance,
    ideal_fit,
    information,
    known,
    places,
    priors,
    rows_at,
    seen_edges,
    true_basis,
    truths,
)

from apertrue.model.forward import Points, evaluate
from apertrue.simulate import Recipe
from apertrue.simulate.camera import expose
from apertrue.simulate.light import clean_light
from benchmarks import cramer_rao

#: A small picture whose light the engine's plain basis holds exactly (dome, even slopes).
SMALL = Recipe(
    rows=64, columns=64, aperture_radius_px=24, aperture_edge_px=1.3, beam_edge_px=1.6, beam_ratio=0.7,
    offset_x_percent=9, offset_y_percent=-6, halo_level=0.2, halo_slope=0.2, halo_direction_deg=30, peak_electrons=300,
    dome=0.1, read_noise=4, gain=4, bits=32, background_level=0.02, background_slope_x=0.01,
)  # fmt: skip


def pixels_of(recipe: Recipe, rng: np.random.Generator) -> np.ndarray:
    return expose(clean_light(recipe), recipe, rng)


def test_the_mean_is_the_simulators_own_light():
    at = all_pixels(SMALL)
    mean = rows_at(SMALL, true_basis(SMALL), at.x, at.y).mean
    np.testing.assert_allclose(mean.reshape(64, 64), clean_light(SMALL), rtol=1e-9, atol=1e-9)


def test_information_on_a_radius_is_that_of_a_blurred_step():
    # Σ (∂mean/∂R)² = 2πR · ∫ (h φ(u/s)/s)² du = 2πR · h²/(2√π s), for an edge of height h that nothing else touches.
    r = Recipe(rows=256, columns=256, aperture_radius_px=100, aperture_edge_px=2.0, beam_ratio=0.5, halo_level=0.3)
    at = all_pixels(r)
    row = rows_at(r, true_basis(r), at.x, at.y).jacobian[2]
    height = 0.3 * r.peak_electrons
    assert float((row**2).sum()) == pytest.approx(2 * np.pi * 100 * height**2 / (2 * np.sqrt(np.pi) * 2.0), rel=2e-3)


def test_jacobian_follows_a_beam_that_moves():
    flat = SMALL.with_values(dome=0.0)
    at = all_pixels(flat)
    row = rows_at(flat, true_basis(flat), at.x, at.y).jacobian[6]
    step = 1e-3
    moved = [
        rows_at(m, true_basis(m), at.x, at.y).mean
        for m in (flat.with_values(offset_x_percent=9 + s * 100 / 24) for s in (-step, step))
    ]
    np.testing.assert_allclose((moved[1] - moved[0]) / (2 * step), row, rtol=1e-4, atol=1e-3)


@pytest.mark.parametrize(("row", "k"), [("both-edges", 3), ("clipped", 4)])
def test_blocks_stand_for_their_pixels(row, k):
    recipe, _ = cramer_rao.scene(row, k)
    basis = true_basis(recipe)
    few, every = places(recipe), all_pixels(recipe)
    assert len(few.x) < 0.5 * len(every.x)
    assert few.count.sum() == every.count.sum()
    a, b = (bounds(recipe, known(recipe, basis, at).fisher) for at in (few, every))
    for name in NAMES:
        assert a[name] == pytest.approx(b[name], rel=2e-3), name


def test_information_of_counts_and_read_noise():
    quiet = SMALL.with_values(read_noise=0.4)  # 0.1 electrons: counts stand apart, so that I = 1/λ
    assert information(quiet)(np.array([5.0]))[0] == pytest.approx(1 / 5, rel=1e-3)
    even = SMALL.with_values(read_noise=4.0)  # 1 electron; without light I → exp(1/s²) − 1, from N(y−1)²/N(y)
    assert dark_variance(even) == 1.0
    assert information(even)(np.array([1e-6]))[0] == pytest.approx(np.e - 1, rel=1e-3)
    assert information(even)(np.array([1e4]))[0] == pytest.approx(1 / (1e4 + 1), rel=1e-9)
    levels = np.geomspace(0.01, 100, 30)
    assert (information(even)(levels) >= 1 / (levels + 1) - 1e-12).all()


def test_fits_to_all_pixels_keep_the_bound_and_scipy_finds_the_same():
    from scipy.optimize import least_squares

    basis = true_basis(SMALL)
    bound = bounds(SMALL, known(SMALL, basis).fisher)
    rng = np.random.default_rng(5)
    errors = []
    for k in range(100):
        pixels = pixels_of(SMALL, rng)
        error = ideal_fit(pixels, SMALL, basis)
        errors.append([error[name] / bound[name] for name in NAMES])
        if k:
            continue
        # The same optimum by a general solver with numeric derivatives, from elsewhere.
        at = all_pixels(SMALL)
        points, data = Points.at(at.x, at.y), (pixels.ravel() - SMALL.bias) / SMALL.gain
        sigma = np.sqrt(clean_light(SMALL).ravel() + dark_variance(SMALL))
        edges = np.concatenate(seen_edges(SMALL))
        scale = np.array([bound[name] for name in NAMES[:12]] + [1.0] * basis.n_linear)
        start = np.concatenate([edges + 2 * scale[:12], np.zeros(basis.n_linear)])
        start[12 + basis.counts[0]] = 60.0
        start[12 + sum(basis.counts[:2])] = 300.0

        weak = np.sqrt(priors(SMALL, basis))

        def residual(q, points=points, data=data, sigma=sigma, scale=scale, weak=weak):
            p = q * scale
            rest = (evaluate(basis, points, p[:6], p[6:12], p[12:]) - data) / sigma
            return np.concatenate([rest, p * weak])

        found = least_squares(residual, start / scale, method="lm", xtol=1e-10).x * scale
        for name, value in zip(NAMES[:12], found[:12], strict=True):
            # Blocks of 2² px, and the meeting term whose change with the edges the analytic Jacobian leaves out.
            assert abs(value - truths(SMALL)[name] - error[name]) < 0.25 * bound[name], name
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    # 100 repeats scatter by 1/√200 = 0.07.
    assert (rms > 0.75).all()
    assert (rms < 1.25).all()
    assert 0.95 < float(np.sqrt(np.mean(np.square(errors)))) < 1.08


def test_bias_foretells_the_fit_to_a_noiseless_picture():
    decayed = SMALL.with_values(halo_decay=0.4, halo_slope=0.0)
    basis = true_basis(decayed)
    what = known(decayed, basis)
    light = clean_light(decayed) * decayed.gain + decayed.bias
    foretold, found = biases(decayed, what), ideal_fit(light, decayed, basis)
    bound = bounds(decayed, what.fisher)
    assert max(abs(foretold[n]) / bound[n] for n in NAMES) > 0.05
    for name in NAMES:
        assert found[name] == pytest.approx(foretold[name], rel=0.2, abs=0.03 * bound[name]), name


def test_a_rows_figures():
    def result(errors: tuple[float, float] | None) -> dict:
        values = None if errors is None else [[e, 2.0, 1.0, 4.0, 1.0, 2.0] for e in errors]
        return {"values": {"x": None if values is None else values[0], "y": None if values is None else values[1]}}

    rng = np.random.default_rng(0)
    results = [result((2 * a, 2 * b)) for a, b in rng.normal(size=(400, 2))] + [result(None)]
    f = cramer_rao.line(results, ("x", "y"), rng)
    assert (f.n, f.refused, f.gross) == (400, 1, 0)
    assert f.low < 1.0 < f.high
    assert f.low < f.rms < f.high
    assert f.rms == pytest.approx(1.0, abs=0.1)
    assert (f.stated, f.cells, f.bias, f.terms) == (2.0, 1.0, 0.5, 2.0)
    assert f.z == pytest.approx(f.rms / 2)


def test_a_scene_is_measured_with_the_fit_that_the_engine_ended_with():
    r = cramer_rao.measure(("both-edges", 9))
    assert r["terms"] is not None, "the engine's fit is not seen any more"
    for name, value in r["values"].items():
        assert value is not None
        error, bound, floor, sigma, _, own = value
        assert abs(error) < 6 * bound, name
        assert floor <= bound * 1.0001
        assert 0.8 * bound < own < 1.5 * bound
        # An edge's width carries more doubt than counting gives it: where light ends is not known that well.
        assert 0.7 * bound < sigma < (30 if name.endswith("_edge_px") else 4) * bound, name


def test_results_of_another_engine_are_not_mixed_in(tmp_path, monkeypatch):
    calls = []

    def fake(task):
        calls.append(task)
        return {"row": task[0], "k": task[1]}

    monkeypatch.setattr(cramer_rao, "measure", fake)
    file = tmp_path / "results.jsonl"
    cramer_rao.study(["clipped"], 3, 1, file)
    file.write_text(file.read_text(encoding="utf-8") + '{"row": "cl', encoding="utf-8")  # killed while writing
    assert len(cramer_rao.study(["clipped"], 4, 1, file)) == 4
    assert calls == [("clipped", k) for k in range(4)]
    monkeypatch.setattr(cramer_rao, "engine_digest", lambda: "another")
    cramer_rao.study(["clipped"], 2, 1, file)
    assert calls[4:] == [("clipped", 0), ("clipped", 1)]
