"""What a cut-off beam costs, and scaling to another aperture."""

from math import pi

import pytest

from apertrue.current.costs import cost_of, scale_to_aperture
from apertrue.current.electrons import electrons_per_second


def test_the_trades_sentence():
    found = cost_of(85.0, 1.0, current_pa=170.0, minutes=120)
    assert found.time_factor.value == pytest.approx(100 / 85)
    assert "For the same counts: 1.18 × as long, or center first." in found.sentences
    assert found.centered_pa.value == pytest.approx(200.0)
    assert found.lost_pa.value == pytest.approx(30.0)
    assert found.lost_pa.sigma == pytest.approx(200.0 / 85.0)
    assert found.extra_min.value == pytest.approx(120 * (100 / 85 - 1))
    assert found.center_pays is True
    assert found.electrons_per_s == pytest.approx(electrons_per_second(170.0))


def test_lost_is_what_a_halo_leaves():
    found = cost_of(80.0, current_pa=100.0, halo_fraction=0.2)
    assert found.lost_pa.value == pytest.approx(20.0)
    assert found.lost_pa.sigma is None
    assert found.time_factor.sigma is None


def test_nothing_lost():
    found = cost_of(100.0, 0.2, minutes=60, centering_min=1.5)
    assert found.center_pays is False
    assert "within half a percent" in found.sentences[0]
    assert found.lost_pa is None
    assert found.electrons_per_s is None


def test_short_work_is_not_worth_centering():
    found = cost_of(90.0, minutes=5, centering_min=1.0)
    assert found.center_pays is False
    assert "not worth it" in found.sentences[-1]


def test_dose_only_in_the_working_illumination():
    without = cost_of(90.0, current_pa=100.0)
    assert without.dose_rate is None
    assert "alignment view" in without.sentences[-1]
    with_it = cost_of(90.0, current_pa=100.0, diameter_nm=50.0, diameter_sigma_nm=1.0, kv=300)
    assert with_it.dose_rate.value == pytest.approx(100 * 6241509.07446 / (pi * 250.0**2), rel=1e-9)
    assert with_it.dose_rate.sigma == pytest.approx(with_it.dose_rate.value * 0.04)
    assert with_it.wavelength_pm == pytest.approx(1.9687, abs=1e-4)


@pytest.mark.parametrize("wrong", [{"score": 0.0}, {"score": 101.0}, {"score": 90.0, "current_pa": -1.0},
                                   {"score": 90.0, "minutes": -1.0}])  # fmt: skip
def test_refusals(wrong):
    with pytest.raises(ValueError, match="must"):
        cost_of(**wrong)


def scaled(ratio, to_um, unevenness=4.0, current=1000.0, from_um=70.0):
    return scale_to_aperture(current, 10.0, from_um, to_um, ratio=ratio, unevenness_percent=unevenness)


def test_by_area_where_it_overfills_evenly():
    found = scaled(1.5, 50.0)
    assert found.current_pa == pytest.approx(1000 * (50 / 70) ** 2)
    assert found.sigma_pa > found.current_pa * 0.01
    assert "By area" in found.why
    wider = scaled(1.8, 100.0)
    assert wider.current_pa == pytest.approx(1000 * (100 / 70) ** 2)
    assert "was not seen" in wider.why
    assert wider.sigma_pa / wider.current_pa > found.sigma_pa / found.current_pa * 0.9


def test_a_whole_beam_keeps_its_current():
    assert scaled(0.5, 50.0).current_pa == 1000.0
    assert scaled(0.5, 70.0, None).current_pa == 1000.0


@pytest.mark.parametrize(
    ("ratio", "to_um", "unevenness", "why"),
    [
        (None, 50.0, 4.0, "not known whether the beam overfills"),
        (1.0, 50.0, 4.0, "does not overfill both"),
        (1.3, 100.0, 4.0, "does not overfill both"),  # overfills the present one only
        (0.8, 50.0, 4.0, "does not overfill both"),  # fits the present one only
        (1.5, 50.0, None, "not known whether the light is even"),
        (1.5, 50.0, 25.0, "uneven"),
    ],
)
def test_not_scaled_and_why(ratio, to_um, unevenness, why):
    found = scaled(ratio, to_um, unevenness)
    assert found.current_pa is None
    assert found.sigma_pa is None
    assert why in found.why


def test_truth_of_scaling_by_area():
    """A flat overfilling beam's current through two stops, by the transmission integral."""
    from apertrue.model.transmission import PlaneBeam, passed_fraction

    large, small = (passed_fraction(PlaneBeam.round(0, 0, 1.5 * 70 / um)) for um in (70.0, 50.0))
    assert scaled(1.5, 50.0, 0.0, current=large).current_pa == pytest.approx(small, rel=1e-9)


def test_bad_diameters():
    with pytest.raises(ValueError, match="positive"):
        scaled(1.5, 0.0)
