"""Curves of current against focus: truth, monotone, two sides, outliers, doubt, answers both ways."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.optimize import isotonic_regression

from apertrue.current.answers import covered_foci, current_at, focus_for, off_curve
from apertrue.current.curve import by_state, fit_current, thinned
from apertrue.current.pairs import GunState, Pair, pairs_from_records


@pytest.fixture(scope="module")
def instrument(truth):
    side = truth.TrueSide
    return truth.TrueInstrument(
        0.8, 0.3, 0.05, 0.01, {"positive": side(600.0, 1 / 30, 0.3, 1.0), "negative": side(9000.0, 1 / 22, -0.4, -1.0)}
    )


@pytest.fixture(scope="module")
def logged(instrument):
    return pairs_from_records(instrument.records(np.random.default_rng(5), 5, radii=True))


@pytest.fixture(scope="module")
def model(logged):
    return fit_current(logged.pairs, logged.radii, rng=np.random.default_rng(1))


def test_curves_fall_and_sit_on_the_truth(model, instrument):
    assert set(model.curves) == {"positive", "negative"}
    assert model.crossover.focus == pytest.approx(0.8, abs=4 * model.crossover.sigma + 0.3)
    for name, curve in model.curves.items():
        assert (np.diff(curve.log_current, axis=1) <= 1e-12).all()
        low, high = covered_foci(model, name)
        for focus in np.linspace(low, high, 7):
            answer = current_at(model, focus, name)
            true = instrument.sides[name].current(abs(focus - 0.8))
            assert answer.interval_95[0] < true < answer.interval_95[1]
            assert answer.current_pa == pytest.approx(true, rel=0.12)
            assert not answer.extrapolated


def test_projection_is_the_independent_librarys(model):
    """Each draw is monotone regression's fixed point."""
    for curve in model.curves.values():
        for row in curve.log_current[::300]:
            np.testing.assert_allclose(isotonic_regression(row, increasing=False).x, row, atol=1e-12)


def test_both_ways_agree(model):
    for name in model.curves:
        low, high = covered_foci(model, name)
        focus = low + 0.7 * (high - low) if name == "positive" else low + 0.3 * (high - low)
        back = focus_for(model, current_at(model, focus, name).current_pa, name)
        assert back.focus == pytest.approx(focus, abs=0.25 * back.sigma)
        assert back.interval_95[0] < back.interval_68[0] < back.focus < back.interval_68[1] < back.interval_95[1]
        assert back.probability > 0.95


def test_the_sides_never_share_a_curve(logged, model):
    """All currents of one side ten times as large: the other side's curve does not follow."""
    changed = [replace(p, centered_pa=p.centered_pa * (10 if p.side == "negative" else 1)) for p in logged.pairs]
    other = fit_current(changed, logged.radii, rng=np.random.default_rng(1))
    for focus in (15, 30, 45):
        assert current_at(other, focus, "positive").current_pa == pytest.approx(
            current_at(model, focus, "positive").current_pa, rel=0.01
        )
    factor = current_at(other, -20, "negative").current_pa / current_at(model, -20, "negative").current_pa
    assert factor == pytest.approx(10, rel=0.02)


def test_a_side_without_pairs_is_not_guessed(logged):
    only = fit_current([p for p in logged.pairs if p.side == "positive"], rng=np.random.default_rng(0))
    assert current_at(only, -30).current_pa is None
    answer = focus_for(only, 200, "negative")
    assert answer.focus is None
    assert "The other side says nothing" in answer.sentences[0]
    assert not only.crossover.measured
    assert any("reading 0 is taken" in s for s in focus_for(only, 200, "positive").sentences)


def test_extrapolation_and_out_of_reach(model):
    low, high = covered_foci(model, "positive")
    beyond = current_at(model, high + 0.2 * (high - low), "positive")
    assert beyond.extrapolated
    assert "Extrapolated" in beyond.sentences[0]
    assert current_at(model, high * 10, "positive").current_pa is None
    inside, outside = current_at(model, high, "positive"), beyond
    relative = [a.sigma_pa / a.current_pa for a in (inside, outside)]
    assert relative[1] > relative[0]  # doubt grows
    much = focus_for(model, 1e6, "positive")
    assert much.focus is None
    assert "more than the curve gives" in much.sentences[0]
    little = focus_for(model, 1e-3, "positive")
    assert little.focus is None
    assert "less than the curve reaches" in little.sentences[0]


