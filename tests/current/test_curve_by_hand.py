"""Crossover and fit of the current curves against lines worked out by hand; what is set aside, and where it begins."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import exp, sqrt

import numpy as np
import pytest

from apertrue.current.crossover import fit_crossover
from apertrue.current.curve import by_state, fit_current, thinned
from apertrue.current.pairs import GunState, Pair, RadiusReading

STATE = GunState(200.0, "3", 70.0)
T0 = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


# --- the crossover ----------------------------------------------------------------------------------------------------
def radii(*sessions, slope=(1 / 40, 1 / 25), sigma=0.01, ratios=(0.4, 0.6, 0.9)):
    """Exact readings of sessions whose crossover lies at the focus given."""
    return [
        RadiusReading(at + sign * ratio / k, ratio, sigma, name, f"s{i}")
        for i, at in enumerate(sessions)
        for name, sign, k in (("positive", 1, slope[0]), ("negative", -1, slope[1]))
        for ratio in ratios
    ]


def test_exact_radii_meet_at_the_crossover():
    got = fit_crossover(radii(1.5))
    assert (got.focus, got.n, got.measured, got.wanders) == (pytest.approx(1.5), 6, True, ())
    assert got.slope == {"positive": pytest.approx(1 / 40), "negative": pytest.approx(1 / 25)}
    # Weighted line through six points: σ of each focus is 0.01 times the mean number of units a ratio.
    noise = 0.01 * (40 + 25) / 2
    design = np.array([[1, r, 0] for r in (0.4, 0.6, 0.9)] + [[1, 0, -r] for r in (0.4, 0.6, 0.9)])
    sigma = noise * sqrt(np.linalg.inv(design.T @ design)[0, 0])
    assert got.sigma == pytest.approx(sigma)
    assert got.by_session == {"s0": (pytest.approx(1.5), pytest.approx(sigma))}
    one = fit_crossover([r for r in radii(1.5) if r.side == "negative"])
    assert (one.focus, dict(one.slope)) == (pytest.approx(1.5), {"negative": pytest.approx(1 / 25)})
    # Without a stated side the sign of the focus tells it.
    unsaid = fit_crossover([replace(r, side=None) for r in radii(1.5)])
    assert unsaid.slope == got.slope


def test_a_picture_of_the_crossover_itself_counts_as_a_ratio_of_nothing():
    one = [r for r in radii(1.5) if r.side == "positive"]
    spot = RadiusReading(2.5, 0.0, 0.1, None, "s0", True)
    got = fit_crossover([*one, spot])
    assert got.n == 4
    # Its σ of 0.1 in the ratio is 4 units: it hardly draws the line's 1.5 toward its own 2.5.
    assert 1.5 < got.focus < 1.55
    noise = 40 * np.array([0.01, 0.01, 0.01, 0.1])
    design = np.array([[1, 0.4], [1, 0.6], [1, 0.9], [1, 0.0]]) / noise[:, None]
    expected = np.linalg.lstsq(design, np.array([r.focus for r in [*one, spot]]) / noise, rcond=None)[0]
    assert got.focus == pytest.approx(expected[0], abs=0.02)


@pytest.mark.parametrize(
    ("ratios", "told"),
    [
        ((0.24, 0.6, 0.9), False),  # near the waist the line bends
        ((0.26, 0.6, 0.9), True),
        ((0.4, 1.0, 1.59), True),
        ((0.4, 1.0, 1.61), False),  # the beam's edge is hidden
        ((0.50, 0.55, 0.59), False),  # too near each other
        ((0.50, 0.55, 0.61), True),
    ],
)
def test_radii_tell_within_their_limits(ratios, told):
    got = fit_crossover([r for r in radii(1.5, ratios=ratios) if r.side == "positive"])
    assert (got is not None) is told


def test_sessions_wander_each_by_its_own_step():
    """Four sessions of exact readings, 1σ 0.3 units: each session's own crossover is followed, and a new one doubted."""
    at = (1.0, 2.0, 3.0, 2.0)
    got = fit_crossover(radii(*at, sigma=0.003))
    assert got.focus == pytest.approx(2.0, abs=0.05)
    assert 0.4 < got.wander < 1.5
    for i, true in enumerate(at):
        value, sigma = got.by_session[f"s{i}"]
        assert value == pytest.approx(true, abs=0.15)
        assert sigma < 0.5
    # The mean of four steps is known to half of their wander.
    assert got.sigma == pytest.approx(got.wander / 2, rel=0.15)
    assert got.wanders[0] < got.wander < got.wanders[-1]
    assert list(got.wanders) == sorted(got.wanders)
    assert got.wanders[-1] < 4.0
    assert len(fit_crossover(radii(1.0, 2.0)).wanders) == 4
    # Sessions that agree tell a small wander.
    assert fit_crossover(radii(2.0, 2.0, 2.0, 2.0)).wander < 0.1


