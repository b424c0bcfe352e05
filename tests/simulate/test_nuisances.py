"""Every nuisance does what its name says."""

import numpy as np
import pytest

from apertrue.registry import SceneKind
from apertrue.simulate import Recipe, simulate
from apertrue.simulate.light import clean_light, shadows

PLAIN = Recipe(rows=192, columns=192, aperture_radius_px=70.0, beam_ratio=0.8, halo_level=0.05)


def shoot(seed=0, truth=False, **values):
    return simulate(PLAIN.with_values(**values), np.random.default_rng(seed), truth=truth)


def core(picture):
    """Pixels deep inside the beam."""
    return picture[70:120, 70:120].astype(float)


def test_same_seed_same_picture_other_seed_other_picture():
    values = {"dirt_count": 3, "grain": 0.05, "hot_pixels": 1e-3, "dead_columns": 2, "row_noise": 1.0}
    assert np.array_equal(shoot(4, **values).picture, shoot(4, **values).picture)
    assert not np.array_equal(shoot(4, **values).picture, shoot(5, **values).picture)


def test_noise_variance_is_gain_times_level_plus_read_variance():
    for peak, gain, read in ((50, 2.0, 0.5), (2000, 3.0, 40.0), (20000, 0.5, 5.0)):
        p = core(shoot(1, peak_electrons=peak, gain=gain, read_noise=read, bits=32).picture)
        level = peak * 1.05 * gain
        assert p.mean() == pytest.approx(100 + level, rel=0.01)
        # 2500 pixels: relative 1σ of a variance is 2.8 %.
        assert p.var() == pytest.approx(gain * level + read**2, rel=0.12)


def test_spread_correlates_noise_and_blur_does_not():
    def correlation(picture):
        d = core(picture) - core(picture).mean()
        return float((d[:, 1:] * d[:, :-1]).mean() / d.var())

    assert abs(correlation(shoot(2, blur_px=1.0, read_noise=0.1).picture)) < 0.08
    assert correlation(shoot(2, spread_px=1.0, read_noise=0.1).picture) > 0.6


def test_row_noise_is_common_to_rows_and_drift_noise_is_slow():
    outside = shoot(3, row_noise=20.0, read_noise=1.0, bits=32).picture[:, :15]
    assert outside.mean(axis=1).std() == pytest.approx(20, rel=0.25)
    assert outside.std(axis=1).mean() < 2.5
    slow = shoot(3, drift_noise=30.0, read_noise=1.0, peak_electrons=0.0, bits=32).picture
    assert slow.std() == pytest.approx(30, rel=0.1)
    assert np.diff(slow, axis=1).std() < 3


def test_hot_pixels_dead_columns_and_dead_quadrant():
    plain = shoot(4)
    hot = shoot(4, hot_pixels=5e-3, hot_level=5000.0).picture.astype(int) - plain.picture
    assert np.mean(hot > 1000) == pytest.approx(5e-3, rel=0.3)
    columns = shoot(4, dead_columns=3, read_noise=1.0).picture
    assert np.sum(np.all(columns == 100, axis=0)) == 3
    for quadrant, part in ((1, np.s_[:96, 96:]), (2, np.s_[:96, :96]), (3, np.s_[96:, :96]), (4, np.s_[96:, 96:])):
        picture = shoot(4, dead_quadrant=quadrant).picture
        assert np.all(picture[part] == 100)
        assert picture.max() > 3000


def test_saturation_share_and_flag():
    shot = shoot(5, saturation=3000.0)
    assert shot.picture.max() == 3000
    assert shot.frame.saturation == 3000
    assert "saturated" in shot.truth.must_flags
    assert np.mean(core(shot.picture) == 3000) > 0.99
    assert "saturated" not in shoot(5).truth.must_flags + shoot(5).truth.may_flags


def test_gamma_auto_contrast_and_inversion():
    linear = core(shoot(6).picture).mean() / 65535
    assert core(shoot(6, gamma=0.5).picture).mean() / 65535 == pytest.approx(linear**0.5, rel=0.01)
    stretched = shoot(6, auto_contrast=True, bits=8)
    assert (stretched.picture.min(), stretched.picture.max()) == (0, 255)
    assert stretched.frame.linear is False
    assert "nonlinear" in stretched.truth.must_flags
    assert {"score", "clipped_fraction"} <= set(stretched.truth.must_be_null)
    inverted = shoot(6, inverted=True).picture
    assert core(inverted).mean() < inverted[:10, :10].mean()


