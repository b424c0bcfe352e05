"""Decisions exactly at their limits, and formulas against a second writing of them: what a slip of one sign would change."""

from dataclasses import replace
from math import asin, degrees, pi

import numpy as np
import pytest

from apertrue.advice import Context
from apertrue.advise.budget import rim_scale
from apertrue.advise.decide import Plan, decide
from apertrue.advise.limits import bars, current_down
from apertrue.advise.plans import direction_doubt
from apertrue.assess.current import currents
from apertrue.assess.geometry import gap, length_and_direction, steps_for
from apertrue.assessment import Assessment
from apertrue.instrument import Costs, Limits
from apertrue.model.edges import distance
from apertrue.model.forward import DECAYS, Basis, Points, evaluate, evaluate_with_jacobian
from apertrue.model.normal import cdf_pdf
from apertrue.registry import SceneKind, Verdict
from apertrue.scene import BeamProfile, Edge, Scene

LIMITS = Limits()
SCENE = Scene(SceneKind.BOTH_EDGES, 1.0, (9, 9), aperture=Edge(4, 4, 3), beam=Edge(4, 4, 2))


def measured(**changed: float | None) -> Assessment:
    """Well inside every limit, with no doubt."""
    values = {
        "aperture_radius_px": 100.0, "beam_radius_px": 80.0, "offset_percent": 3.0, "offset_percent_sigma": 0.01,
        "offset_direction_deg": 10.0, "offset_direction_deg_sigma": 0.2, "gap_percent": 17.0, "gap_percent_sigma": 0.01,
        "clipped_fraction": 0.0, "clipped_fraction_sigma": 0.0, "score": 100.0, "score_sigma": 0.01,
        "working_score": 98.0, "working_score_sigma": 0.01,
    }  # fmt: skip
    return Assessment(**{**values, **changed})


def barred(assessment: Assessment, **context: object) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    found = bars(assessment, SCENE, LIMITS, Context(age_min=1.0, **context), 60.0)
    return found.leave, found.nudge, found.auto


def test_nothing_bars_a_centered_beam() -> None:
    assert barred(measured()) == ((), (), ())


@pytest.mark.parametrize(
    ("name", "edge", "reason", "step"),
    [
        ("offset_percent", LIMITS.offset_leave, "offset-over-leave", 1e-6),
        ("working_score", LIMITS.score_leave, "score-under-leave", -1e-6),
    ],
)
def test_a_limit_itself_is_within(name: str, edge: float, reason: str, step: float) -> None:
    """``leave`` up to 5 % and from 97: the limit belongs to it. An interval that holds the limit is said apart."""
    at = barred(measured(**{name: edge}))[0]
    assert reason not in at
    assert "straddles-limit" in at
    assert reason in barred(measured(**{name: edge + step}))[0]


@pytest.mark.parametrize(
    ("name", "edge", "reason", "inward"),
    [
        ("offset_percent", LIMITS.offset_nudge, "offset-over-nudge", -1.0),
        ("working_score", LIMITS.score_nudge, "score-under-nudge", 1.0),
    ],
)
def test_limits_of_the_nudge(name: str, edge: float, reason: str, inward: float) -> None:
    assert reason not in barred(measured(**{name: edge}))[1]
    assert reason in barred(measured(**{name: edge - 1e-6 * inward}))[1]
    # Half its distance from the limit is its σ: the limit lies at 2σ, just inside the interval, then just outside.
    for sigma, straddles in ((0.5001, True), (0.4999, False)):
        leave = barred(measured(**{name: edge + inward, f"{name}_sigma": sigma}))[0]
        assert ("straddles-limit" in leave) == straddles


def test_the_gap_counts_for_beams_of_its_range_only() -> None:
    for radius, counts in ((84.9, False), (85.0, True), (94.5, True), (95.0, True), (95.1, False)):
        assert ("gap-under-limit" in barred(measured(gap_percent=2.9, beam_radius_px=radius))[0]) == counts
    assert "gap-under-limit" not in barred(measured(gap_percent=3.0, beam_radius_px=90.0))[0]


def test_half_cut_at_the_half() -> None:
    assert "half-cut" in barred(measured(clipped_fraction=0.5))[1]
    assert "half-cut" not in barred(measured(clipped_fraction=0.4999))[1]
    assert "straddles-limit" in barred(measured(clipped_fraction=0.4, clipped_fraction_sigma=0.0501))[0]
    assert "straddles-limit" not in barred(measured(clipped_fraction=0.4, clipped_fraction_sigma=0.0499))[0]


