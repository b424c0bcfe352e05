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
    frames = []
    for i in range(n):
        view, own = rng.normal(0, vibration, 2), rng.normal(0, beam, 2)
        own[0] += creep * i
        frames.append(replace(simulate(scene.displaced(view, own), rng).frame, file="burst.tif", page=i))
    return frames


@pytest.fixture(scope="session")
def make_burst() -> Callable[..., list[Frame]]:
    return burst
