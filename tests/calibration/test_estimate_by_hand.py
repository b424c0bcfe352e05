"""The estimate, its quality and its suggestion against independent solutions and sums done by hand; limits and words."""

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from scipy.optimize import least_squares as minimize

from apertrue.assessment import Assessment
from apertrue.calibration import Point, estimate, from_estimate, next_point, point_from, quality, with_approach
from apertrue.calibration.estimate import spread_condition, view_moved
from apertrue.calibration.leastsquares import chi2_tail, least_squares, update, whitener
from apertrue.errors import CalibrationError

A = np.array([[3.0, -1.2], [1.0, 2.5]])
C = np.array([5.0, -3.0])
SQUARE = [(0.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0), (-3.0, -3.0)]


def taken(places=SQUARE, *, matrix=A, sigma=0.1, noise=0.0, seed=0, minutes=None, **more):
    rng = np.random.default_rng(seed)
    out = []
    for i, s in enumerate(places):
        o = C + matrix @ np.array(s) + noise * rng.normal(size=2)
        at = None if minutes is None else minutes * i
        out.append(Point(float(s[0]), float(s[1]), float(o[0]), float(o[1]), sigma, sigma, minutes=at, **more))
    return out


# --- the solution -----------------------------------------------------------------------------------------------------
def test_drift_and_backlash_with_rounded_readings_against_a_plain_minimizer():
    """All unknowns at once, the true readings among them, by scipy's trust region: same optimum, χ² and covariance."""
    step, prior, wander = 0.5, 3.0, 2.0
    places = [(1.0, 0.0), (5.0, 0.0), (3.0, 0.0), (3.0, 4.0), (3.0, 2.0), (-2.0, 3.0), (1.0, 0.0), (4.0, 5.0)]
    points = taken(places, sigma=0.3, noise=0.4, minutes=9.0)
    # Pictures that were taken from the far side show slack of a quarter unit of X.
    points = [
        replace(p, offset_x=p.offset_x - 0.4 * p.approach[0], correlation=0.3, y_sigma=0.2)
        for p in with_approach(points)
    ]
    got = estimate(points, step=step, drift_prior=prior, wander=wander)
    n = len(points)
    x, y = (np.array([getattr(p, name) for p in points]) for name in ("readings", "offset"))
    h, t = np.array([p.approach for p in points]), 9.0 * np.arange(n) / 60
    own = np.array([[0.09, 0.3 * 0.06], [0.3 * 0.06, 0.04]])
    noise = np.kron(np.eye(n), own) + np.kron(wander**2 * np.minimum(t[:, None], t[None, :]), np.eye(2))
    root = np.linalg.inv(np.linalg.cholesky(noise))

    def rest(u):
        c, a, v, b, s = u[:2], u[2:6].reshape(2, 2), u[6:8], u[8:10], u[10:].reshape(n, 2)
        model = c + (s + 0.5 * b * h) @ a.T + t[:, None] * v
        return np.concatenate([root @ (y - model).ravel(), ((x - s) / (step / sqrt(12))).ravel(), v / prior, b / step])

    start = np.concatenate([C, A.ravel(), np.zeros(4), x.ravel()])
    best = minimize(rest, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    covariance = np.linalg.inv(best.jac.T @ best.jac)[:10, :10]
    assert got.chi2 == pytest.approx(2 * best.cost, rel=1e-5)
    assert got.dof == 2 * n + 4 - 10
    assert np.concatenate([got.intercept, got.matrix.ravel()]) == pytest.approx(best.x[:6], rel=1e-4)
    assert (*got.drift, *got.backlash) == pytest.approx(tuple(best.x[6:10]), rel=1e-3, abs=1e-4)
    scale = got.enlarged**2
    assert got.joint == pytest.approx(covariance[:6, :6] * scale, rel=0.02, abs=1e-4)
    assert got.covariance == pytest.approx(got.joint[2:, 2:])
    doubt = np.sqrt(np.diag(covariance * scale))
    assert (*got.drift_sigma, *got.backlash_sigma) == pytest.approx(tuple(doubt[6:]), rel=0.02)
    fitted = got.intercept + (x + 0.5 * np.array(got.backlash) * h) @ got.matrix.T + t[:, None] * got.drift
    assert got.residuals == pytest.approx(y - fitted, abs=1e-9)


def test_residuals_beyond_the_doubt_enlarge_it_and_chance_does_not():
    """Against plain least squares of five points: χ² of four degrees of freedom, and below 5 % its root enlarges."""
    for size, enlarged in ((1.0, True), (0.5, False)):
        points = taken(noise=0.1 * size, seed=3)
        got = estimate(points, wander=0.0)
        design = np.vstack([np.hstack([np.eye(2), np.kron(np.eye(2), p.readings)]) for p in points])
        plain = np.linalg.lstsq(design, np.concatenate([p.offset for p in points]), rcond=None)
        chi2 = float(plain[1][0]) / 0.1**2
        assert got.chi2 == pytest.approx(chi2)
        assert got.p_value == pytest.approx(chi2_tail(chi2, 4))
        assert (got.enlarged > 1) is enlarged
        assert got.enlarged == pytest.approx(sqrt(chi2 / 4) if enlarged else 1.0)
        own = np.linalg.inv(design.T @ design) * 0.1**2
        assert got.joint == pytest.approx(own * got.enlarged**2, abs=1e-12)


def test_without_a_doubt_the_residuals_tell_it_and_nothing_else_is_fitted():
    points = [replace(p, x_sigma=None, y_sigma=None) for p in taken(noise=0.2, minutes=30.0)]
    got = estimate(points, step=0.1)
    design = np.vstack([np.hstack([np.eye(2), np.kron(np.eye(2), p.readings)]) for p in points])
    rest = float(np.linalg.lstsq(design, np.concatenate([p.offset for p in points]), rcond=None)[1][0])
    assert (got.drift, got.backlash, got.p_value, got.enlarged) == (None, None, None, 1.0)
    assert got.covariance == pytest.approx((np.linalg.inv(design.T @ design) * rest / 4)[2:, 2:], abs=1e-12)
    # One picture without its doubt is enough for that.
    assert not estimate([*taken()[:-1], points[-1]]).sigma_known
    assert not estimate([*taken()[:-1], replace(taken()[-1], y_sigma=None)]).sigma_known


def test_drift_and_backlash_are_fitted_where_something_tells_them():
    still = taken(minutes=0.0)
    assert estimate(still).drift is None
    partly = [replace(p, minutes=None) if i == 2 else p for i, p in enumerate(taken(minutes=5.0))]
    assert estimate(partly).drift is None
    assert estimate(taken(minutes=5.0)).drift is not None
    assert estimate(taken(minutes=5.0), drift=False).drift is None
    one_way = [replace(p, approach=(1, 0)) for p in taken()]
    assert estimate(one_way, step=0.1).backlash is None
    for turned in ((-1, 0), (1, -1)):
        both = [replace(p, approach=turned if i == 2 else (1, 1)) for i, p in enumerate(one_way)]
        assert estimate(both, step=0.1).backlash is not None
        assert estimate(both, step=0.1, backlash=False).backlash is None
        assert estimate(both, step=0.0).backlash is None


def test_a_drift_counts_as_told_apart_below_seven_tenths_of_its_prior():
    """σ of the drift is its prior's as long as nothing tells it, and falls with every hour."""
    places = [*SQUARE, SQUARE[0], SQUARE[1]]
    for hours in (0.02, 0.2, 2.0):
        points = taken(places, sigma=0.1, minutes=60 * hours / 6)
        got = estimate(points, wander=0.0)
        assert got.drift_separable is (max(got.drift_sigma) < 0.7 * 3.0)
    assert got.drift_separable
    assert not estimate(taken(minutes=0.1), wander=0.0).drift_separable


# --- refusals ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("points", "step", "said"),
    [
        (taken(SQUARE[:2]), 0.1, "2 point(s) are too few: at least three snapshots at different readings of "
         "both axes are needed"),
        (
            taken([SQUARE[0], SQUARE[1]] * 2),
            0.1,
            "only 2 different pair(s) of readings among 4 points: the same point twice teaches no direction. Move each axis "
            "at least once",
        ),
        (
            taken([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)]),
            0.1,
            "the points lie on a line (collinear): the effect of the two axes can't be told apart. Add a point that moves "
            "the other axis",
        ),
        (taken(), -0.1, "the console's step must be 0 or above, got -0.1"),
        (taken(), float("inf"), "the console's step must be 0 or above, got inf"),
        ([*taken(), replace(taken()[0], offset_y=float("nan"))], 0.1, "a point: readings and offsets must be numbers"),
        ([*taken(), replace(taken()[0], y_sigma=-0.5, label="b.tif")], 0.1, "b.tif: a 1σ must be above 0, got -0.5"),
        ([*taken(), replace(taken()[0], x_sigma=float("inf"))], 0.1, "a point: a 1σ must be above 0, got inf"),
        ([*taken(), replace(taken()[0], correlation=-1.0)], 0.1, "a point: the correlation must lie between −1 and 1"),
        (
            [replace(p, offset_x=1.0, offset_y=2.0) for p in taken()],
            0.1,
            "nothing moved although the readings changed: frozen picture, blanked beam, wrong knob, or steps too small for "
            "the pictures' doubt. Take a fresh picture and make larger steps",
        ),
        (
            [replace(p, offset_x=1.0, offset_y=2.0, aperture_px=(50.0 * i, 9.0, 0.1)) for i, p in enumerate(taken())],
            0.1,
            "both edges moved together while the offset stayed: this was not gun shift but a deflector below the aperture, "
            "or the view itself. Go back to the old readings, then turn gun shift",
        ),
        (
            taken(matrix=np.array([[3.0, 3.0], [1.0, 1.0]])),
            0.0,
            "both axes move the beam along the same line: check that two different axes were turned",
        ),
    ],
)  # fmt: skip
def test_each_refusal_says_what_to_do(points, step, said):
    with pytest.raises(CalibrationError) as caught:
        estimate(points, step=step)
    assert str(caught.value) == said


