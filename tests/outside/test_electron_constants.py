"""1 pA in electrons per second; wavelength, γ and v/c of fast electrons."""

import pytest

from apertrue.current.electrons import dose_rate, electrons_per_second, lorentz_factor, speed_ratio, wavelength_pm

SOURCE = {
    "author": "CODATA; D. B. Williams and C. B. Carter",
    "title": "Recommended values of the fundamental constants; Transmission Electron Microscopy, table 1.2",
    "year": "2022; 2009",
    "place": "scipy.constants; Springer (the 300 kV value also in the ubermag mag2exp documentation)",
    "how": "confirmed",
}


def test_one_picoampere(check):
    check("1 pA in electrons per second", electrons_per_second(1.0), 6241509.07446076, tol=1e-12, relative=True)


@pytest.mark.parametrize(
    ("kv", "wavelength", "gamma", "beta"),
    [
        (80, 4.17571607, 1.15655609, 0.50239889),
        (100, 3.70143661, 1.19569512, 0.54822086),
        (200, 2.50793404, 1.39139024, 0.69531447),
        (300, 1.96874890, 1.58708535, 0.77652549),
    ],
)
def test_fast_electrons(check, kv, wavelength, gamma, beta):
    # 1e-7: between CODATA 2018 and 2022 the last digits differ by less.
    check(f"wavelength at {kv} kV (pm)", wavelength_pm(kv), wavelength, tol=1e-7, relative=True)
    check(f"γ at {kv} kV", lorentz_factor(kv), gamma, tol=1e-7, relative=True)
    check(f"v/c at {kv} kV", speed_ratio(kv), beta, tol=1e-7, relative=True)


def test_printed_table(check):
    """As textbooks print them."""
    for kv, printed in ((80, 4.18), (100, 3.70), (200, 2.51), (300, 1.97)):
        check(f"wavelength at {kv} kV as printed (pm)", wavelength_pm(kv), printed, tol=0.005)


def test_dose_rate(check):
    """1 nA in a disc of 1 µm: 6.24e9 electrons over π·(5000 Å)²."""
    check("1 nA over a disc of 1 µm (e/Å²/s)", dose_rate(1000.0, 1000.0), 79.469, tol=0.001)


@pytest.mark.parametrize("wrong", [0.0, -200.0, float("nan")])
def test_refusals(wrong):
    with pytest.raises(ValueError, match="positive"):
        wavelength_pm(wrong)
    with pytest.raises(ValueError, match="positive"):
        dose_rate(100.0, wrong)
