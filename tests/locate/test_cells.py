"""Sums of pixels: the same whichever way they were added up, and the sides of the edges that they lie on."""

from typing import Any

import numpy as np
import pytest

from apertrue.locate import far, gather
from apertrue.locate.cells import ROUGH
from apertrue.locate.reduce import reduce_picture
from apertrue.model.edges import distance

APERTURE = np.array([151.3, 148.2, 120.0, 0.01, 0.02, 6.0])
BEAM = np.array([160.4, 141.7, 60.0, -0.02, 0.01, 6.0])


@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
@pytest.mark.parametrize("block", [2, 3])
@pytest.mark.parametrize("cut", [False, True])
def test_few_blocks_are_added_up_as_all_are(
    dtype: type, block: int, cut: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole: Any = np.random.default_rng(1).integers(0, 60_000, (301, 307)).astype(dtype)
    pixels = whole[2:, 3:] if cut else whole  # a part of a picture does not lie in one piece
    found = []
    for few in (0.0, np.inf):
        monkeypatch.setattr(gather, "FEW", few)
        blocks: dict[int, Any] = {}
        found.append(gather._samples(pixels, APERTURE, block, ROUGH, blocks))
        assert bool(blocks) == (few == 0.0)
    assert len(found[0][0]) > 100
    for at_once, one_by_one in zip(*found, strict=True):
        np.testing.assert_allclose(one_by_one, at_once, rtol=1e-12)


def test_the_side_of_far_blocks() -> None:
    pixels = np.random.default_rng(2).integers(0, 100, (300, 300)).astype(np.uint16)
    x, y, value, asked, side = far.far_blocks(reduce_picture(pixels), (APERTURE, BEAM))
    in_aperture, in_beam = distance(x, y, APERTURE) > 0, distance(x, y, BEAM) > 0
    assert {0, 1, 3} == set(side.tolist())
    np.testing.assert_array_equal(side, 1 * in_aperture + 2 * in_beam)
    assert np.count_nonzero(asked) == len(x) == len(value)


def test_an_edge_far_wider_than_the_picture_has_no_cells_and_costs_nothing() -> None:
    """A fit that runs away asked for blocks larger than the picture, pixel by pixel of them."""
    away = np.array([-1e17, -1e16, 1.1e4, 0.0, 0.0, 2.7e3])
    assert gather.gather(np.ones((38, 45)), (None, away), ROUGH) is None