@pytest.mark.parametrize(("narrow", "refused"), [(0.9, True), (1.1, False)])
def test_points_count_as_a_line_by_their_spread(narrow, refused):
    """Readings (±25, 0) and (0, ±y/2): as wide ÷ narrow as 50 ÷ y; the limit is 50."""
    places = [(-25.0, 0.0), (25.0, 0.0), (0.0, narrow / 2), (0.0, -narrow / 2)]
    assert spread_condition(np.array(places)) == pytest.approx(50 / narrow)
    for step in (0.0, 0.1):
        if refused:
            with pytest.raises(CalibrationError, match="collinear"):
                estimate(taken(places), step=step)
        else:
            estimate(taken(places), step=step)
    # And where the narrow direction is hardly a step wide: its singular value is y / √2.
    with pytest.raises(CalibrationError, match="collinear"):
        estimate(taken([(-9.0, 0.0), (9.0, 0.0), (0.0, 0.51), (0.0, -0.51)]), step=1.0)
    estimate(taken([(-9.0, 0.0), (9.0, 0.0), (0.0, 0.55), (0.0, -0.55)]), step=1.0)
    assert spread_condition(np.array([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)])) == float("inf")


@pytest.mark.parametrize(("sigma", "moved"), [(0.49, True), (0.50, False)])
def test_a_beam_moved_when_it_left_its_mean_by_three_times_the_doubt(sigma, moved):
    # Offsets (0, 0), (2, 0), (0, 2): the farthest two lie √20 / 3 = 1.491 % from their mean, three times 0.497.
    points = taken([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)], matrix=2 * np.eye(2), sigma=0.01)
    for axis in ("x_sigma", "y_sigma"):  # the largest doubt of all counts
        doubtful = [*points[:2], replace(points[2], **{axis: sigma})]
        if moved:
            estimate(doubtful)
        else:
            with pytest.raises(CalibrationError, match="nothing moved"):
                estimate(doubtful)


