"""Settings of no user are touched; a viewer with its widget; and waiting for its work."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from apertrue.simulate import Recipe, simulate


@pytest.fixture(autouse=True, scope="session")
def constants_are_kept() -> None:
    """A fault of one Qt binding must not end the tests that make viewers without a widget of ours."""
    pytest.importorskip("qtpy")
    import qtpy.QtCore  # noqa: F401

    from apertrue.napari._versions import keep_constants

    keep_constants()


@pytest.fixture(autouse=True)
def own_settings(tmp_path, monkeypatch) -> None:
    """No instrument file, calibration or log of the machine's user takes part."""
    for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME", "APPDATA", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "settings"))
    monkeypatch.delenv("APERTRUE_INSTRUMENT", raising=False)


@pytest.fixture(scope="session")
def shot() -> Any:
    """A small picture with known truth: 256², aperture of 90 px, off center by 15 %."""
    recipe = Recipe(
        rows=256, columns=256, aperture_radius_px=90.0, offset_x_percent=12.0, offset_y_percent=-9.0, halo_level=0.08
    )
    return simulate(recipe, np.random.default_rng(5))


@pytest.fixture(scope="session")
def centered() -> Any:
    """The same size, centered."""
    recipe = Recipe(rows=256, columns=256, aperture_radius_px=90.0, offset_x_percent=0.5, offset_y_percent=0.0)
    return simulate(recipe, np.random.default_rng(6))


@pytest.fixture
def assess(make_napari_viewer, qtbot) -> Callable[..., Any]:
    """Opens a viewer with the assess widget in it; call with ``show=True`` for a real canvas."""
    made = []

    def build(*, show: bool = False, model: Any = None) -> Any:
        from apertrue.napari._assess import AssessWidget

        viewer = make_napari_viewer(show=show)
        widget = AssessWidget(viewer, model)
        viewer.window.add_dock_widget(widget, name="Assess")
        made.append(widget)
        return widget

    yield build
    for widget in made:
        widget.shut()


@pytest.fixture
def settled(qtbot) -> Callable[[Any], Any]:
    """Waits until a widget's work is through; returns its result."""

    def wait(widget: Any) -> Any:
        qtbot.waitUntil(lambda: widget.settled, timeout=120_000)
        return widget.result

    return wait