def test_forecast_and_failures_count_from_their_limit_on() -> None:
    assert "crosses-within-work" not in barred(measured(), minutes_to_limit=(60.0, 70.0, 80.0))[0]
    assert "crosses-within-work" in barred(measured(), minutes_to_limit=(50.0, 59.9, 80.0))[0]
    assert barred(measured(), nudges_failed=1)[1] == ()
    assert barred(measured(), nudges_failed=2)[1] == ("nudges-failed",)
    assert barred(measured(), hangs_today=1)[2] == ()
    assert barred(measured(), hangs_today=2)[2] == ("no-auto-hung-twice",)


def test_current_is_down_beyond_three_sigma_of_what_clipping_leaves() -> None:
    context = Context(current_expected_pa=(100.0, 2.0))
    for score, current, down in ((50.0, 44.0, False), (50.0, 43.9, True), (100.0, 94.0, False), (100.0, 93.9, True)):
        assert current_down(measured(score=score, current_pa=current), LIMITS, context) == down
    without = measured(score=None, current_pa=90.0)
    assert current_down(without, LIMITS, context)
    assert not current_down(replace(without, offset_percent=5.1), LIMITS, context)
    assert current_down(replace(without, offset_percent=5.0), LIMITS, context)


def test_doubt_of_a_direction_is_a_chord() -> None:
    for sigma in (1.0, 60.0, 90.0, 180.0, 500.0):
        doubt = direction_doubt(measured(offset_direction_deg_sigma=sigma))
        assert degrees(2 * asin(doubt / 2)) == pytest.approx(min(sigma, 180.0), rel=1e-9)
    assert direction_doubt(measured(offset_direction_deg=None)) == pytest.approx(4 / pi)


def test_light_at_the_rim_counts_within_a_factor_of_four() -> None:
    assert rim_scale((-6.0, 7.5), 1.0) == 4.0  # 2.5 at the rim, 0.5 in the mean
    assert rim_scale((-1.0,), 1.0) == 0.25
    assert rim_scale((-3.0,), 1.0) == 1.0  # no light at all in the mean: no profile
    # A beam wider than the aperture is cut where ρ² = 1/ratio²: light and mean there by hand.
    assert rim_scale((0.5,), 2.0) == pytest.approx((1 + 0.5 / 4) / (1 + 0.5 / 8))


def test_no_way_at_all_is_a_fault_of_the_caller() -> None:
    plans = [Plan(v, 0.1, barred_by=("x",)) for v in (Verdict.LEAVE, Verdict.AUTO)]
    with pytest.raises(ValueError, match=r"^every option is barred and none of them is a nudge$"):
        decide(plans, Costs())


def test_a_direction_needs_two_sigma_along_and_across() -> None:
    for across, known in ((0.49, True), (0.51, False)):
        assert (length_and_direction(1.0, 0.0, np.diag([0.01, across**2]))[1] is not None) == known
        assert (length_and_direction(1.0, 0.0, np.diag([across**2, 0.01]))[1] is not None) == known


def test_gap_of_ellipses_against_very_many_points() -> None:
    rng = np.random.default_rng(5)
    for _ in range(12):
        a = Edge(50, 45, 40, *rng.normal(0, 0.05, 2))
        b = Edge(50 + rng.normal(0, 4), 45 + rng.normal(0, 4), 33, *rng.normal(0, 0.05, 2))
        points = (b.outline(200_000) - (a.x, a.y)) @ a.to_round().T / a.radius
        p = np.array([v for e in (a, b) for v in (e.x, e.y, e.radius, e.e1, e.e2, e.width)])
        # The parabola through points 2° apart leaves the fourth power of half that angle.
        assert gap(p) == pytest.approx(1 - np.hypot(*points.T).max(), abs=5e-6)


def test_steps_follow_the_size_of_each_edge() -> None:
    p = np.array([1, 2, 300.0, 0, 0, 3, 4, 5, 20.0, 0, 0, 6])
    expected = [0.03, 0.03, 0.03, 1e-5, 1e-5, 0.03, 0.002, 0.002, 0.002, 1e-5, 1e-5, 0.002]
    np.testing.assert_allclose(steps_for(p), expected, rtol=1e-12)