def test_radii_that_scatter_beyond_their_doubt_enlarge_it():
    """Five radii of one side, off the line at right angles to it by Σe² = 0.9 units²: of variance 0.9 / 3 each."""
    ratios = np.array([0.4, 0.6, 0.8, 1.0, 1.2])
    off = 0.3 * np.array([1, -2, 0, 2, -1])
    told = [
        RadiusReading(float(f), float(r), 1e-4, "positive", "s")
        for f, r in zip(1.5 + 40 * ratios + off, ratios, strict=True)
    ]
    got = fit_crossover(told)
    assert got.focus == pytest.approx(1.5, abs=1e-6)
    design = np.stack([np.ones(5), ratios], axis=1)
    sigma = sqrt(0.9 / 3 * np.linalg.inv(design.T @ design)[0, 0])
    assert got.sigma == pytest.approx(sigma, rel=0.35)  # to the step of the grid that is searched
    assert fit_crossover([replace(r, side=None) for r in told]).sigma == pytest.approx(got.sigma)


# --- fitting ----------------------------------------------------------------------------------------------------------
def pair(focus, current, *, side=None, session="s", sigma=0.02, at=None, source="", state=STATE):
    return Pair(focus, current, current, sigma, side, state, session, at, True, None, source)


def fit(pairs, radii_=(), **more):
    return fit_current(pairs, radii_, rng=np.random.default_rng(0), **more)


FALLING = [(20.0, 400.0), (30.0, 250.0), (40.0, 150.0), (55.0, 90.0)]


def test_pairs_that_cannot_be_used_are_set_aside_with_the_reason():
    good = [pair(f, c) for f, c in FALLING]
    wrong = [
        pair(30.0, 900.0, side="negative", source="w"),
        pair(-20.0, 900.0, source="n1"),
        pair(-30.0, 500.0, source="n2"),
    ]
    got = fit([*good, *wrong])
    assert [(a.source, a.why) for a in got.aside] == [
        ("w", "its stated side does not fit the sign of its focus reading"),
        ("n1", "fewer than three pairs at two foci on the negative side"),
        ("n2", "fewer than three pairs at two foci on the negative side"),
    ]
    assert got.pairs == tuple(good)
    assert got.curves["positive"].n_pairs == 4
    assert got.curves["positive"].n_sessions == 1
    assert got.curves["positive"].reach == pytest.approx((20.0, 55.0))
    assert (got.state, got.today, got.rising) == (STATE, None, ())
    assert fit(good, today="s").today == "s"
    assert fit(good, today="other").today is None
    both = fit([*[pair(-f, 5 * c) for f, c in FALLING], *good])
    assert list(both.curves) == ["positive", "negative"]
    same = [pair(-20.0, c) for c in (900.0, 910.0, 905.0)]  # three pairs, one focus
    assert set(fit([*good, *same]).curves) == {"positive"}


def test_near_the_crossover_only_a_stated_side_counts():
    """Crossover 1.5 ± 0.1 or so without wander: a pair within twice that has no side of its own."""
    told = radii(1.5, sigma=0.01)
    doubt = fit_crossover(told).sigma
    good = [pair(f, c) for f, c in FALLING]
    for off, side, kept in (
        (1.9, None, False),
        (2.1, None, True),
        (1.9, "positive", True),
        (-1.9, "positive", True),
        (-2.1, "positive", False),
    ):
        got = fit([*good, pair(1.5 + off * doubt, 500.0, side=side, source="near")], told)
        assert (len(got.pairs) == 5) is kept
        if side is None and not kept:
            assert [(a.source, a.why) for a in got.aside] == [("near", "too near the crossover to tell its side")]


