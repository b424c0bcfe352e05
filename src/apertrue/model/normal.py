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
_T = np.linspace(-_LIMIT, _LIMIT, round(2 * _LIMIT * _PER_UNIT) + 1)
_CDF = np.array([0.5 * erfc(-t / sqrt(2.0)) for t in _T])
_SLOPE = np.array([exp(-0.5 * t * t) / sqrt(2.0 * pi) for t in _T]) / _PER_UNIT
_RISE = np.diff(_CDF)
#: The four coefficients of each interval's cubic, the constant first.
_CUBIC = np.stack(
    [_CDF[:-1], _SLOPE[:-1], 3 * _RISE - 2 * _SLOPE[:-1] - _SLOPE[1:], _SLOPE[:-1] + _SLOPE[1:] - 2 * _RISE], axis=1
)


def cdf(t: Array) -> Array:
    """Φ(t), absolute error under 2e-11; any shape."""
    return cdf_pdf(t)[0]


def cdf_pdf(t: Array) -> tuple[Array, Array]:
    """(Φ(t), φ(t)), absolute errors under 2e-11 and 1e-16; any shape."""
    t = np.asarray(t, dtype=np.float64)
    # Beyond the table numbers would become so small that arithmetic slows down.
    t = np.minimum(np.maximum(t, -_LIMIT - 0.5), _LIMIT + 0.5)
    pos = np.minimum(np.maximum((t + _LIMIT) * _PER_UNIT, 0.0), len(_CUBIC) - 1e-9)
    i = pos.astype(np.intp)
    f = pos - i
    c = np.take(_CUBIC, i, axis=0)
    value = c[..., 0] + f * (c[..., 1] + f * (c[..., 2] + f * c[..., 3]))
    return value, np.exp(-0.5 * t * t) * (1.0 / sqrt(2.0 * pi))
