"""Edges followed from frame to frame, and the doubt of edges that nearly touch."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from apertrue.pipeline import Result, judge
from apertrue.scene import Hints
from apertrue.simulate import Recipe, simulate

BASE: dict[str, Any] = {"rows": 320, "columns": 320, "aperture_radius_px": 120.0, "beam_ratio": 0.7, "halo_level": 0.06}


def result(seed: int = 1, hints: Hints | None = None, **values: Any) -> Result:
    return judge(simulate(Recipe(**(BASE | values)), np.random.default_rng(seed), truth=False).frame, hints=hints)


def test_a_followed_frame_gives_the_same_numbers() -> None:
    last = result(offset_x_percent=8.0)
    here, alone = (result(2, hints, offset_x_percent=8.4) for hints in (Hints(previous=last.scene), None))
    for name in ("offset_x_percent", "offset_y_percent", "aperture_radius_px", "beam_radius_px"):
        a, b = getattr(here.assessment, name), getattr(alone.assessment, name)
        assert abs(a - b) < 0.5 * getattr(alone.assessment, name + "_sigma"), name


@pytest.mark.parametrize("change", [{"offset_x_percent": 60.0}, {"beam_ratio": 1.1}, {"peak_electrons": 0.0}])
def test_what_changed_is_looked_for_anew(change: dict[str, Any]) -> None:
    last = result(offset_x_percent=8.0)
    values = {"offset_x_percent": 8.0} | change
    here, alone = (result(2, hints, **values) for hints in (Hints(previous=last.scene), None))
    assert here.scene.kind is alone.scene.kind
    assert here.assessment.offset_x_percent == pytest.approx(alone.assessment.offset_x_percent, abs=0.1)


def test_a_scene_whose_sides_are_not_known_is_not_followed() -> None:
    last = result(offset_x_percent=8.0)
    doubtful = replace(last.scene, sign_known=False)
    here, alone = (result(2, h, offset_x_percent=8.0) for h in (Hints(previous=doubtful), Hints(previous=last.scene)))
    assert here.assessment.offset_x_percent == pytest.approx(alone.assessment.offset_x_percent, abs=0.05)


@pytest.mark.parametrize("ratio", [0.94, 0.96, 0.975])
def test_edges_that_nearly_touch_have_a_doubt_that_holds_the_truth(ratio: float) -> None:
    scores = []
    for seed in range(3):
        shot = simulate(Recipe(**(BASE | {"beam_ratio": ratio, "peak_electrons": 300.0})), np.random.default_rng(seed))
        a = judge(shot.frame).assessment
        if a.aperture_radius_px is None or a.aperture_radius_px_sigma is None:
            continue  # refused: no number, no doubt
        assert shot.truth.aperture_radius_px is not None
        scores.append(abs(a.aperture_radius_px - shot.truth.aperture_radius_px) / a.aperture_radius_px_sigma)
    assert scores
    assert max(scores) < 4