@pytest.mark.parametrize(
    ("places", "sigma", "moved"),
    [
        ([(10.0, 10.0), (10.9, 10.0)], 0.05, False),  # a camera wanders a pixel
        ([(10.0, 10.0), (11.1, 10.0)], 0.05, True),
        ([(10.0, 10.0), (10.0, 8.9), (10.0, 10.0)], 0.05, True),
        ([(10.0, 10.0), (13.5, 10.0)], 0.5, False),  # 5 · √2 · 0.5 = 3.54 px
        ([(10.0, 10.0), (13.6, 10.0)], 0.5, True),
        ([(10.0, 10.0), None, (12.0, 10.0)], 0.05, True),
        ([None, (12.0, 10.0)], 0.05, False),
    ],
)
def test_the_view_moved_by_its_own_measure(places, sigma, moved):
    points = [
        Point(float(i), 0.0, 1.0, 1.0, aperture_px=None if at is None else (*at, sigma)) for i, at in enumerate(places)
    ]
    assert view_moved(points) is moved


# --- quality ----------------------------------------------------------------------------------------------------------
def test_a_good_calibration_is_told_line_by_line():
    points = taken([(0.0, 0.0), (4.0, 0.0), (0.0, 4.0), (4.0, 4.0)], sigma=0.1, noise=0.05, seed=1)
    result = estimate(points, step=0.1, wander=0.0)
    got = quality(result)
    rms = sqrt(float((result.residuals**2).sum()) / 8)
    assert got.residual_percent == pytest.approx(rms)
    best = got.next_point
    assert got.sentences == (
        f"The calibration is good: a nudge's length is known to {100 * got.relative_doubt:.1f} % (1σ) and its direction to "
        f"{got.direction_doubt_deg:.1f}° (1σ), in the worst direction.",
        "The readings spread over both axes (wide ÷ narrow = 1.0; 1 is best, 10 is poor).",
        f"The residuals ({rms:.2f} % rms) agree with the pictures' doubt (p = {result.p_value:.2g}).",
        "The pictures carry no times: a drift between them could not be looked for.",
        f"No further point is needed; the one that would help: X {best.shift_x:g}, Y {best.shift_y:g} "
        f"(doubt ÷ {best.sharper:.2f}; offset there about {best.offset_percent:.0f} %).",
    )


