"""A calibration as the tests keep it: its state, when it was made, its matrix."""

from datetime import UTC, datetime

import numpy as np

from apertrue.calibration import Calibration, StateKey

MADE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
STATE = StateKey("positive", 14.0, 70.0, 200.0, "5", 100.0, "screen camera", "STEM")
A = np.array([[3.0, -1.2], [1.0, 2.5]])


def make(matrix=A, state=STATE, made=MADE, variance=0.01, **more):
    """A calibration whose matrix' elements have this variance each."""
    cov = variance * np.eye(4)
    return Calibration(tuple(map(tuple, matrix.tolist())), tuple(map(tuple, cov.tolist())), state, made, **more)
