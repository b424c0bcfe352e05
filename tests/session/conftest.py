"""A log with a made-up day: assessments without pictures, so that the log's own logic is tested fast."""

from datetime import UTC, datetime, timedelta
from math import atan2, degrees, hypot

import numpy as np
import pytest

from apertrue.assessment import Assessment
from apertrue.drift import ScoreCurve
from apertrue.session import add_event, add_picture, open_log

START = datetime(2026, 5, 4, 7, 30, tzinfo=UTC)


def assessed(x, y, sigma=0.1, *, at=None, file="a.tif", page=0, **more):
    """The assessment of a picture with the offset (x, y) in % of the aperture radius."""
    d = hypot(x, y)
    score = ScoreCurve().score(d)
    values = {
        "file": file,
        "page": page,
        "taken_at": None if at is None else at.isoformat(),
        "taken_at_source": "file",
        "scene": "both-edges",
        "scene_confidence": 0.99,
        "flags": (),
        "verdict": "leave" if d <= 5 else "nudge",
        "reasons": ("within-limits",) if d <= 5 else ("offset-over-leave",),
        "offset_x_percent": x,
        "offset_x_percent_sigma": sigma,
        "offset_y_percent": y,
        "offset_y_percent_sigma": sigma,
        "offset_xy_correlation": 0.1,
        "offset_percent": d,
        "offset_percent_sigma": sigma,
        "offset_direction_deg": degrees(atan2(-y, x)) % 360,
        "offset_direction_deg_sigma": degrees(sigma / d),
        "working_score": score,
        "working_score_sigma": 0.6 * sigma,
    }
    return Assessment(**{**values, **more})


def fill_day(store, *, start=START, until_h=7.0, seed=1, every_h=0.4):
    """A day: settling, creep, a hung routine, a nudge, a recalled setting, current readings, notes."""
    rng = np.random.default_rng(seed)

    def at(h):
        return start + timedelta(hours=h)

    add_event(store, "state", at(0), values={"kv": 200.0, "aperture_um": 70.0, "spot": "5"}, changed=["emission"])
    add_event(store, "recall", at(0.05), values={"setting": "STEM, 70 um"}, who="Robin Example")
    shift = np.zeros(2)
    h, n = 0.1, 0
    nudged = False
    while h < until_h:
        true = np.array([0.9 * h, -0.6 * h]) + 8 * np.exp(-h / 0.5) + shift
        seen = true + rng.normal(0, 0.1, 2)
        side = {"gun_focus": 40.0, "focus_side": "positive", "current_pa": 24 * (1 - 0.004 * np.hypot(*true))}
        add_picture(
            store,
            assessed(float(seen[0]), float(seen[1]), at=at(h), file=f"day/{n:03d}.tif", **side),
            at(h),
            digest=f"d{n}",
        )
        n += 1
        if 2.4 < h < 2.9 and not nudged:
            add_event(store, "nudge", at(h + 0.02), values={"nudge_x": 1.5, "nudge_y": -0.8}, who="Robin Example")
            shift = shift - seen
            nudged = True
        h += every_h * rng.uniform(0.5, 1.5)
    add_event(store, "routine-start", at(4.5))
    add_event(store, "routine-end", at(4.62), outcome="hung")
    add_event(store, "note", at(4.7), values={"note": "Robin saw the screen flicker"}, who="Robin Example")
    return at(h)


@pytest.fixture
def log(tmp_path):
    """An open, empty log."""
    with open_log(tmp_path / "log.sqlite", durable=False) as store:
        yield store


@pytest.fixture
def make_assessment():
    """The maker of assessments."""
    return assessed


@pytest.fixture
def day_filler():
    """The maker of a day."""
    return fill_day


@pytest.fixture
def start():
    """When the made-up day begins."""
    return START
