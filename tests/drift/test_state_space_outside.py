"""The drift filter and smoother against an independent library and against published reference values."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from statsmodels.tsa.statespace.mlemodel import MLEModel

from apertrue.drift import DriftNoise, Sighting, Step, follow
from apertrue.drift.state_space import DESIGN, motion, seen_noise, start_state, step_effect

NOISE = DriftNoise(walk=0.4, wander=0.6, start_speed=1.5, jitter=0.1)


def _track(rng: np.random.Generator, n: int = 25) -> list[Sighting | Step]:
    times = np.sort(rng.uniform(0, 8, n))
    times[7] = times[6]  # identical time stamps
    out: list[Sighting | Step] = []
    for i, t in enumerate(times):
        sx, sy, rho = rng.uniform(0.05, 0.6), rng.uniform(0.05, 0.6), rng.uniform(-0.8, 0.8)
        out.append(Sighting.from_sigmas(float(t), *map(float, rng.normal(0, 2, 2)), sx, sy, rho))
        if i in (5, 12):
            out.append(Step(float(t) + 1e-3, 1.5, -0.7, 0.04, 0.01, 0.09))
        if i == 18:
            out.append(Step(float(t) + 1e-3))
    return out


def _statsmodels(track, noise: DriftNoise, unknown: float):
    """The same model written for statsmodels' time-varying state space, one row a picture."""
    sightings = [e for e in track if isinstance(e, Sighting)]
    n = len(sightings)
    model = MLEModel(np.array([[s.x, s.y] for s in sightings]), k_states=6, k_posdef=6)
    model["design"] = DESIGN
    model["selection"] = np.eye(6)
    model["obs_cov"] = np.dstack([seen_noise(s, noise.jitter) for s in sightings])
    transition, shift, added = np.zeros((6, 6, n)), np.zeros((6, n)), np.zeros((6, 6, n))
    events = sorted(track, key=lambda e: (e.t_h, isinstance(e, Sighting)))
    f, q, u, row, now = np.eye(6), np.zeros((6, 6)), np.zeros(6), -1, events[0].t_h
    for e in events:
        f1, q1 = motion(e.t_h - now, noise.walk, noise.wander, noise.settle_h)
        f, q, u, now = f1 @ f, f1 @ q @ f1.T + q1, f1 @ u, e.t_h
        if isinstance(e, Step):
            du, dq = step_effect(e)
            u, q = u + du, q + dq
        else:
            if row >= 0:
                transition[..., row], added[..., row], shift[..., row] = f, q, u
            row += 1
            f, q, u = np.eye(6), np.zeros((6, 6)), np.zeros(6)
    model["transition"], model["state_cov"], model["state_intercept"] = transition, added, shift
    model.ssm.initialize_known(*start_state(noise.start_speed, unknown))
    return model.ssm.smooth()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_filter_smoother_and_likelihood_agree_with_statsmodels(seed):
    # Independent library: statsmodels' state space (S. Seabold, J. Perktold 2010), same model, same data. Confirmed.
    track = _track(np.random.default_rng(seed))
    theirs = _statsmodels(track, NOISE, 200.0)
    filtered = follow(track, NOISE, unknown=200.0)
    assert filtered.log_likelihood == pytest.approx(theirs.llf, rel=1e-8)
    np.testing.assert_allclose(filtered.mean, theirs.filtered_state.T, rtol=1e-6, atol=1e-7)
    np.testing.assert_allclose(filtered.cov, np.moveaxis(theirs.filtered_state_cov, 2, 0), rtol=1e-6, atol=1e-7)
    smoothed = follow(track, NOISE, smooth=True, unknown=200.0)
    np.testing.assert_allclose(smoothed.mean, theirs.smoothed_state.T, rtol=1e-5, atol=1e-5)
    np.testing.assert_allclose(smoothed.cov, np.moveaxis(theirs.smoothed_state_cov, 2, 0), rtol=1e-5, atol=1e-5)


