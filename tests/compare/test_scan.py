"""Shift scans against truth: disc, domed, soft and Gaussian beams over a stop, with noise, drift, halo, plateau."""

import numpy as np
import pytest

from apertrue.compare.curves import disc_passed, gaussian_passed, hard_disc_passed
from apertrue.compare.scan import ScanReading, fit_scan
from apertrue.model.transmission import PlaneBeam, lens_area, passed_fraction

GAIN = 0.1  # aperture radii per console unit


def cross(center, half=13.0, n=9):
    """Shift readings along X, then along Y, through a place near the center."""
    steps = np.linspace(-half, half, n)
    x0, y0 = center[0] + 0.8, center[1] - 1.1
    return [(x0 + s, y0) for s in steps] + [(x0, y0 + s) for s in steps]


def readings(points, center, beam, *, most=300.0, halo=0.0, drift=0.0, noise=0.0, matrix=None, seed=0, sigma=False):
    """What the meter would show; ``beam(x, y)`` gives the share that passes with the beam at (x, y) aperture radii."""
    rng = np.random.default_rng(seed)
    m = GAIN * np.eye(2) if matrix is None else np.asarray(matrix) / 100
    out = []
    for i, (x, y) in enumerate(points):
        dx, dy = m @ (np.array([x, y]) - center)
        light = most * (beam(dx, dy) + halo) * (1 + drift * i / max(len(points) - 1, 1))
        s = noise * most
        out.append(ScanReading(float(x), float(y), light + s * rng.normal(), float(i), s if sigma else None))
    return out


def disc(ratio, dome=0.0, softness=0.0):
    return lambda x, y: passed_fraction(PlaneBeam.round(x, y, ratio, (dome,), softness=softness))


def pulls(result, center):
    e = np.array([result.center.x - center[0], result.center.y - center[1]])
    return float(e @ np.linalg.solve(result.center.covariance(), e))


# Curves


@pytest.mark.parametrize(
    ("d", "r"), [(0.0, 0.7), (0.25, 0.7), (0.6, 0.9), (1.0, 1.0), (0.3, 1.3), (2.4, 1.3), (1.69, 0.7)]
)
def test_disc_curve_is_the_lens_area(d, r):
    expected = lens_area(d, r, 1.0) / (np.pi * r * r)
    assert float(hard_disc_passed(np.asarray(d), r)) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("r", "s"), [(0.7, 0.02), (0.95, 0.05), (1.1, 0.03)])
def test_soft_disc_against_the_models_integration(r, s):
    d = np.linspace(0, 2, 21)
    truth = [passed_fraction(PlaneBeam.round(x, 0, r, softness=s)) for x in d]
    # A blurred disc and a disc with a blurred step differ by about softness²: 2e-3 here.
    np.testing.assert_allclose(disc_passed(d, r, s), truth, atol=2e-3)


# Scans


def test_noiseless_disc_gives_its_center_width_and_halo():
    c = np.array([3.3, -7.2])
    found = fit_scan(
        readings(cross(c), c, disc(0.95), halo=0.05, drift=0.01), matrix=100 * GAIN * np.eye(2), ratio=(0.95, 0.05)
    )
    assert found.status == "peak"
    assert found.curve == "disc"
    assert (found.center.x, found.center.y) == pytest.approx(tuple(c), abs=0.02)  # 0.2 % of the aperture radius
    assert found.ratio[0] == pytest.approx(0.95, abs=0.02)
    assert found.units_per_radius[0] == pytest.approx(1 / GAIN, rel=0.02)
    assert found.most_pa[0] == pytest.approx(300.0, rel=0.03)
    assert found.drift_percent[0] == pytest.approx(1.0, abs=4 * found.drift_percent[1] + 0.1)
    assert found.half_fall == pytest.approx(7.9, abs=0.5)


def test_overlap_does_not_tell_beam_from_aperture():
    """Without calibration the curve is the same with both discs swapped, so neither ratio nor scale is given."""
    c = np.array([1.0, 2.0])
    found = fit_scan(readings(cross(c), c, disc(0.8), noise=0.005))
    assert found.ratio is None
    assert found.units_per_radius is None
    assert found.center is not None


@pytest.mark.parametrize("seed", range(3))
def test_gaussian_beam_is_recognized(seed):
    c = np.array([-2.0, 4.0])
    found = fit_scan(
        readings(cross(c), c, lambda x, y: float(gaussian_passed(np.hypot(x, y), 1.4)), noise=0.003, seed=seed),
        matrix=100 * GAIN * np.eye(2),
    )
    assert found.curve == "gaussian"
    assert pulls(found, c) < 16
    assert found.ratio[0] == pytest.approx(1.4, abs=4 * found.ratio[1] + 0.05)


