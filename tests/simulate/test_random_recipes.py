"""Random recipes stay in the trade's working range, and every nuisance can be drawn."""

import numpy as np
import pytest

from apertrue.registry import FLAGS, SceneKind, field
from apertrue.simulate import NUISANCES, random_recipe, simulate, truth_of
from apertrue.simulate.sampler import KINDS


def test_clean_range():
    rng = np.random.default_rng(0)
    recipes = [random_recipe(rng, kind) for kind in ("both-edges", "clipped") for _ in range(150)]
    ratio = np.array([r.beam_ratio for r in recipes])
    assert ratio.min() >= 0.5
    assert ratio.max() <= 1.4
    assert ratio.min() < 0.55
    assert ratio.max() > 1.3
    for name, low, high in (
        ("peak_electrons", 5, 50_000),
        ("gain", 0.3, 30),
        ("bias", 0, 500),
        ("halo_level", 0.005, 0.2),
        ("aperture_edge_px", 0.6, 8),
        ("beam_edge_px", 0.6, 8),
    ):
        values = np.array([getattr(r, name) for r in recipes])
        assert values.min() >= low
        assert values.max() <= high
    assert max(r.peak_electrons * r.gain for r in recipes) < 51_000


@pytest.mark.parametrize("kind", KINDS)
def test_kind_is_the_one_asked_for(kind):
    rng = np.random.default_rng(1)
    for _ in range(6):
        truth = truth_of(random_recipe(rng, kind), currents=False)
        assert truth.kind is kind


def test_clipped_cuts_at_most_half():
    rng = np.random.default_rng(2)
    clipped = [truth_of(random_recipe(rng, "clipped")).clipped_fraction for _ in range(5)]
    assert max(clipped) < 0.505
    assert min(clipped) > 0


@pytest.mark.parametrize("name", NUISANCES)
def test_each_nuisance_gives_a_picture_with_a_truth_in_registry_names(name):
    rng = np.random.default_rng(3)
    shot = simulate(random_recipe(rng, "both-edges", (name,), size=256), rng)
    assert shot.frame.pixels.ndim == 2
    for key, value in shot.truth.values().items():
        assert field(key).measured
        assert np.isfinite(value)
    assert set(shot.truth.must_flags + shot.truth.may_flags) <= set(FLAGS)
    assert not set(shot.truth.must_flags) & set(shot.truth.may_flags)


def test_random_kinds_come_in_all_sorts():
    rng = np.random.default_rng(4)
    assert {truth_of(random_recipe(rng), currents=False).kind for _ in range(70)} == set(KINDS)


def test_unknown_names_are_refused():
    rng = np.random.default_rng(5)
    with pytest.raises(ValueError, match="unknown nuisances fog"):
        random_recipe(rng, "clipped", ("fog",))
    with pytest.raises(ValueError, match="cannot sample"):
        random_recipe(rng, SceneKind.OTHER_VIEW)


def test_faint_halo_allows_one_edge():
    rng = np.random.default_rng(6)
    recipe = random_recipe(rng, "both-edges").with_values(halo_level=1e-4, peak_electrons=50.0)
    assert SceneKind.ONE_EDGE in truth_of(recipe, currents=False).allowed_kinds