def test_where_the_crossover_wanders_more_pairs_are_too_near_it():
    told = radii(1.0, 2.0, 3.0, 2.0, sigma=0.003)
    crossover = fit_crossover(told)
    near = 2 * (crossover.sigma + crossover.wander)
    good = [pair(f, c) for f, c in FALLING]
    for off, kept in ((0.95 * near, False), (1.05 * near, True)):
        got = fit([*good, pair(crossover.focus + off, 500.0, session="new")], told)
        assert (len(got.pairs) == 5) is kept
    # Without any picture of it reading 0 is taken, and a pair there is one of the positive side.
    assert len(fit([*good, pair(0.0, 600.0)]).pairs) == 5


def test_sessions_are_judged_together_before_a_side_is_called_rising():
    """100, 110, 121 pA: residuals of one session ±0.0953 in ln I; of a doubt of 3.5 % that is χ² = 14.8 of three pairs."""
    up, down = [(20.0, 100.0), (30.0, 110.0), (40.0, 121.0)], [(20.0, 121.0), (30.0, 110.0), (40.0, 100.0)]
    for sessions, rising in (((up, up), True), ((up, down), False)):
        pairs = [pair(f, c, session=f"s{k}", sigma=0.035) for k, s in enumerate(sessions) for f, c in s]
        assert fit(pairs).rising == (("positive",) if rising else ())
    # A doubtful reading between two sure ones is weighed by its doubt.
    middle = [pair(20.0, 100.0, sigma=0.005), pair(30.0, 130.0, sigma=0.2), pair(40.0, 99.0, sigma=0.005)]
    assert fit(middle).rising == ()


@pytest.mark.parametrize(
    ("pairs", "said"),
    [
        (
            [pair(20.0, 400.0), pair(30.0, 250.0), pair(40.0, 150.0, state=GunState())],
            "pairs of several states never share a curve: fit each state alone",
        ),
        (
            [pair(20.0, 400.0), pair(30.0, 250.0)],
            "no side has three currents at two different foci; note the current at a few more readings of the focus",
        ),
    ],
)
def test_a_fit_refuses_in_whole_sentences(pairs, said):
    with pytest.raises(ValueError, match=f"^{said}$"):
        fit(pairs)


@pytest.mark.parametrize(
    ("currents", "rising"),
    [
        ((100.0, 103.0, 106.0), False),  # within 4 %
        ((100.0, 110.0, 121.0), True),
        ((100.0, 90.0, 80.0), False),
        ((100.0, 90.0, 97.0), False),  # one of three against the others
    ],
)
def test_a_side_rises_beyond_doubt_and_four_percent(currents, rising):
    pairs = [pair(f, c, sigma=0.005) for f, c in zip((20.0, 30.0, 40.0), currents, strict=True)]
    assert fit(pairs).rising == (("positive",) if rising else ())
    if rising:
        # By the pairs' own doubt, session by session: emission that rose between two sessions is none.
        assert fit([replace(p, log_sigma=0.1) for p in pairs]).rising == ()
        apart = [replace(p, session=f"s{i}") for i, p in enumerate(pairs)]
        assert fit(apart).rising == ()
        twice = [*pairs, *[replace(p, session="t") for p in pairs]]
        assert fit(twice).rising == ("positive",)


