"""The normal distribution function Φ and density φ on arrays.

``scipy.special.ndtr`` computes the same, but importing ``scipy.special`` takes longer (0.2 s) than the whole quick path of
one picture. A cubic Hermite interpolation of Φ in a table (values by :func:`math.erfc`, slopes φ) is within 2e-11 of it;
a test holds the two together.
"""

from math import erfc, exp, pi, sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_LIMIT, _PER_UNIT = 8.5, 128
_T = np.arange(-_LIMIT, _LIMIT + 1.5 / _PER_UNIT, 1.0 / _PER_UNIT)
_CDF = np.array([0.5 * erfc(-t / sqrt(2.0)) for t in _T])
_PDF = np.array([exp(-0.5 * t * t) / sqrt(2.0 * pi) for t in _T])


def cdf(t: Array) -> Array:
    """Φ(t), absolute error under 2e-11; any shape."""
    return cdf_pdf(t)[0]


def cdf_pdf(t: Array) -> tuple[Array, Array]:
    """(Φ(t), φ(t)), absolute errors under 2e-11 and 1e-16; any shape."""
    t = np.asarray(t, dtype=np.float64)
    pos = (np.clip(t, -_LIMIT, _LIMIT) + _LIMIT) * _PER_UNIT
    i = pos.astype(np.intp)
    f = pos - i
    c0, c1 = _CDF[i], _CDF[i + 1]
    h = 1.0 / _PER_UNIT
    m0, m1 = _PDF[i] * h, _PDF[i + 1] * h
    d = c1 - c0
    value = c0 + f * (m0 + f * (3 * d - 2 * m0 - m1 + f * (m0 + m1 - 2 * d)))
    return value, np.exp(-0.5 * t * t) * (1.0 / sqrt(2.0 * pi))