def test_what_a_calibration_lacks_is_told():
    three = taken([(0.0, 0.0), (9.0, 0.0), (8.0, 0.5)], sigma=None)
    got = quality(estimate(three))
    assert got.sentences == (
        "The doubt of the calibration is unknown: three points without their own 1σ leave nothing to judge by. "
        "Add a point, or use pictures instead of typed offsets.",
        f"The points lie almost on a line (wide ÷ narrow = {got.spread_condition:.0f}): add one across that line.",
        "Three points fit exactly whatever they say: only a fourth can show a mistake.",
    )
    assert (got.word, got.next_point, got.residual_percent, got.p_value) == ("poor", None, None, None)
    four = quality(estimate(taken([(0.0, 0.0), (4.0, 0.0), (0.0, 4.0), (4.0, 4.0)], sigma=None, noise=0.2)))
    assert four.sentences[2] == f"Residuals: {four.residual_percent:.2f} % of the aperture radius (rms)."
    assert not any("carry no times" in s for s in four.sentences)


@pytest.mark.parametrize(
    ("noise", "middle"),
    [
        (
            0.08,
            "are larger than the pictures' doubt (p = {p:.2g}); the doubt was enlarged {e:.1f} times to cover them.",
        ),
        (
            0.5,
            "are far larger than the pictures' doubt (p = {p:.1g}): a typing error, a drift with jumps, or a view that "
            "changed. The doubt was enlarged {e:.1f} times to cover them.",
        ),
    ],
)
def test_residuals_beyond_the_doubt_are_told_with_the_factor(noise, middle):
    result = estimate(taken(noise=noise, seed=3), wander=0.0)
    got = quality(result)
    told = middle.format(p=result.p_value, e=result.enlarged)
    assert got.sentences[2] == f"The residuals ({got.residual_percent:.2f} % rms) {told}"


def test_a_calibration_that_had_to_be_enlarged_much_is_not_good():
    wide = [(20 * x, 20 * y) for x, y in SQUARE]
    for noise, word in ((0.13, "good"), (0.15, "fair")):
        result = estimate(taken(wide, noise=noise, seed=3), wander=0.0)
        assert (result.enlarged > 3) is (word == "fair")
        assert quality(result).word == word
    poor = estimate(taken(noise=4.0, seed=3), wander=0.0)
    assert poor.enlarged > 3
    assert quality(poor).word == "poor"


