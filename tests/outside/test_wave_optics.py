"""Wave-optics pictures of beams through a decentered circular stop: positions and transmitted power known by construction.

Source: LightPipes for Python (Vdovin, van Brug, van Goor, LightPipes: software for education in coherent optics,
Proc. SPIE 3190, 1997, from memory) and scalar Fresnel propagation by FFT, which agree (benchmarks/scenes/wave.py);
fringes and all, no part of our forward model.
"""

import pytest

from apertrue.pipeline import judge

pytest.importorskip("LightPipes", reason="wave-optics pictures need LightPipes, which is not installed")
from benchmarks.scenes import wave


@pytest.fixture(scope="module")
def judged():
    return [(case, judge(case.frame()).assessment) for case in wave.scenes(6, grid=1024)]


def test_kind_is_seen_through_the_fringes(judged) -> None:
    assert [a.scene in case.allowed for case, a in judged].count(True) >= 5


def test_offset_is_found_within_one_percent(judged) -> None:
    """Half a per cent of the aperture radius is a tenth of the least that an operator acts on."""
    for case, a in judged:
        if a.offset_x_percent is None:
            continue
        for name in ("offset_x_percent", "offset_y_percent"):
            assert abs(getattr(a, name) - case.truth[name]) < max(1.0, 3 * getattr(a, name + "_sigma"))


def test_clipped_share_is_the_power_that_the_stop_takes(judged) -> None:
    seen = 0
    for case, a in judged:
        if a.clipped_fraction is not None and "clipped_fraction" in case.truth:
            seen += 1
            assert abs(a.clipped_fraction - case.truth["clipped_fraction"]) < max(0.02, 4 * a.clipped_fraction_sigma)
    assert seen >= 3