def test_color_and_jpeg():
    eight = {"bits": 8, "gain": 0.2, "bias": 5.0, "read_noise": 0.3}
    green = shoot(7, color="green", **eight)
    assert green.picture.shape == (192, 192, 3)
    r, g, b = (core(green.picture[..., k]).mean() for k in range(3))
    assert g > 2.5 * r > 2.5 * b
    assert green.frame.color
    assert green.frame.pixels.shape == (192, 192)
    lossy = shoot(7, jpeg_quality=30, **eight)
    assert lossy.frame.lossy
    assert 0 < np.abs(lossy.picture.astype(int) - shoot(7, **eight).picture).mean() < 8
    with pytest.raises(ValueError, match="bits=8"):
        shoot(7, jpeg_quality=30)


def test_bar_and_dirt_take_light_and_say_so():
    bar = shoot(8, bar_width_px=24.0, bar_angle_deg=0.0, bar_transmission=0.1)
    middle = bar.picture[96, 70:120].astype(float).mean() - 100
    assert middle == pytest.approx(0.1 * (core(shoot(8).picture).mean() - 100), rel=0.05)
    assert "in-the-way" in bar.truth.must_flags
    dirt = shoot(8, dirt_count=10, dirt_size_px=8.0)
    assert set(dirt.truth.must_flags + dirt.truth.may_flags) & {"in-the-way"}
    assert shoot(8).truth.must_flags == ()


def test_bar_angle_is_counter_clockwise_on_the_screen():
    keep, _ = shadows(PLAIN.with_values(bar_width_px=10.0, bar_angle_deg=45.0), np.random.default_rng(0))
    # A bar that rises to the right covers top right and bottom left.
    assert keep[40, 151] < 0.2
    assert keep[40, 40] == pytest.approx(1.0)


def test_grain_and_vignetting():
    grainy = shoot(9, grain=0.1, grain_px=1.0, peak_electrons=1e5, gain=0.3)
    assert core(grainy.picture).std() / (core(grainy.picture).mean() - 100) == pytest.approx(0.1, rel=0.15)
    keep, _ = shadows(PLAIN.with_values(vignetting=0.4), np.random.default_rng(0))
    assert keep[96, 96] == pytest.approx(1.0)
    assert keep[0, 0] == pytest.approx(0.6)


def test_background_slope_glare_and_halo():
    light = clean_light(PLAIN.with_values(background_level=0.05, background_slope_x=0.04))
    assert light[5, 191] - light[5, 0] == pytest.approx(0.04 * 1000, rel=1e-6)
    spill = clean_light(PLAIN.with_values(glare_level=0.05)) - clean_light(PLAIN)
    assert spill.min() > 0  # glare spills past the aperture's edge
    uneven = clean_light(PLAIN.with_values(halo_slope=0.5, halo_direction_deg=90.0))
    assert uneven[30, 95] > uneven[161, 95]  # brighter upward
    decaying = clean_light(PLAIN.with_values(halo_decay=2.0, offset_x_percent=0.0, offset_y_percent=0.0))
    assert decaying[95, 30] < 0.6 * 50
    without = clean_light(PLAIN.with_values(halo_level=0.0))
    assert without[95, 30] < 1e-3


def test_profiles():
    row = 95
    flat = clean_light(PLAIN.with_values(offset_x_percent=0.0, offset_y_percent=0.0))
    assert np.ptp(flat[row, 60:130]) < 1e-6
    values = {"offset_x_percent": 0.0, "offset_y_percent": 0.0}
    domed = clean_light(PLAIN.with_values(dome=0.4, **values))
    assert domed[row, 95] > domed[row, 55]
    rim = clean_light(PLAIN.with_values(rim=0.5, **values))
    assert rim[row, 46:60].max() > 1.3 * rim[row, 95]
    bright_core = clean_light(PLAIN.with_values(core=0.5, **values))
    assert bright_core[row, 95] == pytest.approx(1550, rel=0.01)
    tilted = clean_light(PLAIN.with_values(light_tilt=0.3, light_tilt_direction_deg=90.0, **values))
    assert tilted[60, 95] > tilted[130, 95]  # brighter upward