def test_drift_is_told_with_both_components_or_why_not():
    places = [*SQUARE, SQUARE[0]]
    points = [
        replace(p, offset_x=p.offset_x + 6.0 * i * 5 / 60, offset_y=p.offset_y - 4.0 * i * 5 / 60)
        for i, p in enumerate(taken(places, sigma=0.02, minutes=5.0))
    ]
    result = estimate(points, wander=0.0)
    (said,) = [s for s in quality(result).sentences if s.startswith("Drift")]
    (x, y), (sx, sy) = result.drift, result.drift_sigma
    assert (x, y) == pytest.approx((6.0, -4.0), abs=0.1)
    assert said == (
        f"Drift during the calibration: x {x:+.1f} ± {sx:.1f}, y {y:+.1f} ± {sy:.1f} % per hour (y down), taken out."
    )
    short = quality(estimate(taken(minutes=0.1)))
    assert (
        "These points and times can't show a drift (too short, or it can't be told apart from the shift); what it may have "
        "done is in the doubt. A later picture at the first readings would tell."
    ) in short.sentences


def test_backlash_is_told_axis_by_axis():
    places = [(0.0, 0.0), (4.0, 0.0), (0.0, 0.0), (0.0, 4.0), (0.0, 0.0), (-4.0, -4.0), (2.0, 2.0), (-1.0, -1.0)]
    points = [
        replace(p, offset_x=p.offset_x + float(A[0] @ slack), offset_y=p.offset_y + float(A[1] @ slack))
        for p in with_approach(taken(places, sigma=0.02))
        for slack in [0.5 * np.array([0.0, -0.6]) * p.approach]
    ]
    result = estimate(points, step=0.3, wander=0.0)
    told = [s for s in quality(result).sentences if "backlash" in s]
    assert result.backlash[1] < 0
    assert told == [
        f"Axis Y has a backlash of {-result.backlash[1]:.2f} ± {result.backlash_sigma[1]:.2f} console units between approach "
        "directions: always come from the same side."
    ]


# --- the next point ---------------------------------------------------------------------------------------------------
def test_the_next_point_lies_on_a_circle_around_the_centered_readings():
    """Readings (−1, 2) center the beam of this microscope; each candidate lies at 24, 12 or 6 % from there."""
    gain = np.diag([4.0, 2.0])
    places = [(-1.0, 2.0), (0.0, 2.0), (-1.0, 4.0), (0.0, 4.0)]
    points = [
        Point(*s, float(o[0]), float(o[1]), 0.1, 0.1) for s in places for o in [gain @ (np.array(s) - [-1.0, 2.0])]
    ]
    result = estimate(points, wander=0.0)
    for reach, size in (((-np.inf, np.inf), 24.0), ((-2.4, 3.9), 12.0), ((0.3, 0.9), 6.0)):
        got = next_point(result, *reach, safe_offset=24.0)
        assert got.offset_percent == pytest.approx(size)
        at = gain @ (np.array([got.shift_x, got.shift_y]) - [-1.0, 2.0])
        assert np.hypot(*at) == pytest.approx(got.offset_percent)
        assert reach[0] <= min(got.shift_x, got.shift_y) <= max(got.shift_x, got.shift_y) <= reach[1]
    # Farther out it sharpens more; where nothing lies within the range there is none.
    assert next_point(result, safe_offset=48.0).sharper > next_point(result, safe_offset=24.0).sharper
    assert next_point(result, 50.0, 60.0) is None
    assert quality(result, shift_min=50.0, shift_max=60.0).next_point is None
    assert quality(result, safe_offset=12.0).next_point.offset_percent == pytest.approx(12.0)
    # The default is a quarter of the aperture radius, and readings are those that the console can set.
    assert next_point(result).offset_percent == pytest.approx(25.0)
    coarse = next_point(replace(result, step=0.5))
    assert coarse.shift_x == round(coarse.shift_x * 2) / 2


