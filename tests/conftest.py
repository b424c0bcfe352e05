"""What all tests share: tests that need a window, a browser or a cluster are skipped by name where that is missing."""

import importlib.util
import os
import shutil
import signal
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import settings

# Tests run on all cores already; before NumPy is loaded, and for the processes that tests start.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Nothing asserts on timing, and what was drawn yesterday is drawn today.
settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")

# A suite that a shell started in the background hands down an ignored Ctrl-C; tests that send one need it as usual.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN and threading.current_thread() is threading.main_thread():
    signal.signal(signal.SIGINT, signal.default_int_handler)

ROOT = Path(__file__).resolve().parent.parent

# Helpers beside this file are importable by name; last, so that they hide nothing.
sys.path.append(str(ROOT / "tests"))


def _no_window() -> str | None:
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return "window: no X display (install xvfb and run under xvfb-run)"
    if importlib.util.find_spec("napari") is None or importlib.util.find_spec("qtpy") is None:
        return 'window: napari is not installed (python -m pip install ".[napari]")'
    return None


def _no_browser() -> str | None:
    if importlib.util.find_spec("playwright") is None:
        return "browser: playwright is not installed"
    if not any(shutil.which(name) for name in ("chromium", "chromium-browser")):
        return "browser: no Chromium found (apt-get install chromium)"
    return None


def _no_cluster() -> str | None:
    if importlib.util.find_spec("distributed") is None:
        return 'cluster: distributed is not installed (python -m pip install ".[dask]")'
    return None


_MISSING = {"window": _no_window(), "browser": _no_browser(), "cluster": _no_cluster()}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip, with the reason, what this machine can't run."""
    for item in items:
        for name, reason in _MISSING.items():
            if reason is not None and item.get_closest_marker(name) is not None:
                item.add_marker(pytest.mark.skip(reason=reason))


def pytest_terminal_summary(terminalreporter: "pytest.TerminalReporter") -> None:
    """Say once more at the end, in plain words, what was left out."""
    for reason in _MISSING.values():
        if reason is not None:
            terminalreporter.write_line(f"left out: {reason}")


@pytest.fixture(scope="session")
def root() -> Path:
    """The repository's top folder."""
    return ROOT


@pytest.fixture(scope="session")
def sample_images(root: Path) -> Path:
    """The folder of sample pictures."""
    return root / "sample_images"
