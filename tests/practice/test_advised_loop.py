"""The closed loop: centered by advice alone."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from apertrue.assessment import Assessment
from apertrue.calibration import Calibration, StateKey
from apertrue.microscope import VirtualMicroscope
from apertrue.practice.advised import calibrate, center, truth_and_noise


def test_without_a_calibration_five_snapshots_center_the_beam():
    for seed in range(20):
        scope = VirtualMicroscope(seed)
        run = center(scope, truth_and_noise(0.05, np.random.default_rng(seed)))
        assert run.offset_percent <= 1.0, f"seed {seed}"
        assert run.snapshots <= 5
        assert run.moves <= 4
        assert run.offset_percent == pytest.approx(scope.truth().offset_percent)
        assert [s.kind for s in run.steps[:1]] == ["trial"]


def test_with_a_calibration_two_nudges_do_and_it_is_the_true_matrix():
    for seed in range(100, 112):
        scope = VirtualMicroscope(seed)
        measure = truth_and_noise(0.05, np.random.default_rng(seed))
        known = calibrate(scope, measure)
        true = scope.true_matrix()
        assert np.abs(known.a - true).max() < 0.12 * np.abs(true).max(), f"seed {seed}"
        assert known.state == StateKey.of(scope.state())
        scope.wait(120.0)
        scope.misalign(45.0, 20.0 * seed)
        run = center(scope, measure, calibration=known, most_moves=2, most_snapshots=3)
        assert run.offset_percent <= 1.0, f"seed {seed}"
        assert {s.kind for s in run.steps} <= {"nudge", "centered", "stopped"}


def test_calibration_of_a_mirrored_view_is_noticed_and_learned_anew():
    scope = VirtualMicroscope(3)
    wrong = np.diag([-1.0, 1.0]) @ scope.true_matrix()
    calibration = Calibration(tuple(map(tuple, wrong.tolist())), tuple(map(tuple, (1e-3 * np.eye(4)).tolist())))
    run = center(
        scope, truth_and_noise(0.05, np.random.default_rng(0)), calibration=calibration, most_snapshots=7, most_moves=6
    )
    assert run.offset_percent <= 1.0
    assert any(s.kind == "trial" for s in run.steps)


def test_picture_that_cannot_tell_leads_half_way_back():
    scope = VirtualMicroscope(4)
    rng = np.random.default_rng(0)
    real, calls = truth_and_noise(0.05, rng), []

    def measure(s):
        calls.append(s.shift)
        return Assessment(scene="dark") if len(calls) == 2 else real(s)

    run = center(scope, measure, most_snapshots=7, most_moves=6)
    assert run.steps[1].kind == "back"
    assert "dark" in run.steps[1].sentences[0]
    assert calls[2] == pytest.approx(tuple((np.array(calls[0]) + calls[1]) / 2), abs=0.06)
    assert run.offset_percent <= 1.0


def test_one_edge_asks_for_another_spread_before_any_move():
    scope = VirtualMicroscope(5)
    focus = scope.focus
    real, calls = truth_and_noise(0.05, np.random.default_rng(0)), []

    def measure(s):
        calls.append(s.shift)
        return Assessment(scene="one-edge") if len(calls) == 1 else real(s)

    run = center(scope, measure, most_snapshots=7)
    assert run.steps[0].kind == "spread"
    assert calls[1] == calls[0]
    assert scope.focus == pytest.approx(0.96 * focus)
    assert run.offset_percent <= 1.0
    # Once only: what stays without an offset ends the loop.
    blind = center(VirtualMicroscope(5), lambda s: Assessment(scene="one-edge"))
    assert [s.kind for s in blind.steps] == ["spread", "stopped"]
    # A calibration holds for one focus: it begins anew.
    calls.clear()
    known = calibrate(VirtualMicroscope(5), measure)
    assert known.state.gun_focus == pytest.approx(0.96 * focus)
    assert known.n_points == len(calls) - 1


def test_blind_microscope_is_left_where_it_stands():
    scope = VirtualMicroscope(4)
    shift = scope.shift
    run = center(scope, lambda s: Assessment(scene="dark"))
    assert scope.shift == shift
    assert (run.moves, run.snapshots, run.centered, run.sigma_percent) == (0, 1, False, None)


def test_engine_centers_a_microscope():
    run = center(VirtualMicroscope(41))
    assert run.offset_percent <= max(1.0, 2 * run.sigma_percent)
    assert run.snapshots <= 5


def test_benchmark_runs_and_its_interval_is_exact():
    file = Path(__file__).parents[2] / "benchmarks" / "closed_loop.py"
    spec = importlib.util.spec_from_file_location("closed_loop_benchmark", file)
    benchmark = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = benchmark
    try:
        spec.loader.exec_module(benchmark)
        # Independent: scipy's own exact interval.
        from scipy.stats import binomtest

        for k, n in ((0, 10), (297, 300), (300, 300), (7, 9)):
            ci = binomtest(k, n).proportion_ci(0.95, "exact")
            assert benchmark.clopper_pearson(k, n) == pytest.approx((ci.low, ci.high), abs=1e-9)
        assert benchmark.main(["--quick", "--truth", "0.05"]) == 0
        runs = benchmark.one(11, 0.05)
        assert [r.case for r in runs].count("trials, half cut") == 1
        assert len(runs) == len(benchmark.CASES)
        text = benchmark.table(runs)
        assert all(words in text for _, words in benchmark.CASES)
    finally:
        del sys.modules[spec.name]
