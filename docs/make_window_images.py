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
    take(folder / "window-watch.png", "dark", _watch)
    take(folder / "window-calibrate.png", "dark", _calibrate)


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


def _watch(viewer: Any) -> None:
    """A folder into which a camera saved a creeping beam over two hours."""
    import tifffile

    from apertrue.napari._samples import creep

    os.environ["XDG_DATA_HOME"] = os.environ["XDG_STATE_HOME"] = os.environ["LOCALAPPDATA"] = tempfile.mkdtemp()
    folder = Path(tempfile.mkdtemp()) / "snapshots"
    folder.mkdir()
    ((pages, about, _),) = creep()
    for k, page in enumerate(pages):
        taken = about["metadata"]["apertrue"].about(k).taken_at
        tifffile.imwrite(folder / f"{k:02d}.tif", page, datetime=taken.replace(tzinfo=None))
    _, widget = viewer.window.add_plugin_dock_widget("apertrue", "Watch a folder")
    widget.folder.setText(str(folder))
    widget.existing.setChecked(True)
    widget.begin()
    run(30, lambda: widget.counts.text().startswith(f"{len(pages)} judged"))
    run(3)
    viewer.reset_view()
    widget.folder.setText("snapshots")
    widget.end()
    run(10, lambda: not widget.running)


def _calibrate(viewer: Any) -> None:
    """Four points on a virtual microscope."""
    from apertrue.microscope import VirtualMicroscope

    scope = VirtualMicroscope(3)
    scope.misalign(12.0, 40.0)
    layer = viewer.add_image(scope.snapshot().pixels, name="snapshot")
    _, widget = viewer.window.add_plugin_dock_widget("apertrue", "Calibrate and nudge")
    widget.x.setValue(scope.shift[0])
    widget.y.setValue(scope.shift[1])
    for k in range(4):
        if k:
            scope.set_shift(widget.x.value(), widget.y.value())
            layer.data = scope.snapshot().pixels
        widget.add.click()
        run(20, lambda: not widget.latest.running)


if __name__ == "__main__":
    main()
