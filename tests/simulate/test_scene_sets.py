"""The benchmark's picture sets: an independent renderer, truth of both, wave optics, what must not be read."""

import ast
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).resolve().parents[2] / "benchmarks"
sys.path.insert(0, str(BENCHMARKS))

from apertrue.model.transmission import lens_area  # noqa: E402
from apertrue.registry import FLAGS, SceneKind, field, field_names  # noqa: E402
from apertrue.simulate import Recipe, truth_of  # noqa: E402
from scenes import independent, real, samplers, unreadable, wave  # noqa: E402
from scenes.case import NUMBERS  # noqa: E402

sys.path.remove(str(BENCHMARKS))


def setup(**values):
    plain = independent.random_setup(np.random.default_rng(0), "clipped")
    flat = replace(
        plain, power=40.0, reach=9.0, rim=(0.0, 1.0), tilt=(0.0, 0.0), coma=0.0, stretch=(1.0, 0.0), beam_shape="sharp"
    )
    return replace(flat, **values)


def test_independent_renderer_imports_nothing_of_ours():
    source = ast.parse((BENCHMARKS / "scenes" / "independent.py").read_text(encoding="utf-8"))
    names = {
        name
        for node in ast.walk(source)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in ([node.module] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names])
    }
    assert not [n for n in names if n and n.split(".")[0] == "apertrue"]
    assert "scipy.ndimage" in names


@pytest.mark.parametrize(("ratio", "offset"), [(0.8, 0.4), (1.2, 0.35)])
def test_both_truths_agree_with_the_lens_area_and_with_each_other(ratio, offset):
    s = setup(ratio=ratio, offset=(offset, 0.0), radius=150.0)
    now, best = independent.currents(s)
    lens = lens_area(offset, ratio, 1.0)
    assert now == pytest.approx(lens / (np.pi * ratio**2), abs=2e-3)
    assert now / best == pytest.approx(lens / (np.pi * min(ratio, 1.0) ** 2), abs=2e-3)
    recipe = Recipe(
        aperture_radius_px=150.0,
        beam_ratio=ratio,
        offset_x_percent=100 * offset,
        offset_y_percent=0.0,
        beam_edge_px=0.1,
    )
    ours = truth_of(recipe)
    assert ours.clipped_fraction == pytest.approx(1 - now, abs=2e-3)
    assert ours.score == pytest.approx(100 * now / best, abs=0.2)


def test_independent_picture_shows_its_truth():
    s = setup(
        size=256, center=(128.0, 120.0), radius=80.0, ratio=0.6, offset=(0.1, -0.2), halo=0.1, psf=0.6, peak=1000.0
    )
    light = independent.render(s)
    y, x = np.mgrid[0:256, 0:256]
    core = light > 600
    assert x[core].mean() == pytest.approx(136.0, abs=0.05)
    assert y[core].mean() == pytest.approx(104.0, abs=0.05)
    assert np.sqrt(core.sum() / np.pi) == pytest.approx(48.0, abs=0.3)
    picture = independent.detect(s, light, np.random.default_rng(1))
    assert picture.dtype == np.uint16
    truth = independent.truth_of(s)
    assert truth["offset_percent"] == pytest.approx(100 * np.hypot(0.1, 0.2))
    assert truth["gap_percent"] == pytest.approx(100 * (0.4 - np.hypot(0.1, 0.2)), abs=0.01)


@pytest.mark.parametrize("shape", independent.SHAPES)
def test_every_edge_shape_is_half_at_the_edge_and_falls(shape):
    d = np.linspace(-12, 12, 97)
    light = independent.shaped(shape, d, 1.5)
    assert light[48] == pytest.approx(0.5)
    assert np.all(np.diff(light) >= 0)
    assert light[0] < 0.03
    assert light[-1] > 0.97


def test_wave_optics_checks():
    pytest.importorskip("LightPipes")
    # I = 0.25 at a straight edge, to 6 % (Born & Wolf, from memory): the criterion for the grid's fineness.
    assert wave.edge_check(512) == pytest.approx(0.25, rel=0.06)
    spectral, direct = wave.cross_check(256)
    assert spectral < 1e-8
    assert direct < 0.03
    for stop, offset in ((1.0, 1.0), (2.0, 1.0)):
        got, expected = wave.gaussian_check(512, stop, offset)
        assert got == pytest.approx(expected, abs=5e-4)
    assert wave.half_level(7.0, 0.0) == pytest.approx(0.353637943 * 7.0, abs=2e-3)


