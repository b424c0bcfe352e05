"""The passed share's analytic derivatives against central differences of the quadrature."""

from dataclasses import replace

import numpy as np
import pytest

from apertrue.model.transmission import PlaneBeam, best_passed_fraction, passed_fraction, passed_gradient

NAMES = ("x", "y", "a", "b", "c", "d")


@pytest.mark.parametrize(
    "beam",
    [
        PlaneBeam(0.1, -0.05, 0.97, 0.02, -0.03, 1.02, (0.1, -0.2), 0.05, -0.1, 0.03),
        PlaneBeam(0.6, 0.3, 0.8, 0.0, 0.0, 0.8, (-0.4, 0.1), 0.2, 0.1, 0.02),
        PlaneBeam(0.3, 0.0, -1.3, 0.1, 0.1, 1.2, (), 0.0, 0.0, 0.05),
    ],
)
def test_against_differences(beam):
    by = passed_gradient(beam)
    assert by.passed == pytest.approx(passed_fraction(beam), abs=1e-6)
    h = 1e-3

    def slope(**low_and_high):
        ((name, (low, high)),) = low_and_high.items()
        return (passed_fraction(replace(beam, **{name: high})) - passed_fraction(replace(beam, **{name: low}))) / (
            2 * h
        )

    for k, name in enumerate(NAMES):
        value = getattr(beam, name)
        assert by.place[k] == pytest.approx(slope(**{name: (value - h, value + h)}), abs=2e-4), name
    for k in range(len(beam.radial)):
        low, high = list(beam.radial), list(beam.radial)
        low[k] -= h
        high[k] += h
        assert by.radial[k] == pytest.approx(slope(radial=(tuple(low), tuple(high))), abs=1e-5)
    for k, name in enumerate(("tilt_x", "tilt_y")):
        value = getattr(beam, name)
        assert by.tilt[k] == pytest.approx(slope(**{name: (value - h, value + h)}), abs=1e-5)


def test_best_place_is_no_worse_than_any_on_a_grid():
    beam = PlaneBeam.round(0.2, 0.1, 1.05, (-0.2,), (0.3, -0.15), 0.03)
    best, x, y = best_passed_fraction(beam)
    grid = [passed_fraction(beam.moved_to(float(gx), float(gy))) for gx in np.linspace(-0.3, 0.3, 13)
            for gy in np.linspace(-0.3, 0.3, 13)]  # fmt: skip
    assert best >= max(grid) - 1e-6
    assert passed_fraction(beam.moved_to(x, y)) == pytest.approx(best, abs=1e-6)


def test_only_soft_polynomial_light():
    with pytest.raises(ValueError, match="soft beam"):
        passed_gradient(PlaneBeam.round(0, 0, 1.0))
