"""The curves on the virtual microscope: halo in the meter, lens hysteresis, wandering crossover, off-center beam."""

import numpy as np
import pytest

from apertrue.current.answers import covered_foci, current_at
from apertrue.current.curve import fit_current
from apertrue.current.pairs import pairs_from_records
from apertrue.microscope import VirtualMicroscope
from apertrue.microscope.optics import beam_current, halo_current


@pytest.mark.parametrize("seed", [3, 11])
def test_truth_within_the_intervals(seed):
    scope = VirtualMicroscope(seed)
    records = []
    foci = scope.hidden.positive.focus * np.array([0.5, 0.8, 0.95, 1.1, 1.3, 1.6])
    for focus in foci:
        scope.set_focus(float(focus))
        here = scope.truth()
        setting = scope._setting()
        halo = halo_current(scope.hidden, setting)
        if here.score < 60:
            continue
        records.append(
            {
                "gun_focus": scope.focus,
                "current_pa": scope.current_pa(),
                "current_pa_sigma": max(scope.hidden.meter_pa, 0.02 * here.current_pa),
                "score": here.score,
                "score_sigma": 0.3,
                "halo_fraction": halo / (halo + beam_current(scope.hidden, setting)),
                "beam_radius_px": 200 * here.beam_ratio,
                "beam_radius_px_sigma": 1.0,
                "aperture_radius_px": 200.0,
                "aperture_radius_px_sigma": 0.3,
                "session": "one",
            }
        )
    assert len(records) >= 4
    found = pairs_from_records(records)
    model = fit_current(found.pairs, found.radii, today="one", rng=np.random.default_rng(0))
    low, high = covered_foci(model, "positive")
    inside = 0
    asked = np.linspace(low, high, 5)
    for focus in asked:
        scope.set_focus(float(focus))
        here, setting = scope.truth(), scope._setting()
        # What a centered beam would give, halo included, as a meter reads it.
        centered = 100 * here.current_pa / here.score + halo_current(scope.hidden, setting)
        answer = current_at(model, scope.focus, "positive")
        inside += answer.interval_95[0] <= centered <= answer.interval_95[1]
        assert answer.current_pa == pytest.approx(centered, rel=0.15)
    assert inside >= 4
