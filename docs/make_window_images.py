"""Make the screenshots of the window: docs/images/window-*.png. Needs a display (``xvfb-run`` where there is none).

xvfb-run -a -s "-screen 0 1600x1200x24" python docs/make_window_images.py
"""

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
SIZE = (1280, 820)


def main() -> None:
    """Take all of them."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--to", type=Path, default=HERE / "images", help="folder for the pictures")
    folder = parser.parse_args().to
    folder.mkdir(parents=True, exist_ok=True)
    # No settings of the machine's user show in the pictures.
    os.environ["XDG_CONFIG_HOME"] = os.environ["APPDATA"] = tempfile.mkdtemp()
    os.environ["NAPARI_CONFIG"] = str(Path(os.environ["XDG_CONFIG_HOME"]) / "napari.yaml")
    take(folder / "window-assess.png", "dark", _assess("clipped"))
    take(folder / "window-assess-light.png", "light", _assess("centered"))
    take(folder / "window-practice.png", "dark", _practice)


def take(path: Path, theme: str, prepare: Callable[[Any], None]) -> None:
    """One picture of the whole window."""
    import napari

    viewer = napari.Viewer(show=True)
    viewer.theme = theme
    viewer.window.resize(*SIZE)
    run(0.5)
    prepare(viewer)
    run(0.5)
    viewer.screenshot(str(path), canvas_only=False, flash=False)
    viewer.close()
    print(path)


def run(seconds: float, until: Callable[[], bool] = lambda: False) -> None:
    """Let the window live for a while, or until something is true."""
    from qtpy.QtWidgets import QApplication

    end = time.monotonic() + seconds
    while time.monotonic() < end and not until():
        QApplication.processEvents()
        time.sleep(0.01)


def _assess(sample: str) -> Callable[[Any], None]:
    def prepare(viewer: Any) -> None:
        viewer.open_sample("apertrue", sample)
        _, widget = viewer.window.add_plugin_dock_widget("apertrue", "Assess centering")
        run(20, lambda: widget.result is not None)
        viewer.reset_view()

    return prepare


def _practice(viewer: Any) -> None:
    _, widget = viewer.window.add_plugin_dock_widget("apertrue", "Practice centering")
    widget.seed.setValue(3)
    widget.start.click()
    run(20, lambda: widget.look is not None and not widget.latest.running)
    viewer.reset_view()


if __name__ == "__main__":
    main()
