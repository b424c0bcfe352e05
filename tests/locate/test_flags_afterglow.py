"""The second disc: found where it was drawn, with its level, and not where there is none."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from apertrue.locate.engine import locate_frame
from apertrue.locate.ghost import Ghost, afterglow_seen, find_ghost, stirred
from apertrue.locate.noise import estimate_noise
from apertrue.locate.reduce import reduce_picture
from apertrue.locate.solution import Solution
from apertrue.locate.solve import fine
from apertrue.scene import Hints, Noise
from apertrue.simulate import Recipe, Simulated, simulate

BASE: dict[str, Any] = {"rows": 320, "columns": 320, "aperture_radius_px": 120.0, "beam_ratio": 0.7}


def solved(seed: int, **values: Any) -> tuple[Simulated, Solution, Noise]:
    shot = simulate(Recipe(**(BASE | values)), np.random.default_rng(seed), truth=False)
    pixels, r = shot.frame.pixels, shot.recipe
    reduced = reduce_picture(pixels)
    noise = estimate_noise(pixels, r.bias, r.bias + r.gain * r.peak_electrons, None)
    edges = (np.array([e.x, e.y, e.radius, e.e1, e.e2, e.width]) for e in (r.aperture, r.beam))
    solution = fine(pixels, reduced, noise, *edges, r.gain * r.peak_electrons)
    assert solution is not None
    return shot, solution, noise


@pytest.mark.parametrize(("level", "x", "y"), [(0.03, 20.0, 15.0), (0.2, -25.0, 5.0), (0.4, 5.0, -20.0)])
def test_place_and_level_of_a_second_disc(level: float, x: float, y: float) -> None:
    shot, solution, noise = solved(1, afterglow_level=level, afterglow_x_percent=x, afterglow_y_percent=y)
    assert stirred(solution)
    ghost = find_ghost(shot.frame.pixels, solution, noise)
    assert ghost is not None
    assert afterglow_seen(ghost, solution.fit)
    true = shot.recipe.disc_at(np.array([x, y]) / 100)
    assert np.hypot(ghost.x - true.x, ghost.y - true.y) < 0.05 * shot.recipe.aperture_radius_px
    assert ghost.level == pytest.approx(level, rel=0.25)  # the halo takes over part of a bright one


@pytest.mark.parametrize("values", [{}, {"halo_slope": 0.3, "halo_decay": 0.8}, {"dome": 0.4}, {"peak_electrons": 8.0}])
@pytest.mark.parametrize("seed", [1, 2])
def test_no_second_disc_in_plain_pictures(values: dict[str, Any], seed: int) -> None:
    shot, solution, noise = solved(seed, **values)
    assert not afterglow_seen(find_ghost(shot.frame.pixels, solution, noise), solution.fit)


def test_a_bar_is_no_second_disc() -> None:
    flags = locate_frame(solved(3, bar_width_px=18.0, bar_position=-0.2)[0].frame, Hints()).flags
    assert "afterglow" not in flags
    assert "in-the-way" in flags


def test_nothing_is_searched_without_room() -> None:
    shot, solution, noise = solved(1)
    assert find_ghost(shot.frame.pixels[:10, :10], solution, noise) is None
    assert not afterglow_seen(None, solution.fit)


def test_calm_pictures_are_not_searched() -> None:
    calm = [not stirred(solved(seed)[1]) for seed in range(6)]
    assert sum(calm) >= 4


def test_light_that_smooth_terms_can_take_over_is_no_second_disc() -> None:
    _, solution, _ = solved(1)
    fit = solution.fit
    assert fit.beam is not None
    real = Ghost(float(fit.beam[0]) + 30.0, float(fit.beam[1]), 0.2, 500.0, 0.1, 0.9, 0.8, 0.9)
    assert afterglow_seen(real, fit)
    for change in (
        {"apart": 1e-5},
        {"level": 0.003},
        {"level": 0.9},
        {"gain": 20.0},
        {"explained": 0.1},
        {"edge": 0.1},
        {"one_side": 0.1},
    ):
        assert not afterglow_seen(replace(real, **change), fit)
    assert not afterglow_seen(replace(real, x=float(fit.beam[0]) + 2.0), fit)
