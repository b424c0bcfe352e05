"""The pipelines that apertrue is compared with do their job on an easy picture: else the comparison were unfair."""

import numpy as np
import pytest
from benchmarks.peers import Row, measure, table, with_apertrue
from benchmarks.peers_pipelines import PIPELINES, Found, without_slope

from apertrue.simulate import Recipe, simulate
from benchmarks import one_thread

EASY = Recipe(
    rows=256, columns=256, aperture_radius_px=95, beam_ratio=0.8, offset_x_percent=8.0, offset_y_percent=-5.0,
    halo_level=0.2, peak_electrons=2000.0, background_level=0.02, background_slope_x=0.02,
)  # fmt: skip
#: The most that each may be off on it, % of the aperture radius: what it can do, with some room.
WITHIN = {"Hough": 0.8, "HoughCircles": 2.5, "photutils": 1.5, "laserbeamsize": 1.5}
#: Names of arguments changed with it.
OLDEST = {"photutils": "3.0"}
NEEDS = {"OpenCV": "cv2", "photutils": "photutils", "laserbeamsize": "laserbeamsize"}


@pytest.fixture(scope="module")
def shot():
    return simulate(EASY, np.random.default_rng(3))


@pytest.mark.parametrize("name", list(PIPELINES))
def test_pipeline_on_an_easy_picture(name, shot):
    for word, module in NEEDS.items():
        if word in name:
            pytest.importorskip(module, OLDEST.get(module), reason=f"{module} is a dependency of the benchmarks only")
    row = Row()
    measure(lambda f: PIPELINES[name](f.pixels), shot.frame, shot.truth.values(), row)
    assert row.none == 0
    assert row.errors[0] < next((v for k, v in reversed(WITHIN.items()) if k in name), 0.3)
    assert row.beam[0] < 1.5


def test_a_sloping_background_is_taken_away():
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:120, 0:160]
    picture = 100 + 0.5 * x - 0.2 * y + rng.normal(0, 1, x.shape)
    picture[40:80, 50:110] += 500
    flat = without_slope(picture)
    assert abs(float(flat[:20].mean())) < 0.3
    assert abs(float(flat[100:, 140:].mean())) < 0.3


def test_failures_are_counted_and_ratios_are_to_ours(capsys, shot):
    truth = shot.truth.values()
    ours, other = Row(), Row()
    measure(with_apertrue, shot.frame, truth, ours)

    def broken(frame):
        raise ValueError("no discs")

    measure(broken, shot.frame, truth, other)
    measure(lambda f: Found(), shot.frame, truth, other)
    measure(lambda f: Found((127.5, 127.5, 95.0), (127.5, 127.5, 76.0)), shot.frame, truth, other)
    assert (other.none, len(other.errors)) == (2, 1)
    assert other.errors[0] == pytest.approx(np.hypot(8, 5))
    assert ours.errors[0] < 0.1
    records = table("easy", {"apertrue": ours, "other": other})
    assert records[1]["bad"] == 1
    assert records[1]["median_ratio"] == pytest.approx(other.errors[0] / ours.errors[0])
    assert "apertrue" in capsys.readouterr().out


def test_one_thread_starts_anew_only_where_it_must(monkeypatch):
    calls = []
    monkeypatch.setattr(one_thread.subprocess, "call", lambda command, env: calls.append((command, env)) or 7)
    for name in one_thread.LIMITS:
        monkeypatch.delenv(name, raising=False)
    assert one_thread.elsewhere("benchmarks.speed", ["--quick"]) == 7
    assert calls[0][0][1:] == ["-m", "benchmarks.speed", "--quick"]
    assert calls[0][1]["OPENBLAS_NUM_THREADS"] == "1"
    for name, value in one_thread.LIMITS.items():
        monkeypatch.setenv(name, value)
    assert one_thread.elsewhere("benchmarks.speed", ["--quick"]) is None