def test_a_digit_too_many_is_set_aside(logged):
    k = 7
    wrong = [
        replace(p, centered_pa=p.centered_pa * 10, source="line 8") if i == k else p for i, p in enumerate(logged.pairs)
    ]
    found = fit_current(wrong, logged.radii, rng=np.random.default_rng(1))
    assert [a.source for a in found.aside] == ["line 8"]
    assert "digit too many" in found.aside[0].why
    assert len(found.pairs) == len(wrong) - 1


def test_a_wrong_side_is_set_aside(logged):
    wrong = [replace(p, side="negative", source="line 3") if i == 0 else p for i, p in enumerate(logged.pairs)]
    found = fit_current(wrong, logged.radii, rng=np.random.default_rng(1))
    assert any(a.source == "line 3" and "does not fit the sign" in a.why for a in found.aside)


def test_rising_readings_are_named(logged, model):
    assert model.rising == ()
    wrong = [
        {"gun_focus": f, "current_pa": c, "score": 100.0, "score_sigma": 0.2}
        for f, c in ((20, 18.0), (40, 24.0), (50, 30.0), (60, 36.0))
    ]
    found = fit_current(pairs_from_records(wrong).pairs, rng=np.random.default_rng(0))
    assert found.rising == ("positive",)
    assert dict(found.curves) == {}
    at, focus = current_at(found, 40, "positive"), focus_for(found, 25, "positive")
    assert (at.current_pa, focus.focus, focus.current_range_pa) == (None, None, None)
    for said in (at.sentences, focus.sentences):
        assert "rise away from crossover" in said[0]
        assert "Check the signs" in said[0]


def test_a_rising_side_leaves_the_other_alone(logged, model):
    """Readings that no beam gives on one side must not shape the curve of the other."""
    state = logged.pairs[0].state
    wrong = [
        Pair(f, c, c, 0.01, "negative", state, "s", None, True) for f, c in ((-20, 18.0), (-40, 24.0), (-50, 36.0))
    ]
    right = [p for p in logged.pairs if p.side == "positive" or p.focus > 10]
    both = fit_current([*right, *wrong], logged.radii, rng=np.random.default_rng(1))
    alone = fit_current(right, logged.radii, rng=np.random.default_rng(1))
    assert both.rising == ("negative",)
    assert set(both.curves) == {"positive"}
    a, b = (current_at(m, 40.0, "positive").current_pa for m in (both, alone))
    assert a == pytest.approx(b, rel=1e-9)


def test_todays_readings_narrow_the_answer(instrument, logged):
    """A session with 15 % more emission: unknown it widens, with two readings it is followed."""
    side = instrument.sides["positive"]
    gain = np.log(1.15)
    state = logged.pairs[0].state
    today = [
        Pair(f, c := side.current(f - 0.8, gain), c, 0.01, "positive", state, "today", None, True) for f in (24.0, 33.0)
    ]
    known = fit_current([*logged.pairs, *today], logged.radii, today="today", rng=np.random.default_rng(1))
    new = fit_current([*logged.pairs, *today], logged.radii, rng=np.random.default_rng(1))
    a, b = current_at(known, 42.0, "positive"), current_at(new, 42.0, "positive")
    true = side.current(42.0 - 0.8, gain)
    assert known.today == "today"
    assert a.sigma_pa < 0.6 * b.sigma_pa
    assert a.interval_95[0] < true < a.interval_95[1]
    assert any("one reading today narrows it" in s for s in b.sentences)


