"""The drift's Kalman filter on the annual flow of the Nile: what it settles to."""

import numpy as np
from statsmodels.datasets import nile
from statsmodels.tsa.statespace.structural import UnobservedComponents

from apertrue.drift.kalman import predict, smooth_back, update

SOURCE = {
    "author": "J. Durbin, S. J. Koopman",
    "title": "Time Series Analysis by State Space Methods, chapter 2 (local level, Nile data)",
    "year": "2001",
    "place": "Oxford University Press; the series and an independent filter in statsmodels",
    "how": "from memory",
}

LEVEL, NOISE = 1469.1, 15099.0


def test_nile(check):
    flow = nile.load_pandas().data["volume"].to_numpy(dtype=float)
    mean, cov = np.zeros(1), np.array([[1e7]])
    # Our filter takes two components at once; the second sees nothing.
    design, noise, blind = np.array([[1.0], [0.0]]), np.diag([NOISE, 1.0]), 0.5 * np.log(2 * np.pi)
    likelihood, spread = [], np.zeros((2, 2))
    for i, value in enumerate(flow):
        if i:
            mean, cov = predict(mean, cov, np.eye(1), np.array([[LEVEL]]))
        mean, cov, _, spread, ll = update(mean, cov, np.array([value, 0.0]), design, noise)
        likelihood.append(float(ll) + blind)
    check("variance of the filtered level, settled", cov[0, 0], 4032.16, tol=0.01)
    check("variance of the innovation, settled", spread[0, 0], 20600.26, tol=0.02)
    model = UnobservedComponents(flow, "local level")
    model.ssm.initialize_known(np.zeros(1), np.array([[1e7]]))
    theirs = model.filter([NOISE, LEVEL])
    check("last filtered level, statsmodels", mean[0], theirs.filtered_state[0, -1], tol=1e-8)
    check("log likelihood, statsmodels", sum(likelihood), theirs.llf_obs.sum(), tol=1e-6)


def test_smoothed_nile(check):
    """Backward through the same series: the level of each year as all years tell it."""
    flow = nile.load_pandas().data["volume"].to_numpy(dtype=float)
    one, process = np.eye(1), np.array([[LEVEL]])
    mean, cov = np.zeros(1), np.array([[1e7]])
    forward = []
    for i, value in enumerate(flow):
        if i:
            mean, cov = predict(mean, cov, one, process)
        mean, cov, *_ = update(mean, cov, np.array([value, 0.0]), np.array([[1.0], [0.0]]), np.diag([NOISE, 1.0]))
        forward.append((mean, cov))
    back = [forward[-1]]
    for filtered in reversed(forward[:-1]):
        back.append(smooth_back(*filtered, *back[-1], one, process, np.zeros(1)))
    back.reverse()
    model = UnobservedComponents(flow, "local level")
    model.ssm.initialize_known(np.zeros(1), np.array([[1e7]]))
    theirs = model.smooth([NOISE, LEVEL])
    for year in (0, 27, 60):
        check(
            f"smoothed level, year {1871 + year}, statsmodels",
            back[year][0][0],
            theirs.smoothed_state[0, year],
            tol=1e-7,
        )
        check(f"its variance, year {1871 + year}", back[year][1][0, 0], theirs.smoothed_state_cov[0, 0, year], tol=1e-6)
