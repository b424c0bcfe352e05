"""What operators say of their instruments, and what the house starts from."""

import numpy as np
import pytest

from apertrue.drift.priors import HOLDS_H
from apertrue.instrument import Instrument
from apertrue.microscope.hidden import random_hidden
from apertrue.microscope.optics import Setting, beam_current

SOURCE = {
    "author": "operators of monochromated instruments",
    "title": "Facts of the trade",
    "year": "undated",
    "place": "said at instruments",
    "how": "common practice, no source",
}


@pytest.fixture(scope="module")
def currents():
    """Median current of fifty virtual microscopes with a centered beam at focus +40 and −40, pA."""
    rng = np.random.default_rng(70)
    out: dict[str, list[float]] = {"positive": [], "negative": []}
    for _ in range(50):
        hidden = random_hidden(rng)
        for side, focus in (("positive", 40.0), ("negative", -40.0)):
            at = abs(focus / hidden.side(side).focus)
            out[side].append(beam_current(hidden, Setting(side, 0.9 * at, (0.0, 0.0), (0.0, 0.0), focus)))
    return {side: float(np.median(values)) for side, values in out.items()}


def test_currents_of_the_virtual_microscopes(check, currents):
    check("70 µm aperture, focus +40: 20–25 pA", currents["positive"], 22.5, tol=2.5)
    check("70 µm aperture, focus −40: about 1.5 nA (pA)", currents["negative"], 1500, tol=150)


def test_a_good_center_holds_two_to_three_hours(check):
    check("earliest, h", min(HOLDS_H), 2, tol=0)
    check("latest, h", max(HOLDS_H), 3, tol=0)


def test_the_routine_takes_about_a_minute_or_more(check):
    check("one run, min", Instrument().costs.auto_min, 1.5, tol=0.5)