def test_doubt_is_honest():
    """Over 24 scans of domed, soft, skewed beams the 95 % ellipse holds the truth, and its size is useful."""
    rng = np.random.default_rng(11)
    inside, sizes = 0, []
    for k in range(24):
        c = rng.uniform(-5, 5, 2)
        turn = rng.uniform(0, 2 * np.pi)
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        matrix = 100 * GAIN * rotation @ np.diag([1.0, rng.uniform(0.85, 1.18)])
        beam = disc(rng.uniform(0.65, 1.2), rng.uniform(-0.4, 0.1), rng.uniform(0.01, 0.08))
        scan = readings(cross(c), c, beam, halo=0.03, drift=0.02, noise=0.01, matrix=matrix, seed=k, sigma=bool(k % 2))
        found = fit_scan(scan)
        assert found.center is not None
        inside += pulls(found, c) < 5.99146455  # χ²₂(0.95)
        sizes.append(found.center.x_sigma * GAIN)
    assert inside >= 19  # two-sided 99.9 % of 24 draws at 95 %: 19 or more
    # 18 readings of 1 % noise, the drift unknown: under 3 % of the aperture radius, less than a nudge is worth.
    assert np.median(sizes) < 0.03


def test_noise_comes_from_the_residuals():
    c = np.array([0.0, 0.0])
    found = fit_scan(readings(cross(c, n=25), c, disc(0.9, softness=0.03), noise=0.01, seed=4))
    assert found.noise_from_residuals
    assert found.noise_pa == pytest.approx(3.0, rel=0.35)


def test_a_flat_top_is_a_plateau_with_its_middle():
    c = np.array([5.0, -3.0])
    found = fit_scan(readings(cross(c, 16.0, 13), c, disc(0.5), noise=0.003, seed=2), matrix=100 * GAIN * np.eye(2))
    assert found.status == "plateau"
    assert found.plateau_half_width == pytest.approx(5.0, abs=0.6)  # (1 − 0.5) aperture radii
    assert pulls(found, c) < 16


def test_current_that_never_falls_gives_no_center():
    c = np.array([0.0, 0.0])
    found = fit_scan(readings(cross(c, 2.0), c, disc(0.5), noise=0.005))
    assert found.status == "flat"
    assert found.center is None
    assert "further out" in found.remedy


def test_maximum_outside_the_readings_is_not_guessed():
    points = [(x, y) for x in np.linspace(6, 14, 5) for y in np.linspace(-4, 4, 5)]
    found = fit_scan(readings(points, np.zeros(2), disc(0.9), noise=0.005))
    assert found.center is None
    assert found.status in ("not-enclosed", "too-doubtful")
    if found.status == "not-enclosed":
        assert "lower gun shift X" in found.remedy


@pytest.mark.parametrize("axis", [0, 1])
def test_scan_along_one_axis_tells_only_that_axis(axis):
    c = np.array([2.0, -1.0])
    steps = np.linspace(-12, 12, 13)
    points = [(s, -1.0) if axis == 0 else (2.0, s) for s in steps]
    found = fit_scan(readings(points, c, disc(0.9, softness=0.03), noise=0.005, seed=1))
    known, unknown = (found.center.x, found.center.y) if axis == 0 else (found.center.y, found.center.x)
    sigma = found.center.x_sigma if axis == 0 else found.center.y_sigma
    assert unknown is None
    assert abs(known - c[axis]) < 4 * sigma
    assert sigma * GAIN < 0.02


def test_one_wrong_reading_is_left_out_and_named():
    c = np.array([1.0, 1.0])
    scan = readings(cross(c), c, disc(0.9, softness=0.03), noise=0.004, seed=3)
    scan[4] = ScanReading(scan[4].x, scan[4].y, scan[4].current_pa * 0.5, scan[4].minutes)
    found = fit_scan(scan)
    assert found.suspects == (4,)
    assert pulls(found, c) < 20


@pytest.mark.parametrize("count", [0, 1, 4, 6])
def test_too_few(count):
    scan = readings(cross(np.zeros(2))[7 : 7 + count], np.zeros(2), disc(0.9))
    assert fit_scan(scan).status == "too-few"


def test_the_same_place_again_and_again():
    assert fit_scan([ScanReading(1.0, 1.0, 100.0)] * 12).status == "too-few"


def test_no_light_at_all():
    scan = [ScanReading(x, y, 0.0) for x, y in cross(np.zeros(2))]
    assert fit_scan(scan).status == "flat"


def test_unfit_numbers():
    scan = readings(cross(np.zeros(2)), np.zeros(2), disc(0.9))
    with pytest.raises(ValueError, match="finite"):
        fit_scan([*scan, ScanReading(0.0, 0.0, float("nan"))])
    with pytest.raises(ValueError, match="inverted"):
        fit_scan(scan, matrix=np.zeros((2, 2)))
