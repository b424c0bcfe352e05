"""Pictures that the readers' tests write with independent libraries."""

import numpy as np
import pytest


@pytest.fixture
def rng():
    return np.random.default_rng(20260314)


@pytest.fixture
def gray16(rng):
    """Rows and columns differ, no symmetry: any flip or transposition shows."""
    return rng.integers(0, 4000, (48, 64), dtype=np.uint16)
