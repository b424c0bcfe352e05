"""A real disc with truth in its own header, through the whole engine.

Source: SDO/HMI continuum picture carried by sunpy 7 (`sunpy/data/test/resampled_hmi.fits`, BSD): Mumford et al., SunPy, Journal
of Open Source Software 5 (2020) 1832. The header's WCS gives the disc's center and, with R_SUN, its radius: 0-based
(49.620, 49.583), 46.895 px; confirmed. A plain half-level contour gave (49.355, 49.410), 46.13 px.
"""

import pytest

from apertrue.locate import locate
from apertrue.pipeline import judge

pytest.importorskip("sunpy", reason="the real solar disc comes with sunpy, which is not installed")
from benchmarks.scenes import real


def test_solar_disc_is_one_edge_where_its_header_says() -> None:
    case = real.solar_disc_small()
    scene = locate(case["frame"]) if "frame" in case else locate(next(iter(real.scenes())).frame())
    assert str(scene.kind) == "one-edge"
    assert scene.edge is not None
    assert scene.edge.x == pytest.approx(49.620, abs=0.5)
    assert scene.edge.y == pytest.approx(49.583, abs=0.5)
    assert scene.edge.radius == pytest.approx(46.895, abs=1.0)


def test_nothing_is_said_of_centering_on_a_lone_disc() -> None:
    a = judge(next(iter(real.scenes())).frame()).assessment
    assert a.verdict == "retake"
    assert a.offset_percent is None
    assert a.score is None


def test_repeats_with_new_counts_agree_within_a_pixel_s_share() -> None:
    case = next(iter(real.scenes()))
    edges = [locate(c.frame()).edge for c in real.recounted(case, 6)]
    xs = [e.x for e in edges if e is not None]
    assert len(xs) == 6
    assert max(xs) - min(xs) < 0.2
