"""A real disc with truth in its own header, through the whole engine.

A plain half-level contour gives (49.355, 49.410) and 46.13 px here: the limb darkens toward the rim. Hence the tolerances.
"""

import numpy as np
import pytest
from skimage.measure import find_contours

from apertrue.fitting.circle import fit_circle
from apertrue.pipeline import judge

pytest.importorskip("sunpy", reason="the real solar disc comes with sunpy, which is not installed")
from benchmarks.scenes import real

SOURCE = {
    "author": "S. J. Mumford and others; SDO/HMI",
    "title": "SunPy; a solar continuum picture with center and radius in its header",
    "year": "2020; 2010",
    "place": "J. Open Source Software 5:1832; sunpy 7, sunpy/data/test/resampled_hmi.fits (BSD)",
    "how": "confirmed",
}


@pytest.fixture(scope="module")
def disc():
    return next(iter(real.scenes()))


@pytest.fixture(scope="module")
def judged(disc):
    return judge(disc.frame())


def test_it_is_one_edge_where_its_header_says(check, judged):
    scene = judged.scene
    assert str(scene.kind) == "one-edge"
    assert scene.edge is not None
    check("center x, px", scene.edge.x, 49.620, tol=0.5)
    check("center y, px", scene.edge.y, 49.583, tol=0.5)
    check("radius, px", scene.edge.radius, 46.895, tol=1.0)


def test_a_circle_through_its_half_level_contour(check, disc):
    pixels = disc.pixels
    contour = max(find_contours(pixels, 0.5 * float(np.median(pixels[pixels > 0]))), key=len)
    fit = fit_circle(contour[:, ::-1])
    check("half-level contour, center x, px", fit.x, 49.620, tol=0.5)
    check("half-level contour, center y, px", fit.y, 49.583, tol=0.5)
    check("half-level contour, radius, px", fit.radius, 46.895, tol=1.0)


def test_nothing_is_said_of_centering_on_a_lone_disc(judged):
    a = judged.assessment
    assert a.verdict == "retake"
    assert a.offset_percent is None
    assert a.score is None


def test_repeats_with_new_counts_agree_within_a_fifth_of_a_pixel(disc):
    edges = [judge(c.frame()).scene.edge for c in real.recounted(disc, 6)]
    xs = [e.x for e in edges if e is not None]
    assert len(xs) == 6
    assert max(xs) - min(xs) < 0.2
