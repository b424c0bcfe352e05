"""A dead quadrant is left out of the picture; a dark picture without noise is not."""

from typing import Any

import numpy as np
import pytest

from apertrue.frame import as_frame
from apertrue.locate.dead import without_dead_part
from apertrue.pipeline import judge
from apertrue.simulate import Recipe, simulate

BASE: dict[str, Any] = {"rows": 256, "columns": 256, "aperture_radius_px": 100.0, "beam_ratio": 0.7, "halo_level": 0.06}


def picture(**values: Any) -> np.ndarray:
    return simulate(Recipe(**(BASE | values)), np.random.default_rng(3), truth=False).frame.pixels


@pytest.mark.parametrize("quadrant", [1, 2, 3, 4])
def test_the_quadrant_and_nothing_else_is_missing(quadrant: int) -> None:
    out = without_dead_part(picture(dead_quadrant=quadrant))
    top, right = quadrant in (1, 2), quadrant in (1, 4)
    expected = np.zeros((256, 256), dtype=bool)
    expected[slice(0, 128) if top else slice(128, None), slice(128, None) if right else slice(0, 128)] = True
    assert np.array_equal(np.isnan(out), expected)


@pytest.mark.parametrize(
    "pixels",
    [picture(), np.zeros((200, 200), np.uint16), np.where(np.hypot(*np.mgrid[-99:100, -99:100]) < 60, 200, 0)],
    ids=["noisy", "one level", "drawn disc"],
)
def test_other_pictures_are_handed_back_as_they_are(pixels: np.ndarray) -> None:
    assert without_dead_part(pixels) is pixels


@pytest.mark.parametrize("inverted", [False, True])
def test_the_numbers_stay(inverted: bool) -> None:
    whole, part = (picture(dead_quadrant=q, offset_x_percent=8.0) for q in (0, 3))
    if inverted:
        whole, part = (p.max() - p for p in (whole, part))
    a, b = (judge(as_frame(p)).assessment for p in (whole, part))
    assert a.offset_x_percent is not None
    assert b.offset_x_percent is not None
    assert b.offset_x_percent_sigma is not None
    assert abs(b.offset_x_percent - a.offset_x_percent) < 4 * b.offset_x_percent_sigma
    assert a.offset_x_percent_sigma is not None
    assert b.offset_x_percent_sigma > a.offset_x_percent_sigma
