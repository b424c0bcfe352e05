"""Least squares against published values and independent libraries; the source stands beside each."""

from functools import partial
from pathlib import Path

import numpy as np
import pytest

from apertrue.calibration.estimate import estimate
from apertrue.calibration.leastsquares import least_squares
from apertrue.calibration.points import Point

# Independent of the gun's wander, which the outside libraries do not know.
solve = partial(estimate, wander=0.0)

# JCGM 100:2008 (GUM), H.3, Table H.6: thermometer readings t (°C) and corrections b (°C), t0 = 20 °C.
# Data from memory, confirmed by the published results and by an independent recomputation.
GUM_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
GUM_B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])


def test_gum_h3_calibration_line_with_covariance_and_prediction():
    fit = least_squares(np.column_stack([np.ones(11), GUM_T - 20.0]), GUM_B)
    assert fit.parameters == pytest.approx([-0.17120379013, 0.00218269774], rel=1e-8)
    assert fit.sigma == pytest.approx([0.0028776, 0.00066793877], rel=2e-5)
    assert fit.covariance[0, 1] / np.prod(fit.sigma) == pytest.approx(-0.930430, abs=1e-5)
    assert fit.scale == pytest.approx(0.00349756, rel=1e-5)
    value, cov = fit.predict(np.array([1.0, 10.0]))
    assert value[0] == pytest.approx(-0.1493768127, rel=1e-8)
    assert np.sqrt(cov[0, 0]) == pytest.approx(0.0041385958, rel=1e-6)
    # The published digits: y1 −0.1712(29), y2 0.002 18(67), b(30) −0.1494(41).
    assert (round(fit.parameters[0], 4), round(fit.sigma[0], 4)) == (-0.1712, 0.0029)
    assert (round(fit.parameters[1], 5), round(fit.sigma[1], 5)) == (0.00218, 0.00067)


def test_nist_norris():
    # NIST StRD, Norris: linear regression; the data file comes with scipy's tests.
    import scipy.stats

    file = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not file.is_file():
        pytest.skip("this scipy comes without its test data")
    rows = [line.split() for line in file.read_text(encoding="utf-8").splitlines()[60:]]
    data = np.array([[float(v) for v in row] for row in rows if len(row) == 2])
    assert len(data) == 36
    fit = least_squares(np.column_stack([np.ones(36), data[:, 1]]), data[:, 0])
    assert fit.parameters == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert fit.sigma == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-9)
    assert fit.scale == pytest.approx(0.884796396144373, rel=1e-9)


def test_nist_longley():
    # NIST StRD, Longley: six nearly dependent predictors (condition 5e9 before scaling); data from statsmodels.
    longley = pytest.importorskip("statsmodels.datasets.longley")
    data = longley.load_pandas()
    design = np.column_stack([np.ones(16), data.exog.to_numpy(dtype=float)])
    fit = least_squares(design, data.endog.to_numpy(dtype=float))
    assert fit.parameters[:2] == pytest.approx([-3482258.63459582, 15.0618722713733], rel=1e-7)
    assert fit.sigma[:2] == pytest.approx([890420.383607373, 84.9149257747669], rel=1e-7)
    assert fit.scale == pytest.approx(304.854073561965, rel=1e-9)


def _points(rng, n, sigma=0.3, step=0.0):
    a = np.array([[3.0, -1.1], [0.9, -2.4]])
    true = rng.uniform(-4.0, 4.0, (n, 2))
    read = np.round(true / step) * step if step else true
    out = []
    for s, r in zip(true, read, strict=True):
        sx, sy = rng.uniform(0.5, 1.5, 2) * sigma
        rho = rng.uniform(-0.6, 0.6)
        noise = rng.multivariate_normal([0, 0], [[sx * sx, rho * sx * sy], [rho * sx * sy, sy * sy]])
        o = np.array([4.0, -7.0]) + a @ s + noise
        out.append(Point(float(r[0]), float(r[1]), float(o[0]), float(o[1]), sx, sy, rho))
    return out


def test_matrix_equals_generalized_least_squares_of_statsmodels():
    sm = pytest.importorskip("statsmodels.api")
    points = _points(np.random.default_rng(5), 9)
    got = solve(points, step=0.0)
    design, observed, cov = [], [], np.zeros((18, 18))
    for i, p in enumerate(points):
        design += [[1, 0, p.shift_x, p.shift_y, 0, 0], [0, 1, 0, 0, p.shift_x, p.shift_y]]
        observed += [p.offset_x, p.offset_y]
        cov[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = p.covariance
    reference = sm.GLS(np.array(observed), np.array(design, dtype=float), sigma=cov).fit(cov_type="fixed scale")
    assert np.concatenate([got.intercept, got.matrix.ravel()]) == pytest.approx(reference.params, rel=1e-9)
    assert got.joint / got.enlarged**2 == pytest.approx(reference.normalized_cov_params, rel=1e-8, abs=1e-14)
    assert got.chi2 == pytest.approx(float(reference.ssr), rel=1e-8)


@pytest.mark.filterwarnings("ignore:.*odr.*:DeprecationWarning")
def test_errors_in_variables_equal_orthogonal_distance_regression():
    # Both sides uncertain: a coarse console step. Independent: ODRPACK (Boggs, Byrd, Rogers, Schnabel) through scipy.
    odr = pytest.importorskip("scipy.odr")
    step = 1.0
    points = _points(np.random.default_rng(11), 8, step=step)
    got = solve(points, step=step, backlash=False)
    x = np.array([p.readings for p in points]).T
    y = np.array([p.offset for p in points]).T
    we = np.array([np.linalg.inv(p.covariance) for p in points]).transpose(1, 2, 0)

    def model(b, at):
        return np.array([b[0] + b[2] * at[0] + b[3] * at[1], b[1] + b[4] * at[0] + b[5] * at[1]])

    data = odr.Data(x, y, wd=12.0 / step**2, we=we)
    start = np.concatenate([got.intercept, got.matrix.ravel()]) * 1.05
    out = odr.ODR(data, odr.Model(model), beta0=start, maxit=500, sstol=1e-14, partol=1e-14).run()
    assert np.concatenate([got.intercept, got.matrix.ravel()]) == pytest.approx(out.beta, rel=2e-5, abs=2e-5)
    assert got.chi2 == pytest.approx(out.sum_square, rel=1e-6)
    assert np.sqrt(np.diag(got.joint)) / got.enlarged == pytest.approx(np.sqrt(np.diag(out.cov_beta)), rel=2e-3)


def test_errors_in_variables_are_not_plain_least_squares():
    step = 1.5
    points = _points(np.random.default_rng(2), 8, step=step)
    exact = solve(points, step=0.0)
    both = solve(points, step=step, backlash=False)
    assert not np.allclose(exact.matrix, both.matrix, rtol=1e-3)
    assert both.chi2 < exact.chi2