def test_wave_picture_has_the_power_that_geometry_expects():
    pytest.importorskip("LightPipes")
    bench = wave.Bench(n=512, radius=140.0, ratio=0.8, offset=(0.4, 0.1), fringe_before=3.5, fringe_after=3.5)
    light, truth = wave.render(bench)
    assert light.shape == (256, 256)
    lens = lens_area(float(np.hypot(0.4, 0.1)), 0.8, 1.0)
    assert truth["clipped_fraction"] == pytest.approx(1 - lens / (np.pi * 0.64), abs=0.01)
    # Fringes: the light overshoots its plateau near the edges.
    x, y = int(truth["beam_x_px"]), int(truth["beam_y_px"])
    assert light.max() > 1.12 * light[y - 5 : y + 5, x - 5 : x + 5].mean()


def test_unreadable_pictures_of_every_kind():
    cases = list(unreadable.scenes(len(unreadable.KINDS)))
    assert [c.group for c in cases] == list(unreadable.KINDS)
    for case in cases:
        assert case.frame().pixels.ndim == 2
        assert case.allowed
        assert set(case.allowed) <= {str(k) for k in SceneKind}
        assert set(case.must_be_null) <= set(field_names())
        assert case.must_be_null or case.must_flags or case.group == "crossover"
    withheld = {c.group for c in cases if set(NUMBERS) <= set(c.must_be_null)}
    assert {"dark", "one edge", "two spots", "lattice", "photograph", "beam stop", "screen's rim"} <= withheld
    again = next(iter(unreadable.scenes(3)))
    assert np.array_equal(again.pixels, cases[0].pixels)


def test_mostly_outside_shows_under_a_third_of_each_edge():
    from apertrue.scene import Edge

    inside, n = Edge(50.0, 50.0, 30.0), 100
    assert unreadable._shown(inside, n) == 1.0
    assert unreadable._shown(Edge(0.0, 50.0, 30.0), n) == pytest.approx(0.5, abs=0.01)
    for rng_seed in range(5):
        shot = unreadable.mostly_outside(np.random.default_rng(rng_seed))["shot"]
        n = shot.recipe.rows
        assert max(unreadable._shown(e, n) for e in (shot.recipe.aperture, shot.recipe.beam)) < 1 / 3


def test_simulated_sets():
    for case in [*samplers.clean(2), *samplers.one_nuisance("grain", 1), *samplers.mixed(2, size=256)]:
        assert set(case.must_flags + case.may_flags) <= set(FLAGS)
        assert all(field(name).measured for name in case.truth)
    reference = list(samplers.with_reference(3, size=256))
    assert reference[0].hints["aperture"].radius == pytest.approx(reference[0].truth["aperture_radius_px"], rel=1e-3)
    assert reference[0].allowed[0] == "beam-only"
    assert "offset_percent" in reference[0].truth
    frames = samplers.burst(3, 0.5, size=256)
    assert len({c.truth["offset_percent"] for c in frames}) == 1
    assert len({c.truth["aperture_x_px"] for c in frames}) == 3
    for values in samplers.HARD.values():
        Recipe().with_values(**values)


def test_sun_center_follows_the_header():
    # CRPIX counts from 1; half a pixel beyond the middle of 512 pixels is their center.
    header = {"CRPIX1": 256.5, "CRPIX2": 256.5, "CDELT1": 4.8, "CDELT2": 4.8, "RSUN_OBS": 960.0}
    assert real.sun_center(header) == pytest.approx((255.5, 255.5, 200.0))
    assert real.sun_center(header | {"CRVAL1": 48.0})[0] == pytest.approx(245.5)
    assert real.sun_center(header | {"CRVAL1": 48.0, "CROTA2": 180.0})[0] == pytest.approx(265.5)


def test_real_discs_in_installed_packages():
    pytest.importorskip("sunpy", reason="sunpy is not installed: real solar discs are left out")
    cases = {c.name: c for c in real.scenes()}
    small = cases["solar disc, 100²"]
    assert small.truth["beam_x_px"] == pytest.approx(49.620, abs=1e-3)
    assert small.truth["beam_y_px"] == pytest.approx(49.583, abs=1e-3)
    assert small.truth["beam_radius_px"] == pytest.approx(46.8954, abs=1e-4)
    large = cases["solar disc, 512²"].pixels.astype(float)
    y, x = np.mgrid[0:512, 0:512]
    lit = large > 60
    assert (x[lit].mean(), y[lit].mean()) == pytest.approx((255.5, 255.5), abs=0.3)
    assert np.sqrt(lit.sum() / np.pi) == pytest.approx(202.91, abs=1.5)
    first, second = real.recounted(small, 2)
    assert first.pixels.shape == (100, 100)
    assert not np.array_equal(first.pixels, second.pixels)
