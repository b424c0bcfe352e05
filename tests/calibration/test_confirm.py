"""The daily confirmation: agreement, and what changed when there is none."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from apertrue.calibration import Calibration, Point, confirm, confirmed
from apertrue.errors import CalibrationError

A = np.array([[3.0, -1.2], [1.0, 2.5]])


def calibration(relative=0.01):
    cov = np.eye(4) * (relative * 3.0) ** 2
    return Calibration(tuple(map(tuple, A.tolist())), tuple(map(tuple, cov.tolist())), step=0.1)


def points(rng, matrix=A, sigma=0.1, moves=((2.0, 0.0), (2.0, 2.0)), aperture_follows=0.0, radius=180.0):
    out = []
    for s in ((0.0, 0.0), *moves):
        o = np.array([1.0, -2.0]) + matrix @ s + rng.normal(0.0, sigma, 2)
        moved = A @ np.array(s) / 100.0 * radius * aperture_follows
        out.append(
            Point(
                *s,
                float(o[0]),
                float(o[1]),
                sigma,
                sigma,
                aperture_px=(250.0 + float(moved[0]), 260.0 + float(moved[1]), 0.05),
                radius_px=radius,
            )
        )
    return out


def turned(deg):
    t = np.radians(deg)  # counter-clockwise on the screen (y down)
    return np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]])


def test_honest_moves_agree_as_often_as_the_threshold_says():
    # 0.3 % false alarms: of 1000, 0–9 lie in the two-sided 99.9 % band of the binomial distribution.
    rng = np.random.default_rng(4)
    denied = 0
    for _ in range(1000):
        true = A + rng.normal(0.0, 0.03, (2, 2))
        denied += not confirm(calibration(), points(rng, true), wander=0.0).agrees
    assert denied <= 9


@pytest.mark.parametrize(
    ("matrix", "kind"),
    [
        (turned(90.0) @ A, "rotated"),
        (turned(-12.0) @ A, "rotated"),
        (A * 1.5, "rescaled"),
        (A * 0.7, "rescaled"),
        (np.diag([-1.0, 1.0]) @ A, "mirrored"),
    ],
)
def test_changed_view_is_caught_and_named(matrix, kind):
    got = confirm(calibration(), points(np.random.default_rng(1), matrix))
    assert not got.agrees
    assert got.kind == kind
    assert "calibrate anew" in " ".join(got.sentences)


def test_rotation_and_scale_are_measured_with_their_doubt():
    got = confirm(calibration(), points(np.random.default_rng(2), 1.2 * turned(30.0) @ A))
    assert got.rotation_deg == pytest.approx(30.0, abs=3 * got.rotation_sigma_deg)
    assert got.scale == pytest.approx(1.2, abs=3 * got.scale_sigma)
    assert 0 < got.rotation_sigma_deg < 3
    assert 0 < got.scale_sigma < 0.05


def test_frozen_picture_is_named():
    got = confirm(calibration(), points(np.random.default_rng(3), A * 0.0, sigma=0.05))
    assert (got.kind, got.agrees) == ("frozen", False)


def test_both_edges_moving_together_is_the_wrong_deflector():
    rng = np.random.default_rng(5)
    got = confirm(calibration(), points(rng, A * 0.0, aperture_follows=1.0))
    assert (got.kind, got.agrees) == ("wrong-deflector", False)
    # A shadow that follows a little is normal.
    assert confirm(calibration(), points(rng, A, aperture_follows=0.03)).kind == "agrees"


def test_moves_too_small_confirm_nothing():
    got = confirm(calibration(), points(np.random.default_rng(6), sigma=2.0, moves=((0.3, 0.0), (0.3, 0.3))))
    assert got.kind == "weak"


def test_one_axis_alone_does_not_confirm_the_day():
    when = datetime(2026, 3, 4, 8, 30, tzinfo=UTC)
    rng = np.random.default_rng(10)
    one = points(rng, sigma=0.05, moves=((2.0, 0.0),))
    got = confirm(calibration(), one)
    assert (got.kind, got.agrees) == ("one-axis", True)
    assert "Move the other axis" in got.sentences[0]
    # Twice along the same axis is no second axis, nor is a second move that drowns in the doubt.
    assert confirm(calibration(), points(rng, sigma=0.05, moves=((2.0, 0.0), (4.0, 0.0)))).kind == "one-axis"
    assert confirm(calibration(), points(rng, sigma=0.2, moves=((2.0, 0.0), (2.0, 0.1)))).kind == "one-axis"
    assert confirm(calibration(), points(rng, sigma=0.05, moves=((2.0, 0.0), (2.0, 2.0)))).kind == "agrees"
    # It sharpens, but the calibration stays undated.
    new = confirmed(calibration(), one, when)
    assert new.confirmed_at is None
    assert np.trace(new.cov) < np.trace(calibration().cov)


def test_one_contradicting_nudge_is_noticed():
    got = confirm(calibration(), points(np.random.default_rng(7), turned(180.0) @ A, moves=((2.0, 1.0),)))
    assert not got.agrees
    assert got.p_value < 1e-6


def test_confirmation_sharpens_and_dates_the_calibration():
    when = datetime(2026, 3, 4, 8, 30, tzinfo=UTC)
    old = calibration(relative=0.05)
    new = confirmed(old, points(np.random.default_rng(8), sigma=0.05), when)
    assert new.confirmed_at == when
    assert np.trace(new.cov) < np.trace(old.cov)
    assert new.a == pytest.approx(A, abs=0.2)
    with pytest.raises(CalibrationError, match="rotated"):
        confirmed(old, points(np.random.default_rng(8), turned(90.0) @ A), when)


def test_what_cannot_be_tested_is_refused():
    p = points(np.random.default_rng(9))
    with pytest.raises(CalibrationError, match="before and one after"):
        confirm(calibration(), p[:1])
    with pytest.raises(CalibrationError, match="did not change"):
        confirm(calibration(), [p[0], p[0]])
    with pytest.raises(CalibrationError, match="1σ is not known"):
        confirm(calibration(), [p[0], replace(p[1], x_sigma=None)])