@pytest.mark.parametrize(
    ("factor", "told"),
    [(10.0, "(a digit too many or too few?)"), (0.1, "(a digit too many or too few?)"), (4.0, "tell")],
)
def test_a_pair_far_off_is_set_aside_with_its_factor(factor, told):
    true = [pair(f, 600.0 * exp(-f / 25)) for f in (15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)]
    wrong = [replace(p, centered_pa=p.centered_pa * factor, source="odd") if i == 4 else p for i, p in enumerate(true)]
    got = fit(wrong)
    (aside,) = got.aside
    assert aside.source == "odd"
    assert aside.why.startswith("its current is ")
    assert aside.why.endswith(told)
    assert float(aside.why.split()[3]) == pytest.approx(factor, rel=0.15)
    assert "times what the other pairs tell" in aside.why
    # With fewer than six pairs nobody can be called odd; a factor of 1.4 is no typing error.
    assert fit(wrong[2:7]).aside == ()
    near = [replace(p, centered_pa=p.centered_pa * 1.4) if i == 4 else p for i, p in enumerate(true)]
    assert fit(near).aside == ()
    # A fifth of the pairs may be odd: two of eleven.
    more = [*wrong, pair(55.0, 600.0 * exp(-55 / 25)), pair(60.0, 600.0 * exp(-60 / 25)), pair(33.0, 6e3, source="two")]
    assert {a.source for a in fit(more).aside} == {"odd", "two"}


def test_states_with_most_pairs_come_first():
    other = replace(STATE, kv=80.0)
    got = by_state([pair(20.0, 1.0, state=other), pair(20.0, 2.0), pair(30.0, 3.0)])
    assert [(s, [p.current_pa for p in pairs]) for s, pairs in got.items()] == [(STATE, [2.0, 3.0]), (other, [1.0])]
    even = by_state([pair(20.0, 1.0), pair(20.0, 1.0, state=other)])
    assert [s.kv for s in even] == [200.0, 80.0]  # by their labels


def test_repeats_at_nearly_the_same_focus_go_first():
    """A tenth of the distance from crossover is nearly the same; side and session are not."""
    at = [T0 + timedelta(minutes=k) for k in range(9)]
    near = [pair(30.0, 1.0, at=at[0]), pair(30.4, 2.0, at=at[1]), pair(45.0, 3.0, at=at[2]), pair(-30.0, 4.0, at=at[3])]
    other = pair(30.0, 5.0, at=at[4], session="t")
    kept = thinned([*near, other], 0.0, most=4)
    assert [p.current_pa for p in kept] == [2.0, 3.0, 4.0, 5.0]  # of two alike the newest stays, in the order given
    assert [p.current_pa for p in thinned([*near, other], 0.0, today="s", most=4)] == [2.0, 3.0, 4.0, 5.0]
    assert [p.current_pa for p in thinned([*near, other], 0.0, most=2)] == [4.0, 5.0]
    undated = [replace(p, at=None) for p in near]
    assert [p.current_pa for p in thinned([*undated, other], 0.0, most=3)] == [3.0, 4.0, 5.0]
    assert thinned(near, 0.0, most=4) == near
    # By their dates, whatever their order; within a thousandth of the crossover all is one place.
    backward = [replace(p, at=T0 - timedelta(days=k)) for k, p in enumerate([*near, other])]
    assert [p.current_pa for p in thinned(backward, 0.0, most=3)] == [1.0, 3.0, 4.0]
    # 4.3 and 4.5 are two places from a crossover at 3, where both stay; from −3 they would be one.
    apart = [pair(f, f, at=at[k]) for k, f in enumerate((60.0, 4.3, 4.5))]
    assert [p.focus for p in thinned(apart, 3.0, most=2)] == [4.3, 4.5]
    assert [p.focus for p in thinned(apart, -3.0, most=2)] == [60.0, 4.5]
    close = [pair(f, c, at=at[k]) for k, (f, c) in enumerate(((0.9, 1.0), (0.1, 2.0), (0.0, 3.0)))]
    assert [p.current_pa for p in thinned(close, 0.0, most=2)] == [2.0, 3.0]


def test_of_a_long_log_todays_pairs_all_stay():
    """121 pairs at other foci each, and two of today at one focus, dated before them all: 120 enter the fit."""
    dated = [pair(15.0 * 1.02**k, 600.0 * 1.02**-k, at=T0 + timedelta(hours=k)) for k in range(121)]
    today = [pair(40.0, c, session="now", at=T0 - timedelta(days=1)) for c in (230.0, 231.0)]
    for name, kept in (("now", 2), (None, 1)):  # two at one focus tell the curve once
        got = fit([*dated, *today], today=name)
        assert len(got.pairs) == 120
        assert sum(p.session == "now" for p in got.pairs) == kept
