"""Whether switching sides disturbs the shift: found when it does, silent when it does not."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from apertrue.current.switching import switching

T0 = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
MATRIX = np.array([[3.0, -1.5], [1.2, 2.5]])


def day(rng, disturbance, switches=12, drift=1.0, nudges=False):
    """Pictures every 20 min; after every third a visit to the other side and back."""
    out, at = [], T0
    position, readings = np.zeros(2), np.zeros(2)

    def look(side, where):
        return {
            "kind": "picture",
            "at": at,
            "focus_side": side,
            "offset_x_percent": float(where[0] + rng.normal(0, 0.2)),
            "offset_y_percent": float(where[1] + rng.normal(0, 0.2)),
            "offset_x_percent_sigma": 0.2,
            "offset_y_percent_sigma": 0.2,
            "gun_shift_x": float(readings[0]),
            "gun_shift_y": float(readings[1]),
        }

    for k in range(3 * switches):
        out.append(look("positive", position))
        at = at + timedelta(minutes=20)
        position = position + rng.normal(0, drift * np.sqrt(1 / 3) / np.sqrt(2), 2)
        if nudges and k % 4 == 1:
            move = rng.normal(0, 2, 2)
            readings, position = readings + move, position + MATRIX @ move
            out.append({"kind": "nudge", "at": at})
        if k % 3 == 2:
            out.append({**look("negative", position + 5), "at": at - timedelta(minutes=10)})
            position = position + rng.normal(0, 1, 2) * disturbance
    return out


def test_quiet():
    found = switching(day(np.random.default_rng(1), 0.0), rng=np.random.default_rng(0))
    assert found.n_switched >= 10
    assert found.n_control >= 20
    assert found.disturbs is False
    assert "did not disturb" in found.sentences[0] or "no matter" in found.sentences[0]


def test_disturbed():
    found = switching(day(np.random.default_rng(1), 6.0), rng=np.random.default_rng(0))
    assert found.disturbs is True
    assert found.p_value < 0.01
    assert 2 < found.extra_percent < 15
    assert "Center again after each switch" in found.sentences[0]


def test_false_alarms_are_rare():
    """100 quiet days: the permutation test's level is 5 %, and under 1 % of the radius is no alarm."""
    alarms = sum(
        bool(switching(day(np.random.default_rng(s), 0.0), rng=np.random.default_rng(s), permutations=200).disturbs)
        for s in range(100)
    )
    assert alarms <= 13  # 99.9 % of a binomial with 5 %


def test_nudges_are_taken_out_through_the_calibration():
    entries = day(np.random.default_rng(3), 0.0, nudges=True)
    with_it = switching(entries, rng=np.random.default_rng(0), calibration_for=lambda side: (MATRIX, np.zeros((4, 4))))
    without = switching(entries, rng=np.random.default_rng(0))
    assert with_it.n_control + with_it.n_switched > without.n_control + without.n_switched
    assert with_it.disturbs is False
    assert with_it.rms_control_percent < 3


@pytest.mark.parametrize("entries", [[], day(np.random.default_rng(1), 0.0, switches=2)])
def test_too_little_to_tell(entries):
    found = switching(entries, rng=np.random.default_rng(0))
    assert found.disturbs is None
    assert found.p_value is None
    assert "can't tell yet" in found.sentences[0]


def test_a_recall_or_service_ends_the_comparison():
    quiet = day(np.random.default_rng(1), 0.0)
    cut = []
    for e in quiet:
        cut += [e, {"kind": "service", "at": e["at"] + timedelta(minutes=1)}]
    assert switching(cut, rng=np.random.default_rng(0)).n_control == 0
