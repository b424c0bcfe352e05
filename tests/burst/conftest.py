"""Simulated bursts with and without jitter."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from apertrue.frame import Frame
from apertrue.simulate import Recipe, simulate

SCENE = Recipe(rows=160, columns=160, aperture_radius_px=56.0, beam_edge_px=1.6, peak_electrons=200.0)


def burst(
    rng: np.random.Generator,
    n: int,
    *,
    vibration: float = 0.0,
    beam: float = 0.0,
    creep: float = 0.0,
    **changes: object,
) -> list[Frame]:
    """``n`` frames: the whole view moves by ``vibration`` px (1σ an axis), the beam beside it by ``beam`` and ``creep``."""
    scene = replace(SCENE, **changes)
    x, y = scene.center
    frames = []
    for i in range(n):
        view, own = rng.normal(0, vibration, 2), rng.normal(0, beam, 2)
        own[0] += creep * i
        percent = 100 * own / scene.aperture_radius_px
        moved = replace(
            scene,
            aperture_x_px=x + view[0],
            aperture_y_px=y + view[1],
            offset_x_percent=scene.offset_x_percent + percent[0],
            offset_y_percent=scene.offset_y_percent + percent[1],
        )
        frames.append(replace(simulate(moved, rng).frame, file="burst.tif", page=i))
    return frames


@pytest.fixture(scope="session")
def make_burst() -> Callable[..., list[Frame]]:
    return burst
