"""The crossover from beam radii at several foci."""

import numpy as np
import pytest

from apertrue.current.crossover import fit_crossover
from apertrue.current.pairs import RadiusReading


def readings(rng, sessions, crossover=1.2, wander=0.5, n=6, slopes=(1 / 40, 1 / 30), noise=0.004):
    out, true = [], {}
    for s in range(sessions):
        here = crossover + rng.normal(0, wander)
        true[f"s{s}"] = here
        for side, sign, slope in (("positive", 1, slopes[0]), ("negative", -1, slopes[1])):
            for ratio in rng.uniform(0.35, 0.95, n):
                focus = here + sign * ratio / slope
                out.append(RadiusReading(focus, ratio + rng.normal(0, noise), noise, side, f"s{s}"))
    return out, true


def test_recovers_crossover_slopes_and_wander():
    rng = np.random.default_rng(2)
    found, true = readings(rng, 25)
    fit = fit_crossover(found)
    assert fit.focus == pytest.approx(np.mean(list(true.values())), abs=4 * fit.sigma)
    assert fit.wander == pytest.approx(0.5, rel=0.5)
    assert fit.slope["positive"] == pytest.approx(1 / 40, rel=0.02)
    assert fit.slope["negative"] == pytest.approx(1 / 30, rel=0.02)
    score = [(fit.by_session[s][0] - v) / fit.by_session[s][1] for s, v in true.items()]
    assert np.mean(np.square(score)) < 2.2
    assert len(fit.wanders) == 4
    assert fit.wanders[0] <= fit.wander * 1.3
    assert fit.wanders[-1] >= fit.wander * 0.7


def test_one_session_says_nothing_of_the_wander():
    fit = fit_crossover(readings(np.random.default_rng(3), 1, wander=0.0)[0])
    assert fit.wanders == ()
    assert fit.focus == pytest.approx(1.2, abs=4 * fit.sigma)


def test_one_side_is_enough():
    found = [r for r in readings(np.random.default_rng(4), 1, wander=0.0, n=12)[0] if r.side == "positive"]
    fit = fit_crossover(found)
    assert fit.focus == pytest.approx(1.2, abs=4 * fit.sigma)
    assert set(fit.slope) == {"positive"}


def test_sigma_is_honest():
    """100 sessions' fits: mean square standard score within the 99.9 % band of 100 degrees of freedom, 0.6 to 1.5."""
    z = []
    for seed in range(100):
        fit = fit_crossover(readings(np.random.default_rng(seed), 1, wander=0.0, n=5)[0])
        z.append((fit.focus - 1.2) / fit.sigma)
    assert 0.5 < np.mean(np.square(z)) < 1.6


@pytest.mark.parametrize(
    "found",
    [
        [],
        [RadiusReading(20, 0.5, 0.01, "positive", "a")],
        [RadiusReading(f, 0.5, 0.01, "positive", "a") for f in (20, 21, 22)],  # all at one ratio
        [RadiusReading(f, r, 0.01, "positive", "a") for f, r in ((20, 0.9), (30, 0.6), (40, 0.4))],  # shrinking
        [RadiusReading(0.5, 0.0, 0.1, None, "a", True)] * 4,
    ],
)
def test_cannot_tell(found):
    assert fit_crossover(found) is None