def test_the_next_points_noise_is_the_usual_residual_where_no_picture_states_one():
    points = taken(sigma=None, noise=0.3, seed=2)
    result = estimate(points)
    got = next_point(result, safe_offset=12.0)
    noise = np.eye(2) * float((result.residuals**2).mean())
    row = np.hstack([np.eye(2), np.kron(np.eye(2), [got.shift_x, got.shift_y])])
    after = np.linalg.inv(np.linalg.inv(result.joint) + row.T @ np.linalg.inv(noise) @ row)
    volumes = [np.linalg.slogdet(c[2:, 2:])[1] for c in (result.joint, after)]
    assert np.log(got.sharper) == pytest.approx((volumes[0] - volumes[1]) / 8, rel=1e-6)
    assert next_point(replace(result, gains=(3.0, 0.0))) is None


def test_a_matrix_that_moves_nothing_has_no_known_direction():
    from apertrue.calibration.quality import relative_doubts

    assert relative_doubts(np.zeros((2, 2)), np.eye(4)) == (float("inf"), float("inf"))


# --- from an estimate to a calibration --------------------------------------------------------------------------------
def test_a_calibration_takes_over_what_the_fit_tells():
    result = estimate(taken(noise=0.1, seed=5), step=0.1)
    assert from_estimate(result).note == ""
    got = from_estimate(result, note="after the service")
    assert got.a == pytest.approx(result.matrix)
    assert got.cov == pytest.approx(result.covariance)
    assert (got.n_points, got.chi2, got.dof, got.step, got.note, got.made_at) == (
        5, result.chi2, result.dof, 0.1, "after the service", None
    )  # fmt: skip


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (
            taken(SQUARE[:2] + SQUARE[3:4], sigma=None),
            "the doubt of this calibration is unknown: three points without their own 1σ. Add a fourth point or the σ",
        ),
        (
            taken(noise=20.0, seed=1),
            "the points contradict each other so much that not even the direction is known. Check the readings, and whether "
            "view, focus or aperture changed in between",
        ),
        (
            taken([(0.0, 0.0), (9.0, 0.0), (0.0, 1.0)], sigma=2.0),
            "the moves were too small for the pictures' doubt: not even the direction is known. Make larger steps",
        ),
    ],
)
def test_a_calibration_without_a_known_direction_is_refused(points, said):
    with pytest.raises(CalibrationError) as caught:
        from_estimate(estimate(points))
    assert str(caught.value) == said


# --- points -----------------------------------------------------------------------------------------------------------
SEEN = Assessment(
    file="a.tif", taken_at="2026-03-02T09:00:00+00:00", offset_x_percent=6.0, offset_y_percent=-3.0,
    offset_x_percent_sigma=0.1, offset_y_percent_sigma=0.2, offset_xy_correlation=0.25, gun_shift_x=1.0, gun_shift_y=2.0,
    aperture_x_px=100.0, aperture_y_px=90.0, aperture_x_px_sigma=0.02, aperture_y_px_sigma=0.05, aperture_radius_px=80.0,
)  # fmt: skip


def test_a_picture_becomes_a_point_with_all_that_it_tells():
    minutes = 1772442000.0 / 60  # 9:00 UTC on 2 March 2026, counted from 1970
    assert point_from(SEEN) == Point(
        1.0, 2.0, 6.0, -3.0, 0.1, 0.2, 0.25, minutes, None, (100.0, 90.0, 0.05), 80.0, "a.tif"
    )
    given = point_from(SEEN, shift_x=0.0, shift_y=7.0, minutes=3.0, label="first")
    assert (given.shift_x, given.shift_y, given.minutes, given.label) == (0.0, 7.0, 3.0, "first")
    assert given.covariance == pytest.approx(np.array([[0.01, 0.005], [0.005, 0.04]]))
    bare = replace(SEEN, file=None, taken_at=None, offset_xy_correlation=None, aperture_x_px_sigma=0.07)
    got = point_from(bare)
    assert (got.label, got.minutes, got.correlation) == ("this picture", None, 0.0)
    assert got.aperture_px == (100.0, 90.0, 0.07)
    for untold in ({"aperture_source": "remembered"}, {"aperture_x_px": None}, {"aperture_y_px": None}):
        assert point_from(replace(SEEN, **untold)).aperture_px is None
    unsure = replace(SEEN, aperture_x_px_sigma=None, aperture_y_px_sigma=None)
    assert point_from(unsure).aperture_px == (100.0, 90.0, 0.0)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"gun_shift_x": None}, "a.tif: the gun shift readings are missing. Give both"),
        ({"gun_shift_y": None}, "a.tif: the gun shift readings are missing. Give both"),
        (
            {"offset_x_percent": None, "scene": "dark"},
            "a.tif: no offset could be measured (the picture shows: dark). Go back to the last readings at which the beam "
            "was seen and take smaller steps",
        ),
        (
            {"offset_y_percent": None},
            "a.tif: no offset could be measured (the picture shows: nothing). Go back to the last readings at which the beam "
            "was seen and take smaller steps",
        ),
    ],
)
def test_a_picture_that_is_no_point_says_why(change, said):
    with pytest.raises(CalibrationError) as caught:
        point_from(replace(SEEN, **change))
    assert str(caught.value) == said