def test_light_that_a_slope_turns_dark_gives_no_shares() -> None:
    p = np.array([50.0, 50, 40, 0, 0, 1, 52, 50, 36, 0, 0, 1])
    assert currents(p, BeamProfile(100.0, (-0.4,), 0.3, 0.2), np.zeros((16, 16)), 1.0).score is not None
    assert currents(p, BeamProfile(100.0, (-0.4,), 0.5, 0.4), np.zeros((16, 16)), 1.0).score is None


def test_distance_at_the_very_center_is_the_radius() -> None:
    at = distance(np.array([10.0, 10.4]), np.array([7.0, 7.0]), np.array([10.0, 7.0, 5.0, 0.0, 0.0, 1.0]))
    np.testing.assert_allclose(at, [5.0, 4.6], rtol=1e-12)


def test_terms_of_background_halo_and_beam_by_hand() -> None:
    basis = Basis((50.0, 40.0, 30.0), (53.0, 41.0, 22.0, 0.0, 0.0), background=2, halo=3, radial=2, decays=2)
    x, y = np.random.default_rng(2).uniform(0, 100, (2, 60))
    background, halo, beam = basis.polynomials(x, y)
    u, v = (x - 50) / 30, (y - 40) / 30
    np.testing.assert_allclose(background, [u**0, u, v, u * u, u * v, v * v], atol=1e-12)
    cubic = [u**3, u * u * v, u * v * v, v**3, (u * u + v * v) ** 2]
    around = [1 / (1 + k * np.maximum((x - 53) ** 2 + (y - 41) ** 2, 22**2) / 900) for k in DECAYS]
    np.testing.assert_allclose(halo, [u**0, u, v, u * u, u * v, v * v, *cubic, *around], atol=1e-12)
    xi, eta = (x - 53) / 22, (y - 41) / 22
    rho2 = xi**2 + eta**2
    np.testing.assert_allclose(beam, [u**0, rho2, rho2**2, xi, eta], atol=1e-12)


def test_the_meeting_of_two_edges_by_hand() -> None:
    basis = Basis((50.0, 40.0, 30.0), (58.0, 43.0, 24.0, 0.0, 0.0), 0, 0, 0, tilt=False, meeting=True)
    aperture, beam = np.array([50.0, 40, 30, 0, 0, 1.5]), np.array([58.0, 43, 24, 0, 0, 2.5])
    x, y = np.random.default_rng(3).uniform(15, 90, (2, 400))
    linear = np.array([7.0, 20.0, 300.0, 55.0])
    a, b = np.hypot(x - 50, y - 40), np.hypot(x - 58, y - 43)
    cosine = ((x - 50) * (x - 58) + (y - 40) * (y - 43)) / (a * b)
    (phi_a, d_a), (phi_b, d_b) = cdf_pdf((30 - a) / 1.5), cdf_pdf((24 - b) / 2.5)
    expected = 7 + phi_a * (20 + 300 * phi_b) + 55 * cosine * d_a / 1.5 * d_b / 2.5
    np.testing.assert_allclose(evaluate(basis, Points.at(x, y), aperture, beam, linear), expected, rtol=1e-10)
    picture, jacobian = evaluate_with_jacobian(basis, Points.at(x, y), aperture, beam, linear)
    np.testing.assert_allclose(picture, expected, rtol=1e-10)
    np.testing.assert_allclose(jacobian[-1], cosine * d_a / 1.5 * d_b / 2.5, atol=1e-12)


def test_no_length_has_the_mean_doubt_of_both_axes() -> None:
    assert length_and_direction(0.0, 0.0, np.diag([0.09, 0.07])) == ((0.0, pytest.approx(0.08**0.5)), None)


def test_half_a_minute_is_an_observation() -> None:
    from apertrue.advise.history import NUDGE_WEIGHT, learned_costs

    costs = Costs(nudge_min=1.0)
    learned = learned_costs(costs, [], [0.5, 0.0, -1.0, float("inf")]).nudge_min
    assert learned == pytest.approx((NUDGE_WEIGHT * 1.0 + 0.5) / (NUDGE_WEIGHT + 1))


def test_an_offset_without_doubt_leaves_what_a_hand_leaves() -> None:
    from apertrue.advise.plans import hand

    without = hand(measured(offset_percent_sigma=None), None)
    assert without == hand(measured(offset_percent_sigma=0.0), None)
    assert without == pytest.approx(hand(measured(offset_percent_sigma=1e-6), None), rel=1e-6)


