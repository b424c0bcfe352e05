"""The same picture in every type of number, moved up and down within it, and upside down in its levels."""

import numpy as np
import pytest
from numpy.typing import DTypeLike

from apertrue.frame import as_frame
from apertrue.pipeline import judge
from apertrue.registry import SceneKind
from apertrue.simulate import Recipe, simulate

_RECIPE = Recipe(
    rows=640, columns=512, aperture_radius_px=170, offset_x_percent=9.0, offset_y_percent=-5.0, halo_level=0.08
)


@pytest.fixture(scope="module")
def levels() -> np.ndarray:
    """Whole gray levels from 0 on, at most 24 000, with noise."""
    pixels = simulate(_RECIPE, np.random.default_rng(3)).frame.pixels.astype(np.float64)
    return np.round(pixels * (24_000.0 / pixels.max())).astype(np.int64)


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize(
    ("dtype", "lift"),
    [
        (np.uint16, 0),
        (np.int16, 0),
        (np.int16, -2_000),  # a camera's dark level taken off: noise about zero
        (np.int16, -12_000),
        (np.int16, -32_768),  # unsigned numbers moved into a signed type
        (np.uint32, 0),
        (np.uint32, 4_000_000_000),
        (np.int32, -5_000),
        (np.int32, -2_000_000_000),
        (np.int64, -2_000),
        (np.float32, -2_000),
        (np.float64, -2_000),
        (np.dtype(">i2"), -2_000),
    ],
)
def test_edges_do_not_hang_on_the_type_of_number(
    levels: np.ndarray, dtype: DTypeLike, lift: int, inverted: bool
) -> None:
    pixels = (levels.max() - levels if inverted else levels) + lift
    result = judge(as_frame(pixels.astype(dtype), saturation=None))
    told = result.assessment
    assert result.scene.kind in (SceneKind.BOTH_EDGES, SceneKind.CLIPPED)
    for value, sigma, true in (
        (told.offset_x_percent, told.offset_x_percent_sigma, _RECIPE.offset_x_percent),
        (told.offset_y_percent, told.offset_y_percent_sigma, _RECIPE.offset_y_percent),
    ):
        assert value is not None
        assert sigma is not None
        assert abs(value - true) < 4 * sigma
        assert sigma < 0.05


@pytest.mark.parametrize("span", [40_000, 65_000])
def test_an_inverted_picture_may_span_more_than_half_of_a_signed_type(levels: np.ndarray, span: int) -> None:
    upside_down = (levels.max() - levels) * (span / 24_000.0)
    told = judge(as_frame((upside_down - 32_768).round().astype(np.int16))).assessment
    assert told.offset_x_percent == pytest.approx(_RECIPE.offset_x_percent, abs=0.1)
    assert told.offset_y_percent == pytest.approx(_RECIPE.offset_y_percent, abs=0.1)
