"""From records to pairs: correction by the score, states, sessions, what is set aside."""

from datetime import UTC, datetime, timedelta
from math import log

import pytest

from apertrue.audit.sessions import SessionRule
from apertrue.current.pairs import GunState, centered_current, pairs_from_records, records_from_log
from apertrue.registry import SESSION_GAP_H

T0 = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def test_centered_current():
    assert centered_current(85.0, 85.0) == (pytest.approx(100.0), 0.0)
    value, sigma = centered_current(90.0, 90.0, 0.9)
    assert value == pytest.approx(100.0)
    assert sigma == pytest.approx(0.01)


def test_halo_does_not_grow_by_centering():
    """Of 100 pA, 20 are halo: the beam's 80 become 100 at score 80, the halo stays."""
    value, sigma = centered_current(100.0, 80.0, 0.8, 0.2)
    assert value == pytest.approx(120.0)
    assert sigma == pytest.approx(0.01 * 100 / 120)
    with pytest.raises(ValueError, match="positive"):
        centered_current(10.0, 0.0)


def test_pairs():
    found = pairs_from_records(
        [
            {"gun_focus": 40, "current_pa": 24.0, "score": 96.0, "score_sigma": 0.5, "kv": 200, "spot": 3},
            {"gun_focus": "-40", "current_pa": "1500", "focus_side": "negative", "kv": 200, "spot": 3},
        ]
    )
    a, b = found.pairs
    assert a.centered_pa == pytest.approx(25.0)
    assert a.corrected
    assert not b.corrected
    assert b.log_current == pytest.approx(log(1500))
    assert b.log_sigma > a.log_sigma  # nobody looked whether it was centered
    assert a.state == b.state == GunState(200.0, "3", None)
    assert a.state.label == "200 kV, spot 3"
    assert GunState().label == "state not stated"


@pytest.mark.parametrize(
    ("record", "why"),
    [
        ({"current_pa": 20.0}, "without the reading"),
        ({"current_pa": 0.0, "gun_focus": 40}, "logarithmic"),
        ({"current_pa": -3.0, "gun_focus": 40}, "logarithmic"),
        ({"current_pa": 20.0, "gun_focus": 40, "score": 31.0}, "more than half"),
        ({"current_pa": 20.0, "gun_focus": 40, "focus_side": "left"}, "allowed: positive, negative"),
    ],
)
def test_set_aside(record, why):
    found = pairs_from_records([record])
    assert not found.pairs
    assert why in found.aside[0].why
    assert found.aside[0].source == "record 1"


def test_records_without_a_current_are_no_fault():
    found = pairs_from_records([{"gun_focus": 12.0, "beam_radius_px": 80, "aperture_radius_px": 100}])
    assert not found.pairs
    assert not found.aside
    assert found.radii[0].ratio == pytest.approx(0.8)


def test_sessions_by_pauses():
    rows = [{"gun_focus": 40, "current_pa": 24, "taken_at": T0 + timedelta(hours=h)} for h in (0, 1, 3.9, 7, 9.9)]
    names = [p.session for p in pairs_from_records(rows).pairs]
    assert names[0] == names[1] == names[2]
    assert names[3] == names[4] != names[0]
    # The same pause parts the sessions of the log, of handovers and of audits.
    assert SessionRule().gap_h == SESSION_GAP_H == 3.0
    assert pairs_from_records([{"gun_focus": 40, "current_pa": 24, "session": "monday"}]).pairs[0].session == "monday"


def test_crossover_pictures():
    found = pairs_from_records([{"gun_focus": 0.6, "scene": "crossover"}])
    assert found.radii[0].at_crossover


def entry(kind, minutes, **values):
    return {"kind": kind, "at": T0 + timedelta(minutes=minutes), **values}


def test_log_joins_currents_with_state_and_picture():
    records = records_from_log(
        [
            entry("state", 0, kv=200.0, aperture_um=70.0, gun_focus=40.0),
            entry("picture", 5, score=90.0, score_sigma=0.4, gun_focus=40.0),
            entry("current", 8, current_pa=27.0),
        ]
    )
    pair = pairs_from_records(records).pairs[0]
    assert pair.focus == 40.0
    assert pair.centered_pa == pytest.approx(30.0)
    assert pair.state == GunState(200.0, None, 70.0)


@pytest.mark.parametrize(
    "between",
    [
        [entry("nudge", 6, nudge_x=1.0)],
        [entry("state", 6, gun_focus=55.0)],
        [entry("recall", 6, setting="a")],
        [entry("note", 20)],
    ],
)
def test_a_score_that_no_longer_holds_corrects_nothing(between):
    late = max(e["at"] for e in between) - T0 + timedelta(minutes=2)
    records = records_from_log(
        [
            entry("picture", 5, score=90.0, score_sigma=0.4, gun_focus=40.0),
            *between,
            {"kind": "current", "at": T0 + late, "current_pa": 27.0},
        ]
    )
    pair = pairs_from_records(records).pairs[0]
    assert not pair.corrected
    assert pair.centered_pa == 27.0


def test_a_new_day_forgets_the_state():
    records = records_from_log([entry("state", 0, gun_focus=40.0), entry("current", 60 * 14, current_pa=27.0)])
    assert not pairs_from_records(records).pairs