def test_no_observed_time_leaves_the_assumed_one() -> None:
    from apertrue.advise.history import _log_normal

    assert _log_normal(1.5, []) == 1.5
    assert _log_normal(0.0, [2.0]) == 0.0
    assert 1.5 < _log_normal(1.5, [20.0]) < 20.0


def test_the_routines_usual_place_is_judged_by_the_scatter_that_is_assumed() -> None:
    from dataclasses import replace as changed

    from apertrue.advise.budget import ASSUMED
    from apertrue.advise.plans import at_routine_center

    off = measured(
        offset_percent=6.0, offset_x_percent=6.0, offset_x_percent_sigma=0.01,
        offset_y_percent=0.0, offset_y_percent_sigma=0.01,
    )  # fmt: skip
    context = Context(learned_offset_percent=(3.0, 0.0))
    # 3 % from the usual place: inside the 95 % region (2.447σ of each axis) from a scatter of 3/2.447·√2 = 1.73 % on.
    for scatter, there in ((1.70, False), (1.77, True)):
        assumed = changed(ASSUMED, auto_residual_percent=float(np.hypot(3.0, scatter)), nudge_residual_percent=0.1)
        assert at_routine_center(off, context, assumed) == there


def test_a_picture_that_was_not_read_tells_its_file_and_why() -> None:
    from apertrue.assess.derive import unread

    told = {k: v for k, v in unread("a.tif", "it is empty").to_dict().items() if v not in (None, [])}
    assert told == {"schema_version": told["schema_version"], "file": "a.tif", "error": "it is empty"}


def test_each_move_by_hand_costs_its_minutes() -> None:
    plans = [Plan(Verdict.NUDGE, 0.0, moves=3.0), Plan(Verdict.LEAVE, 0.0)]
    nudge = next(o for o in decide(plans, Costs(nudge_min=2.0)).options if o.verdict is Verdict.NUDGE)
    assert nudge.terms["moves"] == pytest.approx(6.0)
    assert nudge.minutes == pytest.approx(6.0)


def test_the_share_cut_off_of_two_even_discs_is_their_lens() -> None:
    from apertrue.advise.limits import beam_ratio, clipped_share
    from apertrue.model.transmission import lens_area

    cut = measured(clipped_fraction=None, offset_percent=60.0, beam_radius_px=80.0)
    assert clipped_share(cut) == (pytest.approx(1 - lens_area(0.6, 0.8, 1.0) / (pi * 0.8**2), rel=1e-6), 0.0)
    assert beam_ratio(measured(beam_radius_px=None)) is None
    assert beam_ratio(measured(aperture_radius_px=None)) is None
    assert clipped_share(measured(clipped_fraction=None, beam_radius_px=None)) is None


def test_a_picture_is_stale_beyond_its_limit_only() -> None:
    for age, stale in ((LIMITS.stale_min, False), (LIMITS.stale_min + 1e-6, True)):
        found = bars(measured(), SCENE, LIMITS, Context(age_min=age), 60.0)
        assert ("picture-stale" in found.leave) == stale


def test_an_unknown_sign_is_a_known_direction_only_within_doubt() -> None:
    from apertrue.advise.limits import direction_known

    open_sign = replace(SCENE, sign_known=False)
    assert not direction_known(measured(), open_sign)
    assert direction_known(measured(offset_percent_sigma=2.0), open_sign)
    assert direction_known(measured(), SCENE)


def test_a_working_ratio_of_nothing_is_none() -> None:
    from apertrue.advise.plans import working_ratio
    from apertrue.instrument import Instrument

    assert working_ratio(measured(), Instrument(), Context(working_ratio=0.0)) == 1.0
    assert working_ratio(measured(), Instrument(), Context(working_ratio=0.6)) == 0.6


def test_what_the_routine_leaves_is_the_instrument_files_figure() -> None:
    from apertrue.advise.plans import plans
    from apertrue.instrument import Instrument

    lost = []
    for leaves in (0.5, 8.0):
        costs = replace(Costs(), auto_left_percent=leaves)
        found = plans(
            measured(),
            SCENE,
            Instrument(costs=costs),
            Context(),
            None,
            bars(measured(), SCENE, LIMITS, Context(), 60.0),
        )
        lost.append(next(p.lost for p in found if p.verdict is Verdict.AUTO))
    assert lost[1] > 2 * lost[0]


def test_gap_of_circles_with_one_center() -> None:
    assert gap(np.array([50.0, 40, 100, 0, 0, 1, 50, 40, 80, 0, 0, 1])) == pytest.approx(0.2, abs=1e-12)
