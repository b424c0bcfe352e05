"""The shift calibration against known truth: coverage of its σ, drift, backlash, refusals."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from apertrue.assessment import Assessment
from apertrue.calibration import Point, StateKey, estimate, from_estimate, next_point, point_from, quality
from apertrue.errors import CalibrationError

# Most tests here have no wander of the gun; those of wander say so.
solve = partial(estimate, wander=0.0)

A = np.array([[3.0, -1.2], [1.0, 2.5]])
C = np.array([5.0, -3.0])
PLACES = [(0.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0), (-3.0, -3.0), (0.0, 0.0)]


def make(rng=None, places=PLACES, sigma=0.2, step=0.0, drift=(0.0, 0.0), backlash=(0.0, 0.0), minutes=2.0, times=True):
    """Points of a known microscope; ``drift`` in % per hour, readings rounded to ``step``."""
    out, last, sign = [], None, np.zeros(2)
    for i, place in enumerate(places):
        s = np.array(place)
        if last is not None:
            sign = np.where(s != last, np.sign(s - last), sign)
        last = s
        true = s + (rng.uniform(-0.5, 0.5, 2) * step if rng is not None and step else 0.0)
        o = C + A @ (true + 0.5 * np.array(backlash) * sign) + np.array(drift) * i * minutes / 60.0
        if rng is not None:
            o = o + rng.normal(0.0, sigma, 2)
        out.append(
            Point(*map(float, s), float(o[0]), float(o[1]), sigma, sigma, minutes=i * minutes if times else None)
        )
    return out


def test_exact_points_give_the_exact_matrix():
    got = solve(make(times=False), step=0.0)
    assert got.matrix == pytest.approx(A, abs=1e-9)
    assert got.intercept == pytest.approx(C, abs=1e-9)
    assert got.chi2 == pytest.approx(0.0, abs=1e-15)
    assert got.dof == 2 * len(PLACES) - 6


def test_three_points_are_enough_and_leave_no_degree_of_freedom():
    got = solve(make(places=[*PLACES[:2], (0.0, 4.0)], times=False))
    assert got.matrix == pytest.approx(A, abs=1e-9)
    assert got.dof == 0
    assert got.p_value is None
    assert any("only a fourth" in s for s in quality(got).sentences)


@pytest.mark.parametrize("step", [0.0, 0.3])
def test_sigma_of_the_matrix_covers_the_truth(step):
    # 500 calibrations; the squared Mahalanobis distance of A must lie under the 95 % χ²₄ quantile (9.4877) in
    # 458–489 of them (two-sided 99.9 % binomial band).
    rng = np.random.default_rng(17)
    hits = 0
    for _ in range(500):
        got = solve(make(rng, step=step, times=False), step=step, backlash=False)
        d = (got.matrix - A).ravel()
        hits += d @ np.linalg.solve(got.covariance / got.enlarged**2, d) <= 9.487729036781154
    assert 458 <= hits <= 489


def test_sigma_covers_with_drift_fitted_along():
    rng = np.random.default_rng(23)
    hits = 0
    for _ in range(500):
        drift = rng.normal(0.0, 3.0, 2)
        got = solve(make(rng, sigma=0.1, drift=drift, minutes=3.0))
        d = (got.matrix - A).ravel()
        hits += d @ np.linalg.solve(got.covariance / got.enlarged**2, d) <= 9.487729036781154
    assert 458 <= hits <= 489


@pytest.mark.parametrize("times", [True, False])
def test_sigma_covers_when_the_gun_wanders_more_than_the_pictures_doubt(times):
    # Pictures good to 0.01 %, a gun that wanders 1 % per √h, a point a minute: as the engine and a settled gun have it.
    rng = np.random.default_rng(29)
    hits = fits = 0
    for _ in range(500):
        walk = np.cumsum(rng.normal(0.0, 1.0 / np.sqrt(60.0), (len(PLACES), 2)), axis=0)
        drift = rng.normal(0.0, 3.0, 2) if times else (0.0, 0.0)
        points = make(rng, sigma=0.01, minutes=1.0, times=times, drift=drift)
        points = [
            replace(p, offset_x=p.offset_x + float(w[0]), offset_y=p.offset_y + float(w[1]))
            for p, w in zip(points, walk - walk[0], strict=True)
        ]
        got = estimate(points)
        d = (got.matrix - A).ravel()
        hits += d @ np.linalg.solve(got.covariance / got.enlarged**2, d) <= 9.487729036781154
        fits += got.p_value > 0.05
    assert 458 <= hits <= 489
    assert 458 <= fits <= 489


def test_drift_is_taken_out_where_the_first_readings_return():
    drift = (6.0, -4.0)
    points = make(sigma=0.02, drift=drift, minutes=5.0)
    got = solve(points)
    assert got.drift_separable
    assert got.drift == pytest.approx(drift, abs=3 * max(got.drift_sigma))
    assert max(got.drift_sigma) < 0.2
    assert got.matrix == pytest.approx(A, abs=0.02)
    # Without it the matrix is off by more than its doubt.
    without = solve(points, drift=False)
    assert np.abs(without.matrix - A).max() > 2 * np.abs(got.matrix - A).max()


def test_inseparable_drift_is_said_and_widens_the_doubt():
    # Three points, each later than the last: drift and shift can't be told apart.
    points = make(sigma=0.05, places=[(0.0, 0.0), (4.0, 0.0), (4.0, 4.0)], minutes=20.0)
    with_times, without = solve(points), solve(points, drift=False)
    assert not with_times.drift_separable
    assert np.trace(with_times.covariance) > 4 * np.trace(without.covariance)
    assert any("can't show a drift" in s for s in quality(with_times).sentences)


def test_backlash_between_approach_directions_is_found():
    places = [(0.0, 0.0), (4.0, 0.0), (0.0, 0.0), (0.0, 4.0), (0.0, 0.0), (-4.0, -4.0), (2.0, 2.0), (-1.0, -1.0)]
    true = (-0.2, 0.0)
    got = solve(make(places=places, sigma=0.05, backlash=true, times=False), step=0.1)
    assert got.backlash is not None
    assert got.backlash[0] == pytest.approx(true[0], abs=3 * got.backlash_sigma[0])
    assert abs(got.backlash[0]) > 3 * got.backlash_sigma[0]
    assert abs(got.backlash[1]) < 2 * got.backlash_sigma[1]
    said = " ".join(quality(got).sentences)
    assert "Axis X has a backlash of 0.1" in said  # the prior of one step pulls 0.2 toward 0
    assert "Axis Y" not in said


def test_unknown_sigma_is_estimated_from_the_residuals():
    rng = np.random.default_rng(3)
    points = [replace(p, x_sigma=None, y_sigma=None) for p in make(rng, places=PLACES * 5, sigma=0.4)]
    got = solve(points)
    assert not got.sigma_known
    rms = float(np.sqrt(got.chi2 / got.dof))
    assert rms == pytest.approx(0.4, rel=0.3)
    three = solve(points[:4][:1] + points[1:2] + points[3:4])
    with pytest.raises(CalibrationError, match="doubt of this calibration is unknown"):
        from_estimate(three, StateKey())


def test_residuals_beyond_the_doubt_enlarge_it():
    points = make(times=False)
    points[2] = replace(points[2], offset_x=points[2].offset_x + 3.0)
    got = solve(points)
    assert got.enlarged > 3
    assert got.p_value < 1e-6
    assert "far larger than the pictures' doubt" in " ".join(quality(got).sentences)


@pytest.mark.parametrize(
    ("places", "message"),
    [
        ([(0.0, 0.0), (1.0, 0.0)], "too few"),
        ([(0.0, 0.0), (1.0, 0.0), (1.0, 0.0), (0.0, 0.0)], "same point twice"),
        ([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0), (3.0, 3.0)], "collinear"),
        ([(0.0, 0.0), (10.0, 0.05), (20.0, 0.0)], "collinear"),
    ],
)
def test_what_cannot_be_solved_is_refused(places, message):
    with pytest.raises(CalibrationError, match=message):
        solve(make(places=places), step=0.1)


def test_points_that_did_not_move_are_refused():
    points = [replace(p, offset_x=1.0 + 0.05 * i, offset_y=0.0) for i, p in enumerate(make())]
    with pytest.raises(CalibrationError, match="nothing moved"):
        solve(points)


def test_both_edges_moving_together_is_the_wrong_deflector_here_too():
    still = [replace(p, offset_x=1.0 + 0.05 * i, offset_y=0.0) for i, p in enumerate(make())]
    moved = [replace(p, aperture_px=(250.0 + 9.0 * i, 260.0, 0.05), radius_px=180.0) for i, p in enumerate(still)]
    with pytest.raises(CalibrationError, match=r"both edges moved together .* deflector below the aperture"):
        solve(moved)
    # A shadow that moved by less than a camera wanders is none.
    near = [replace(p, aperture_px=(250.0 + 0.2 * i, 260.0, 0.05), radius_px=180.0) for i, p in enumerate(still)]
    with pytest.raises(CalibrationError, match="nothing moved"):
        solve(near)


def test_two_axes_along_one_line_are_refused():
    points = [replace(p, offset_x=p.shift_x + p.shift_y, offset_y=0.0, x_sigma=1e-3, y_sigma=1e-3) for p in make()]
    with pytest.raises(CalibrationError, match=r"same line|not even the direction"):
        from_estimate(solve(points, drift=False), StateKey())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"offset_x": float("nan")}, "must be numbers"),
        ({"shift_y": float("inf")}, "must be numbers"),
        ({"x_sigma": 0.0}, "above 0"),
        ({"y_sigma": -1.0}, "above 0"),
        ({"correlation": 1.0}, "correlation"),
    ],
)
def test_values_that_are_no_measurements_are_refused(change, message):
    points = make()
    points[1] = replace(points[1], label="b.tif", **change)
    with pytest.raises(CalibrationError, match=message):
        solve(points)


def test_lost_beam_is_refused_with_a_way_back():
    with pytest.raises(CalibrationError, match=r"c\.tif.*dark.*last readings at which the beam was seen"):
        point_from(Assessment(file="c.tif", scene="dark"), shift_x=1.0, shift_y=2.0)
    with pytest.raises(CalibrationError, match="readings are missing"):
        point_from(Assessment(offset_x_percent=1.0, offset_y_percent=1.0), shift_x=1.0)


def test_suggested_point_helps_most_and_is_safe():
    got = solve(make(np.random.default_rng(1), places=PLACES[:3], times=False), step=0.1)
    best = next_point(got, -100.0, 100.0, 20.0)
    assert best is not None
    assert best.offset_percent <= 20.5
    assert best.sharper > 1.2

    def volume(place):
        o = got.intercept + got.matrix @ np.array(place)
        more = [*got.points, Point(*place, float(o[0]), float(o[1]), 0.2, 0.2)]
        return float(np.linalg.slogdet(solve(more, step=0.1, backlash=False).covariance)[1])

    chosen = volume((best.shift_x, best.shift_y))
    center = -np.linalg.solve(got.matrix, got.intercept)
    for k in range(8):
        t = 2 * np.pi * k / 8
        other = center + np.linalg.solve(got.matrix, 15.0 * np.array([np.cos(t), np.sin(t)]))
        assert chosen <= volume(tuple(float(v) for v in other)) + 0.05


def test_range_of_the_console_limits_the_suggestion():
    got = solve(make(np.random.default_rng(1), times=False), step=0.1)
    best = next_point(got, -2.0, 2.0, 25.0)
    assert best is None or (abs(best.shift_x) <= 2.0 and abs(best.shift_y) <= 2.0)
