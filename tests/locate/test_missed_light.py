"""What a profile misses of the visible light counts when it adds up, and not when it averages out."""

from dataclasses import replace

import numpy as np
import pytest

from apertrue.frame import as_frame
from apertrue.locate import readings
from apertrue.locate.levels import missed_profile
from apertrue.locate.solution import Solution
from apertrue.model.edges import distance
from apertrue.pipeline import judge
from apertrue.simulate import Recipe, simulate


@pytest.fixture(scope="module")
def fitted() -> Solution:
    """The fit of a domed beam."""
    kept: list[Solution] = []
    real = readings.judge_pair

    def keep(pair, *given, **named):
        kept.append(pair)
        return real(pair, *given, **named)

    recipe = Recipe(rows=384, columns=384, aperture_radius_px=140.0, offset_x_percent=10.0, dome=0.2)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readings, "judge_pair", keep)
        judge(as_frame(simulate(recipe, np.random.default_rng(2)).frame.pixels))
    return kept[-1]


def with_light(pair: Solution, more: np.ndarray) -> float:
    """What is missed when the cells have so much more light, gray levels."""
    return missed_profile(replace(pair.fit, z=pair.fit.z + more / pair.fit.sigma), pair.cells)


def rho(pair: Solution) -> np.ndarray:
    return 1.0 - distance(pair.cells.at.x, pair.cells.at.y, pair.fit.beam) / pair.fit.beam[2]


def level(pair: Solution) -> float:
    nb, nh, _ = pair.fit.basis.counts
    return float(pair.fit.linear[nb + nh])


def test_a_good_fit_misses_next_to_nothing(fitted: Solution) -> None:
    assert missed_profile(fitted.fit, fitted.cells) < 0.003 * level(fitted)


@pytest.mark.parametrize("share", [-0.5, 0.3])
def test_a_middle_with_other_light_counts(fitted: Solution, share: float) -> None:
    more = share * level(fitted) * (rho(fitted) < 0.5)
    assert with_light(fitted, more) > 0.4 * abs(share) * level(fitted)


def test_even_light_counts_as_much_as_it_is(fitted: Solution) -> None:
    told = with_light(fitted, np.full(len(fitted.cells), 0.1 * level(fitted)))
    assert told == pytest.approx(0.1 * level(fitted), rel=0.03)


def test_light_that_grows_outward_as_the_first_term_counts_with_its_slope_and_mean(fitted: Solution) -> None:
    r2 = rho(fitted) ** 2
    told = with_light(fitted, 0.2 * level(fitted) * r2)
    assert 0.2 * level(fitted) < told < 0.25 * level(fitted)


def test_speckle_averages_out(fitted: Solution) -> None:
    rough = 0.3 * level(fitted) * np.random.default_rng(1).choice([-1.0, 1.0], len(fitted.cells))
    even = 0.3 * level(fitted)
    assert with_light(fitted, rough) < 0.5 * even
