"""Small real pictures that scikit-image carries in its wheel (skimage/data; licenses in its README)."""

from pathlib import Path

import numpy as np
import pytest
import skimage

from apertrue.errors import ReadError
from apertrue.readers import ReadOptions, count_pages, expand, read_frame, read_frames

DATA = Path(skimage.__file__).parent / "data"


def carried(name):
    if not (DATA / name).exists():
        pytest.skip(f"this scikit-image does not carry {name}")
    return DATA / name


@pytest.mark.parametrize("name", ["brick.png", "camera.png", "coins.png", "moon.png", "text.png", "cell.png"])
def test_gray_pictures_agree_with_scikit_image(name):
    from skimage.io import imread

    frame = read_frame(carried(name))
    np.testing.assert_array_equal(frame.pixels, imread(DATA / name))
    assert not frame.color


def test_a_photograph_in_color():
    from skimage.io import imread

    frame = read_frame(carried("retina.jpg"))
    assert frame.shape == imread(DATA / "retina.jpg").shape[:2]
    assert (frame.color, frame.lossy, frame.linear) == (True, True, False)
    # A red field: red carries the light, more than a gray conversion would leave it.
    red = imread(DATA / "retina.jpg")[..., 0].astype(float)
    assert np.corrcoef(frame.pixels.ravel()[::7], red.ravel()[::7])[0, 1] > 0.97


def test_stack_of_real_pictures():
    path = carried("lfw_subset.npy")
    data = np.load(path)
    assert count_pages(path) == len(data) == 200
    np.testing.assert_array_equal(read_frame(path, 199).pixels, data[199])


def test_every_picture_it_carries_is_read_or_told_why_not():
    read, told = 0, []
    for path in expand([DATA]):
        try:
            for frame in read_frames(path, pages=(0,), options=ReadOptions(max_pixels=2**21)):
                assert frame.pixels.ndim == 2
                assert frame.digest
                read += 1
        except ReadError as error:
            told.append(error.reason)
    assert read >= 20
    # multipage.tif is 10 × 15 px, like its color version.
    assert all("too small" in reason for reason in told), told