def test_astigmatism_and_tilted_view_flags():
    astigmatic = shoot(10, astigmatism=0.13, astigmatism_axis_deg=30.0)
    assert "elliptical" in astigmatic.truth.must_flags
    assert astigmatic.truth.aperture_ellipticity == pytest.approx(0.0, abs=1e-12)
    assert astigmatic.truth.beam_axis_deg == pytest.approx(30.0)
    tilted = shoot(10, view_tilt_deg=30.0)
    assert "tilted-view" in tilted.truth.must_flags
    assert "elliptical" not in tilted.truth.must_flags


def test_afterglow_is_a_second_disc():
    values = {"afterglow_level": 0.2, "afterglow_x_percent": -20.0, "afterglow_y_percent": -3.0}
    shot = shoot(11, **values)
    ghost = clean_light(PLAIN.with_values(**values)) - clean_light(PLAIN)
    assert ghost.max() == pytest.approx(200, rel=0.01)
    assert "afterglow" in shot.truth.must_flags


def test_overlay_border_text_and_scale_bar():
    plain, drawn = shoot(12).picture, shoot(12, text="200 kV", scale_bar=True, border_px=5).picture
    assert np.all(drawn[:, :5] == drawn[0, 0]) or len(np.unique(drawn[:, :5])) == 2
    assert np.sum(drawn == 65535) > 100
    changed = drawn != plain
    assert changed[60:130, 60:130].sum() == 0
    assert "overlay" in shoot(12, scale_bar=True).truth.must_flags


def test_interlace_shifts_odd_rows():
    still, shifted = clean_light(PLAIN), shoot(13, interlace_px=3.0, peak_electrons=1e5, gain=0.3).picture.astype(float)
    even, odd = shifted[96] - 100, shifted[97] - 100
    edge = [int(np.argmax(row > 0.5 * 3e4)) for row in (even, odd)]
    assert edge[1] - edge[0] == pytest.approx(3, abs=1)
    assert still[96].argmax() == pytest.approx(still[97].argmax(), abs=40)


def test_cut_by_frame_counts_only_what_could_be_seen():
    out = shoot(14, aperture_x_px=40.0)
    assert "cut-by-frame" in out.truth.must_flags
    # A wide beam whose own edge lies outside the frame, but behind the aperture, is not cut by the frame.
    wide = shoot(14, beam_ratio=1.4, offset_x_percent=60.0, offset_y_percent=0.0)
    assert "cut-by-frame" not in wide.truth.must_flags


@pytest.mark.parametrize(
    ("values", "kind"),
    [
        ({}, SceneKind.BOTH_EDGES),
        ({"offset_x_percent": 40.0}, SceneKind.CLIPPED),
        ({"beam_ratio": 1.6}, SceneKind.OVERFILLED),
        ({"halo_level": 0.0}, SceneKind.ONE_EDGE),
        ({"beam_ratio": 0.08}, SceneKind.CROSSOVER),
        ({"peak_electrons": 0.0}, SceneKind.DARK),
        ({"aperture_in": False}, SceneKind.ONE_EDGE),
        ({"offset_x_percent": 250.0, "halo_level": 0.0}, SceneKind.DARK),
    ],
)
def test_kinds(values, kind):
    truth = shoot(15, **values).truth
    assert truth.kind is kind
    assert kind in truth.allowed_kinds
    if kind in (SceneKind.ONE_EDGE, SceneKind.OVERFILLED, SceneKind.DARK):
        assert {"offset_percent", "gap_percent", "clipped_fraction", "score"} <= set(truth.must_be_null)


def test_wrong_values_are_named():
    for values, word in (({"bits": 12}, "bits"), ({"gain": 0.0}, "gain"), ({"color": "pink"}, "color")):
        with pytest.raises(ValueError, match=word):
            PLAIN.with_values(**values)
