"""The simulated instruments, for the tests of this folder."""

import importlib.util
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def truth():
    """The module of simulated instruments with known currents."""
    path = Path(__file__).with_name("current_truth.py")
    spec = importlib.util.spec_from_file_location("apertrue_test_current_truth", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