@pytest.mark.parametrize(("factor", "unusual"), [(1.0, False), (0.6, True), (1.9, True)])
def test_today_off_the_curve(model, instrument, factor, unusual):
    side = instrument.sides["positive"]
    pairs = [
        Pair(f, c := factor * side.current(f - 0.8), c, 0.01, "positive", model.state, "today", None, True)
        for f in (20.0, 30.0, 40.0)
    ]
    found = off_curve(model, pairs)
    assert found.unusual is unusual
    assert found.factor == pytest.approx(factor, rel=0.1)
    assert found.n == 3
    assert ("Emission" in found.sentences[0]) is unusual


def test_today_is_not_compared_with_itself(logged):
    last = logged.pairs[-1].session
    known = fit_current(logged.pairs, logged.radii, today=last, rng=np.random.default_rng(1))
    with pytest.raises(ValueError, match="itself"):
        off_curve(known, logged.pairs[-2:])


def test_deterministic(logged, model):
    again = fit_current(logged.pairs, logged.radii, rng=np.random.default_rng(1))
    assert focus_for(again, 200, "positive") == focus_for(model, 200, "positive")


def test_states_are_kept_apart(logged):
    other = [replace(p, state=replace(p.state, aperture_um=50.0)) for p in logged.pairs[:9]]
    states = by_state([*other, *logged.pairs])
    assert [s.aperture_um for s in states] == [70.0, 50.0]
    with pytest.raises(ValueError, match="each state alone"):
        fit_current([*other, *logged.pairs], rng=np.random.default_rng(0))


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few(logged, n):
    with pytest.raises(ValueError, match="three currents at two different foci"):
        fit_current(logged.pairs[:n], rng=np.random.default_rng(0))


def test_refused_questions(model):
    with pytest.raises(ValueError, match="positive"):
        focus_for(model, 0.0, "positive")


def test_coverage(truth):
    """Reduced: 30 instruments, one question each; the benchmark asks 500 with and without pictures of the crossover.

    99.9 % binomial band of the hits; more hits than promised is no false promise, so that only too few fail.
    """
    from scipy.stats import binom

    hits = np.zeros(4, dtype=int)
    n = 30
    for seed in range(n):
        rng = np.random.default_rng([9, seed])
        instrument = truth.TrueInstrument.drawn(rng)
        found = pairs_from_records(instrument.records(rng, int(rng.integers(1, 4)), radii=seed % 2 == 0, most=4))
        fitted = fit_current(found.pairs, found.radii, rng=rng)
        crossover, gain = instrument.session(rng)
        name = str(rng.choice(list(fitted.curves)))
        distance = rng.uniform(*fitted.curves[name].reach)
        side = instrument.sides[name]
        focus, true = crossover + side.sign * distance, side.current(distance, gain)
        a, b = current_at(fitted, focus, name), focus_for(fitted, true, name)
        hits[:2] += [a.interval_68[0] <= true <= a.interval_68[1], a.interval_95[0] <= true <= a.interval_95[1]]
        if b.focus is None:
            hits[2:] += 1  # "I can't tell" is no false number
        else:
            hits[2:] += [b.interval_68[0] <= focus <= b.interval_68[1], b.interval_95[0] <= focus <= b.interval_95[1]]
    for k, share in zip(hits, (0.6827, 0.95, 0.6827, 0.95), strict=True):
        assert k >= binom.interval(0.999, n, share)[0], hits


def test_long_logs_are_thinned_where_readings_repeat():
    """First go repeats at the same focus in a session, then the oldest; today's all stay."""
    at = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
    pairs = [
        Pair(
            30.0 + 10 * k, 500.0, 500.0, 0.02, None, GunState(), f"s{s:02d}", at + timedelta(days=s, minutes=k + 9 * r)
        )
        for s in range(20)
        for k in range(3)
        for r in range(2)
    ]
    kept = thinned(pairs, 0.0, None, most=60)
    assert len(kept) == 60
    assert len({(p.session, p.focus) for p in kept}) == 60
    assert {p.session for p in thinned(pairs, 0.0, None, most=30)} == {f"s{s:02d}" for s in range(10, 20)}
    today = thinned(pairs, 0.0, "s03", most=63)
    assert sum(p.session == "s03" for p in today) == 6
    assert thinned(pairs, 0.0) == pairs
