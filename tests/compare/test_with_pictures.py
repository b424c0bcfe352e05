"""End to end: simulated pictures and the virtual microscope, whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest

from apertrue.compare.before_after import compare
from apertrue.compare.light import light_map, uneven_light
from apertrue.compare.misalignment import ellipticity_of, through_crossover
from apertrue.compare.scan import ScanReading, fit_scan
from apertrue.microscope import VirtualMicroscope
from apertrue.pipeline import judge
from apertrue.simulate import Recipe, simulate

BASE = Recipe(rows=384, columns=384, aperture_radius_px=140.0, halo_level=0.05)


def judged(seed=0, **changed):
    shot = simulate(replace(BASE, **changed), np.random.default_rng(seed), truth=False)
    return judge(replace(shot.frame, linear=True)), shot


def test_before_and_after_with_pictures():
    (a, ta), (b, tb) = judged(1, offset_x_percent=14.0, offset_y_percent=-6.0), judged(2, offset_x_percent=0.5)
    made = compare(a.assessment, b.assessment, after_scene=b.scene, same_view=True)
    moved = made.change.moved
    assert abs(moved.x - (tb.truth.offset_x_percent - ta.truth.offset_x_percent)) < 5 * moved.x_sigma + 0.02
    assert abs(moved.y - (tb.truth.offset_y_percent - ta.truth.offset_y_percent)) < 5 * moved.y_sigma + 0.02
    assert made.change.outcome == "better"
    assert not made.change.aperture_moved_real
    assert made.misfits == ()


@pytest.mark.parametrize(
    ("changed", "kind"),
    [
        ({}, "round"),
        ({"astigmatism": 0.05, "astigmatism_axis_deg": 60.0}, "beam"),
        ({"view_tilt_deg": 28.0, "view_axis_deg": 20.0}, "view"),
        ({"view_tilt_deg": 28.0, "view_axis_deg": 20.0, "astigmatism": 0.05, "astigmatism_axis_deg": 110.0}, "both"),
    ],
)
def test_ellipticity_of_pictures(changed, kind):
    result, _ = judged(3, **changed)
    found = ellipticity_of(result.assessment)
    assert found.kind == kind
    if kind == "beam":
        assert found.own.size == pytest.approx(0.05, abs=0.004)
        assert found.own.axis_deg == pytest.approx(60.0, abs=3.0)
    if kind == "view":
        truth = (1 - np.cos(np.radians(28.0))) / (1 + np.cos(np.radians(28.0)))
        assert found.aperture.size == pytest.approx(truth, abs=0.004)


def test_astigmatism_turns_and_dispersion_stays():
    positive, _ = judged(4, astigmatism=0.06, astigmatism_axis_deg=25.0)
    turned, _ = judged(5, astigmatism=0.06, astigmatism_axis_deg=115.0)
    same, _ = judged(6, astigmatism=0.06, astigmatism_axis_deg=25.0)
    assert through_crossover(positive.assessment, turned.assessment).kind == "turns"
    assert through_crossover(positive.assessment, same.assessment).kind == "stays"


def test_tilted_light_is_told_from_a_dome():
    tilted, shot = judged(7, light_tilt=0.35, light_tilt_direction_deg=120.0)
    found = uneven_light(tilted.assessment, tilted.scene)
    assert found.tilt_fits
    assert found.brighter_toward_deg == pytest.approx(120.0, abs=6.0)
    assert found.slope_percent == pytest.approx(35.0, abs=5.0)
    seen = light_map(shot.frame.pixels, tilted.scene)
    assert int(np.nanargmax(seen.light[-1])) in (3, 4)  # sectors of 30° around 120°
    domed, _ = judged(8, dome=0.6)
    assert not uneven_light(domed.assessment, domed.scene).tilt_fits


@pytest.mark.parametrize("seed", [0, 3, 6, 9])
def test_shift_scan_on_the_virtual_microscope(seed):
    """Backlash, tilt, drift, a noisy meter: within 2 % of the aperture radius and 5σ of where the edges meet."""
    scope = VirtualMicroscope(seed, size=64)
    scope.misalign(4.0, 40.0 * seed)
    matrix, truth, (x0, y0) = scope.true_matrix(), scope.truth(), scope.shift
    center = np.array([x0, y0]) - np.linalg.solve(matrix, [truth.offset_x_percent, truth.offset_y_percent])
    steps = np.linspace(-1, 1, 11)
    reach = 80 / np.hypot(matrix[0], matrix[1])
    readings = []
    for axis in (0, 1):
        for step in steps:
            place = [x0, y0]
            place[axis] += step * reach[axis]
            scope.set_shift(*np.clip(place, -100, 100))
            readings.append(ScanReading(*scope.shift, scope.current_pa(), scope.minutes))
    found = fit_scan(readings, matrix=matrix)
    error = matrix @ [found.center.x - center[0], found.center.y - center[1]]
    assert np.hypot(*error) < 2.0
    covariance = matrix @ found.center.covariance() @ matrix.T
    assert error @ np.linalg.solve(covariance, error) < 25
    assert found.ratio[0] == pytest.approx(truth.beam_ratio, abs=0.03)
