"""The overlap of discs as arrays against the same in single numbers."""

from math import pi

import numpy as np
import pytest

from apertrue.model.overlap import disc_overlap
from apertrue.model.transmission import lens_area


@pytest.mark.parametrize("ratio", [0.3, 0.95, 1.0, 1.4])
def test_arrays_and_numbers_agree(ratio):
    at = np.array([0.0, 0.02, 0.05, 0.3, 0.7, 0.97, 1.0, 1.3, 1.95, 2.4, 3.0])
    assert disc_overlap(at, ratio) == pytest.approx([lens_area(d, ratio, 1.0) / pi for d in at], abs=1e-12)


def test_unit_discs_one_apart_and_half_covered():
    # Textbook geometry: 2π/3 − √3/2; half of a unit disc is covered at d = 0.807945506599034 (shapely agrees).
    assert disc_overlap(np.array(1.0), 1.0) * pi == pytest.approx(1.22836969860876, abs=1e-12)
    assert disc_overlap(np.array(0.807945506599034), 1.0) == pytest.approx(0.5, abs=1e-12)
