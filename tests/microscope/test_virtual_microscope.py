"""The virtual microscope: deterministic, its physics as stated, its picture that of the one simulator."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from apertrue.instrument import Console
from apertrue.microscope import VirtualMicroscope, maximize_current, random_hidden
from apertrue.microscope.motion import Play, Walk
from apertrue.microscope.optics import beam_current, recipe_of
from apertrue.microscope.picture import expose, light_of
from apertrue.simulate import Recipe, simulate, truth_of


def _steps(scope):
    out = [scope.shift, scope.current_pa()]
    scope.move(1.0, -2.0)
    out += [scope.truth(), int(scope.snapshot().pixels.astype(np.int64).sum())]
    scope.wait(90.0)
    run = scope.run_automatic()
    out += [run, scope.truth(), scope.minutes]
    return out


def test_the_same_seed_gives_the_same_microscope_and_the_same_day():
    assert _steps(VirtualMicroscope(5)) == _steps(VirtualMicroscope(5))
    assert VirtualMicroscope(5).hidden != VirtualMicroscope(6).hidden


def test_drift_does_not_depend_on_how_often_one_looks():
    a, b = VirtualMicroscope(7), VirtualMicroscope(7)
    for _ in range(60):
        a.wait(2.0)
        a.truth()
    b.wait(120.0)
    assert a.truth().offset_x_percent == pytest.approx(b.truth().offset_x_percent, abs=1e-9)


def test_nothing_but_time_and_knobs_moves_the_beam():
    scope = VirtualMicroscope(3)
    before = scope.truth()
    scope.frame()
    assert scope.truth() == before
    scope.move(5.0, 0.0)
    moved = scope.truth()
    expected = scope.true_matrix()[:, 0] * 5.0
    got = [moved.offset_x_percent - before.offset_x_percent, moved.offset_y_percent - before.offset_y_percent]
    # Backlash (≤ 0.5 %) and drift of 0.4 min are all that may differ.
    assert got == pytest.approx(list(expected), abs=0.8)


@pytest.mark.parametrize("seed", range(12))
def test_picture_is_that_of_the_simulator(seed):
    scope = VirtualMicroscope(seed, size=128)
    recipe = recipe_of(scope.hidden, scope._setting(), 128, 1.0)
    from apertrue.simulate.light import clean_light

    slow = clean_light(recipe)
    assert np.abs(light_of(recipe) - slow).max() < 2e-6 * slow.max()


def test_picture_of_a_strongly_elliptical_view_is_that_of_the_simulator():
    from apertrue.simulate.light import clean_light

    recipe = Recipe(
        rows=160,
        columns=200,
        aperture_radius_px=60.0,
        view_tilt_deg=45.0,
        view_axis_deg=30.0,
        astigmatism=0.1,
        astigmatism_axis_deg=100.0,
        light_tilt=0.2,
        light_tilt_direction_deg=60.0,
        dome=0.3,
        halo_slope=0.4,
        halo_direction_deg=200.0,
        background_level=0.01,
    )
    slow = clean_light(recipe)
    assert np.abs(light_of(recipe) - slow).max() < 2e-6 * slow.max()


def test_noise_of_the_camera_has_the_mean_and_variance_of_the_simulators():
    recipe = Recipe(rows=256, columns=256, aperture_radius_px=90.0, peak_electrons=400.0)
    quick = expose(light_of(recipe), recipe, np.random.default_rng(0)).astype(float)
    slow = simulate(recipe, np.random.default_rng(1)).frame.pixels.astype(float)
    core = np.s_[110:150, 110:150]
    n = quick[core].size
    assert quick[core].mean() == pytest.approx(slow[core].mean(), abs=5 * slow[core].std() * np.sqrt(2 / n))
    assert quick[core].var() == pytest.approx(slow[core].var(), rel=5 * np.sqrt(4 / n))
    assert quick[:20, :20].mean() == pytest.approx(recipe.bias, abs=1.0)


def test_truth_agrees_with_the_simulators_truth():
    # Independent: truth_of sums the recipe's light over polar cells, the microscope integrates along the edge.
    for seed in range(6):
        scope = VirtualMicroscope(seed)
        # The plane beam is round.
        scope.hidden = replace(scope.hidden, ellipticity=0.0)
        truth = scope.truth()
        other = truth_of(recipe_of(scope.hidden, scope._setting(), 512, 1.0))
        assert truth.offset_percent == pytest.approx(other.offset_percent, abs=1e-9)
        assert truth.clipped_fraction == pytest.approx(other.clipped_fraction, abs=3e-4)
        assert truth.score == pytest.approx(other.score, abs=0.05)
        assert truth.working_score == pytest.approx(other.working_score, abs=0.1)


# --- optics -----------------------------------------------------------------------------------------------------------
def test_radius_grows_with_the_distance_from_crossover_on_both_sides():
    scope = VirtualMicroscope(2)
    scope.hidden = replace(scope.hidden, focus_backlash=0.0)
    scope._lens.width = 0.0
    ratios = {}
    for focus in (-40.0, -20.0, -10.0, 0.0, 10.0, 20.0, 40.0):
        scope.set_focus(focus)
        ratios[focus] = scope.truth().beam_ratio
    assert ratios[-40.0] > ratios[-20.0] > ratios[-10.0] > ratios[0.0] < ratios[10.0] < ratios[20.0] < ratios[40.0]
    assert ratios[0.0] < 0.15  # crossover
    assert min(ratios[40.0], ratios[-40.0]) > 1.3  # overfilled
    # radius ∝ |focus − crossover|
    assert (ratios[40.0] - ratios[20.0]) / (ratios[20.0] - ratios[10.0]) == pytest.approx(2.0, abs=0.1)


def test_currents_at_forty_are_those_of_the_trade():
    # Common practice, no source: about 20–25 pA on the positive side at +40, about 1.5 nA on the negative one at −40.
    got = {40.0: [], -40.0: []}
    for seed in range(16):
        scope = VirtualMicroscope(seed)
        scope.misalign(0.0, 0.0)
        for focus, currents in got.items():
            scope.set_focus(focus)
            scope.misalign(0.0, 0.0)
            currents.append(scope.truth().current_pa)
    assert np.median(got[40.0]) == pytest.approx(22.0, rel=0.25)
    assert np.median(got[-40.0]) == pytest.approx(1500.0, rel=0.25)


def test_current_falls_with_every_offset_once_the_beam_is_cut():
    scope = VirtualMicroscope(4)
    currents = []
    for offset in (0.0, 20.0, 50.0, 80.0, 120.0, 200.0):
        scope.misalign(offset, 30.0)
        currents.append(scope.truth().current_pa)
    assert all(a > b for a, b in pairwise(currents))
    assert currents[-1] == 0.0


def test_meter_counts_the_halo_and_its_noise_is_as_stated():
    scope = VirtualMicroscope(4)
    scope.misalign(200.0, 30.0)  # no beam through the aperture: what is left is halo
    readings = np.array([scope._read_current() for _ in range(400)])
    assert readings.mean() > 3 * scope.hidden.meter_pa / 20
    assert readings.std() == pytest.approx(
        np.hypot(scope.hidden.meter_pa, scope.hidden.meter_relative * readings.mean()), rel=0.15
    )


def test_gun_tilt_couples_in_loses_current_and_tilts_the_light():
    scope = VirtualMicroscope(9)
    scope.misalign(0.0, 0.0)
    before = scope.truth()
    slope = recipe_of(scope.hidden, scope._setting(), 512, 1.0).light_tilt
    scope.set_tilt(3.0, -2.0)
    after = scope.truth()
    assert after.offset_percent > before.offset_percent + 1.0
    assert after.current_pa < 0.95 * before.current_pa
    assert recipe_of(scope.hidden, scope._setting(), 512, 1.0).light_tilt > 2 * slope
    best = VirtualMicroscope(9)
    best.set_tilt(*best.hidden.tilt)
    best.misalign(0.0, 0.0)
    assert beam_current(best.hidden, best._setting()) >= before.current_pa


def test_shadow_moves_a_little_with_the_shift_and_fully_with_the_wrong_deflector():
    scope = VirtualMicroscope(1)

    def aperture_and_beam():
        r = recipe_of(scope.hidden, scope._setting(), 512, 1.0)
        return np.array(r.center), np.array([r.beam.x, r.beam.y])

    a0, b0 = aperture_and_beam()
    scope.move(6.0, 0.0)
    a1, b1 = aperture_and_beam()
    assert 0.0 < np.hypot(*(a1 - a0)) < 0.05 * np.hypot(*(b1 - b0))
    scope.deflect(12.0, -5.0)
    a2, b2 = aperture_and_beam()
    assert a2 - a1 == pytest.approx([12.0, -5.0], abs=0.3)
    assert b2 - b1 == pytest.approx([12.0, -5.0], abs=0.3)


# --- motion -----------------------------------------------------------------------------------------------------------
def test_play_follows_only_when_the_slack_is_used_up():
    play = Play(0.4, 0.0)
    assert play.follow(0.2) == 0.0
    assert play.follow(1.0) == pytest.approx(0.8)
    assert play.follow(0.7) == pytest.approx(0.8)
    assert play.follow(0.0) == pytest.approx(0.2)


def test_lens_hysteresis_goes_with_normalization():
    scope = VirtualMicroscope(1)
    scope.hidden = replace(scope.hidden, crossover_wander=0.0)
    scope._lens.width = 0.5
    scope.set_focus(40.0)
    scope.set_focus(20.0)
    late = scope._lens.output
    scope.normalize()
    assert late == pytest.approx(20.25)
    assert scope._lens.output == 20.0


def test_random_walk_has_the_stated_variance():
    # 400 walks of one hour at 2 %/√h: the variance ratio lies in the 99.9 % band of χ²/400 (0.78–1.25).
    ends = [Walk(np.random.default_rng(s), 2.0).at(60.0) for s in range(400)]
    assert 0.78 < np.mean(np.square(ends)) / 4.0 < 1.25


def test_tension_change_makes_the_beam_jump_and_settle():
    scope = VirtualMicroscope(11)
    scope._drift.trend = (0.0, 0.0)
    for walk in scope._drift.walks:
        walk.per_root_hour = 0.0
    before = scope.truth()
    scope.change_tension(80.0)
    jumped = scope.truth()
    assert scope.state().kv == 80.0
    assert abs(jumped.offset_percent - before.offset_percent) > 1.0
    path = []
    for _ in range(6):
        path.append(np.array([scope.truth().offset_x_percent, scope.truth().offset_y_percent]))
        scope.wait(scope.hidden.settling_min)
    creep = [float(np.hypot(*(b - a))) for a, b in pairwise(path)]
    assert creep[0] > 2 * creep[3]


def test_recalled_setting_brings_the_readings_back_but_not_the_beam():
    scope = VirtualMicroscope(12)
    scope.misalign(0.0, 0.0)
    scope.store("imaging")
    reading = scope.shift
    scope.wait(600.0)
    scope.move(7.0, 7.0)
    scope.recall("imaging")
    assert scope.shift == reading
    assert scope.truth().offset_percent > 2.0


# --- routine and console ----------------------------------------------------------------------------------------------
def test_routine_finds_the_intensity_center_and_takes_a_minute_or_more():
    left, minutes = [], []
    for seed in range(30):
        scope = VirtualMicroscope(seed)
        run = scope.run_automatic(can_hang=False)
        left.append(scope.truth().offset_percent)
        minutes.append(run.minutes)
        assert run.outcome == "done"
        assert run.end == scope.shift
    assert np.median(left) < 2.0
    assert max(left) < 6.0
    assert min(minutes) > 1.0
    assert max(minutes) < 3.0


def test_routine_hangs_now_and_then_and_that_costs_time():
    outcomes = []
    for seed in range(80):
        scope = VirtualMicroscope(seed, hidden=replace(random_hidden(np.random.default_rng(0)), hang_probability=0.5))
        run = scope.run_automatic()
        outcomes.append(run.outcome)
        assert run.minutes > 15.0 if run.outcome == "hung" else run.minutes < 5.0
    # Half of 80: two-sided 99.9 % binomial band 26–54.
    hung = outcomes.count("hung")
    assert 26 <= hung <= 54


def test_search_finds_the_middle_of_a_flat_top():
    def measure(x, y):
        return 100.0 * float(np.clip(1.5 - max(abs(x - 3.0), abs(y + 2.0)) / 4.0, 0.0, 1.0))

    x, y, n = maximize_current(measure, (0.0, 0.0), (8.0, 8.0))
    assert (x, y) == pytest.approx((3.0, -2.0), abs=0.3)
    assert n == 55


def test_console_rounds_and_refuses():
    scope = VirtualMicroscope(1, console=Console(shift_step=0.5, shift_min=-60.0, shift_max=60.0))
    scope.set_shift(1.3, -2.6)
    assert scope.shift == (1.5, -2.5)
    for bad in ((61.0, 0.0), (0.0, float("nan"))):
        with pytest.raises(ValueError, match="between -60 and 60"):
            scope.set_shift(*bad)
    assert scope.shift == (1.5, -2.5)
    with pytest.raises(ValueError, match="focus"):
        scope.set_focus(500.0)
    with pytest.raises(ValueError, match="tilt"):
        scope.set_tilt(9.0, 0.0)
    with pytest.raises(ValueError, match="backward"):
        scope.wait(-1.0)


def test_frozen_camera_shows_the_same_pixels_at_a_later_time():
    scope = VirtualMicroscope(1)
    scope.freeze()
    first = scope.snapshot()
    scope.move(5.0, 0.0)
    second = scope.snapshot()
    assert np.array_equal(first.pixels, second.pixels)
    assert second.taken_at > first.taken_at
    scope.freeze(False)
    assert not np.array_equal(first.pixels, scope.snapshot().pixels)


def test_frame_carries_state_time_and_saturation():
    scope = VirtualMicroscope(1)
    frame = scope.snapshot()
    assert frame.state.gun_shift_x == scope.shift[0]
    assert frame.state.focus_side == "positive"
    assert frame.state.sources["gun_focus"] == "microscope"
    assert frame.taken_at == scope.now
    assert frame.pixels.dtype == np.uint16
    assert frame.pixels.max() < 65535
    scope.set_focus(scope.hidden.crossover)
    assert scope.snapshot().pixels.max() > 20000


def test_example_in_the_rooms_docstring_runs():
    import doctest

    import apertrue.microscope

    result = doctest.testmod(apertrue.microscope)
    assert result.attempted >= 3
    assert result.failed == 0