@pytest.mark.filterwarnings("ignore:The univariate filtering approach")  # of a quantity that is not used here
def test_diffuse_start_agrees_with_exact_diffuse_start_of_statsmodels():
    # Same library, its exact diffuse initialization (Durbin & Koopman) of position; speed start known.
    track = [e for e in _track(np.random.default_rng(4)) if isinstance(e, Sighting)]
    sightings = sorted(track, key=lambda e: e.t_h)
    model = MLEModel(np.array([[s.x, s.y] for s in sightings]), k_states=4, k_posdef=4)
    model["design"] = DESIGN[:, :4]
    model["selection"] = np.eye(4)
    model["obs_cov"] = np.dstack([seen_noise(s, NOISE.jitter) for s in sightings])
    steps = [motion(b.t_h - a.t_h, NOISE.walk, NOISE.wander, 1.0) for a, b in pairwise(sightings)]
    steps.append(motion(0.0, 1.0, 1.0, 1.0))
    model["transition"] = np.dstack([f[:4, :4] for f, _ in steps])
    model["state_cov"] = np.dstack([q[:4, :4] for _, q in steps])
    from statsmodels.tsa.statespace.initialization import Initialization

    init = Initialization(4)
    init.set((0, 2), "diffuse")
    init.set((2, 4), "known", constant=np.zeros(2), stationary_cov=np.eye(2) * NOISE.start_speed**2)
    model.ssm.initialization = init
    theirs = model.ssm.smooth()
    ours = follow(track, NOISE, smooth=True)
    np.testing.assert_allclose(ours.mean[:, :4], theirs.smoothed_state.T, atol=2e-4)
    np.testing.assert_allclose(np.sqrt(ours.cov[:, 0, 0]), np.sqrt(theirs.smoothed_state_cov[0, 0]), rtol=1e-3)


def test_without_noise_of_its_own_the_drift_is_the_straight_line_of_norris():
    # NIST StRD, linear regression, Norris (certified): B0 −0.262323073774029 (0.232818234301152),
    # B1 1.00211681802045 (0.000429796848199937), residual SD 0.884796396144373.
    # File from scipy's own test data. Confirmed.
    import scipy.stats

    lines = (Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat").read_text().splitlines()[60:]
    data = np.array([[float(v) for v in line.split()] for line in lines if line.strip()])
    y, x = data[:, 0], data[:, 1]
    s = 0.884796396144373
    track = [Sighting(float(t), float(v), 2 * float(v), s**2, 0.0, s**2) for t, v in zip(x, y, strict=True)]
    # A start that is diffuse beside these data (values to 1000, slope 1): the prior's pull is below the tolerance.
    path = follow(track, DriftNoise(walk=0.0, wander=0.0, start_speed=1e3), unknown=2e4)
    end, mean, cov = path.t_h[-1], path.mean[-1], path.cov[-1]
    to_zero = np.array([1.0, -end])  # position and speed at the last point → position at x = 0
    line = cov[np.ix_([0, 2], [0, 2])]
    assert mean[2] == pytest.approx(1.00211681802045, rel=1e-8)
    assert to_zero @ mean[[0, 2]] == pytest.approx(-0.262323073774029, rel=1e-6)
    assert np.sqrt(line[1, 1]) == pytest.approx(0.000429796848199937, rel=1e-6)
    assert np.sqrt(to_zero @ line @ to_zero) == pytest.approx(0.232818234301152, rel=1e-6)
    assert mean[3] == pytest.approx(2 * 1.00211681802045, rel=1e-8)  # the second axis carries twice the line
    first = follow(track, DriftNoise(walk=0.0, wander=0.0, start_speed=1e3), unknown=2e4, smooth=True).mean[0]
    assert first[0] - first[2] * path.t_h[0] == pytest.approx(-0.262323073774029, rel=1e-5)
