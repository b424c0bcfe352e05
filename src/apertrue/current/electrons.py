"""Electrons per second, relativistic wavelength and speed. Constants: CODATA as carried by ``scipy.constants``.

The package is imported inside the functions: it costs more time than anything else in a command that prints numbers.
"""

from math import pi, sqrt


def electrons_per_second(current_pa: float) -> float:
    """Electrons per second in a current of ``current_pa`` pA: I/e, with e exact in the SI."""
    from scipy.constants import e

    return float(current_pa * 1e-12 / e)


def lorentz_factor(kv: float) -> float:
    """γ = 1 + eU/(m c²) of electrons accelerated by ``kv`` kV. Raises ``ValueError`` unless positive."""
    from scipy.constants import c, e, m_e

    if not kv > 0:
        raise ValueError(f"the high tension must be positive, got {kv} kV")
    return float(1.0 + kv * 1e3 * e / (m_e * c * c))


def speed_ratio(kv: float) -> float:
    """v/c of electrons accelerated by ``kv`` kV."""
    gamma = lorentz_factor(kv)
    return sqrt(1.0 - 1.0 / (gamma * gamma))


def wavelength_pm(kv: float) -> float:
    """Relativistic de Broglie wavelength in pm: h/√(2 m eU (1 + eU/2mc²)), ``kv`` in kV."""
    from scipy.constants import c, h, m_e

    gamma = lorentz_factor(kv)
    return float(h / (m_e * c * sqrt(gamma * gamma - 1.0)) * 1e12)


def dose_rate(current_pa: float, diameter_nm: float) -> float:
    """Electrons per Å² and second in an evenly lit disc of ``diameter_nm`` nm.

    The disc is the *working* illumination on the specimen, never the disc of the alignment view.
    Raises ``ValueError`` unless the diameter is positive.
    """
    if not diameter_nm > 0:
        raise ValueError(f"the diameter must be positive, got {diameter_nm} nm")
    radius_angstrom = diameter_nm * 10.0 / 2.0
    return electrons_per_second(current_pa) / (pi * radius_angstrom**2)