def test_approach_is_the_way_of_the_last_turn():
    places = [(0.0, 0.0), (1.0, 0.0), (1.0, -2.0), (0.5, -2.0), (0.5, -1.0)]
    assert [p.approach for p in with_approach(taken(places))] == [(0, 0), (1, 0), (1, -1), (-1, -1), (-1, 1)]
    stated = with_approach([replace(p, approach=(0, 1)) if i == 2 else p for i, p in enumerate(taken(places))])
    assert [p.approach for p in stated][2:4] == [(0, 1), (-1, -1)]


# --- least squares ----------------------------------------------------------------------------------------------------
def test_variances_and_a_diagonal_covariance_say_the_same():
    """y = 1, 2, 6 with variances 1, 1, 4 for a mean: (1 + 2 + 1.5) / 2.25 = 2, variance 1 / 2.25."""
    design, y = np.ones((3, 1)), np.array([1.0, 2.0, 6.0])
    for covariance in (np.array([1.0, 1.0, 4.0]), np.diag([1.0, 1.0, 4.0])):
        fit = least_squares(design, y, covariance)
        assert fit.parameters == pytest.approx([2.0])
        assert fit.covariance == pytest.approx(np.array([[1 / 2.25]]))
        assert (fit.chi2, fit.dof, fit.condition) == (pytest.approx(1 + 0 + 4), 2, 1.0)
        assert fit.scale == pytest.approx(sqrt(2.5))
        assert fit.residuals == pytest.approx([-1.0, 0.0, 4.0])
    exact = least_squares(np.eye(2), np.array([3.0, 4.0]))
    assert (exact.dof, exact.scale) == (0, None)
    assert np.isnan(exact.covariance).all()
    assert chi2_tail(3.0, 0) == 1.0
    assert chi2_tail(5.991464547, 2) == pytest.approx(0.05)
    assert chi2_tail(3.841458821, 1) == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("design", "covariance", "said"),
    [
        (np.ones((1, 2)), None, "1 values can't determine 2 unknowns: add points"),
        (np.ones((3, 2)), None, "the points do not determine all unknowns: columns of the design depend on each other"),
        (np.ones((3, 1)), np.zeros((3, 3)), "the uncertainties are no valid covariance: every 1σ must be above 0"),
    ],
)
def test_what_has_no_solution_is_refused(design, covariance, said):
    with pytest.raises(CalibrationError) as caught:
        least_squares(design, np.arange(float(len(design))), covariance)
    assert str(caught.value).startswith(said)


def test_one_recursive_step_is_the_weighted_mean():
    """2 ± 1 and 5 ± ½ give (2 + 4 · 5) / 5 = 4.4 ± √(1/5); they differ by 9 / 1.25 in χ²."""
    value, cov, chi2 = update(np.array([2.0]), np.eye(1), np.eye(1), np.array([5.0]), np.array([[0.25]]))
    assert (value[0], cov[0, 0], chi2) == pytest.approx((4.4, 0.2, 7.2))
    root = whitener(np.array([[4.0, 2.0], [2.0, 3.0]]))
    assert root.T @ root == pytest.approx(np.linalg.inv([[4.0, 2.0], [2.0, 3.0]]))
