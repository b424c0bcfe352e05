"""Make the screenshots of the window: docs/images/window-*.png. Needs a display (``xvfb-run`` where there is none).

xvfb-run -a -s "-screen 0 2400x1600x24" python docs/make_window_images.py [--only audit] [--scale 1.5] [--to FOLDER]
"""

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
SIZE = (1280, 820)
#: What a dense screen of 1920 × 1080 leaves at 150 %.
DENSE = (1280, 690)


def main() -> None:
    """Take all of them."""
    pictures: dict[str, tuple[str, Callable[[Any], None]]] = {
        "assess": ("dark", _assess("clipped")),
        "assess-light": ("light", _assess("centered")),
        "assess-doubt": ("dark", _assess_noisy),
        "practice": ("dark", _practice),
        "watch": ("dark", _watch),
        "watch-layer": ("light", _watch_layer),
        "calibrate": ("dark", _calibrate),
        "audit": ("dark", _audit),
    }
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--to", type=Path, default=HERE / "images", help="folder for the pictures")
    parser.add_argument("--only", choices=pictures, action="append", help="only this one; may be repeated")
    parser.add_argument("--scale", default="1", help="letters and buttons larger, as on a dense screen")
    given = parser.parse_args()
    os.environ["QT_SCALE_FACTOR"] = given.scale
    given.to.mkdir(parents=True, exist_ok=True)
    # No settings of the machine's user show in the pictures.
    os.environ["XDG_CONFIG_HOME"] = os.environ["APPDATA"] = tempfile.mkdtemp()
    os.environ["NAPARI_CONFIG"] = str(Path(os.environ["XDG_CONFIG_HOME"]) / "napari.yaml")
    for name in given.only or pictures:
        theme, prepare = pictures[name]
        take(given.to / f"window-{name}.png", theme, prepare)


def take(path: Path, theme: str, prepare: Callable[[Any], None]) -> None:
    """One picture of the whole window."""
    import napari

    viewer = napari.Viewer(show=True)
    viewer.theme = theme
    viewer.window.resize(*(SIZE if os.environ["QT_SCALE_FACTOR"] == "1" else DENSE))
    run(0.5)
    prepare(viewer)
    run(0.5)
    viewer.screenshot(str(path), canvas_only=False, flash=False)
    viewer.close()
    # A watch ends after its next look.
    run(2.5)
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


def _assess_noisy(viewer: Any) -> None:
    """A short exposure, cut off, its doubt large enough to be drawn."""
    import numpy as np

    from apertrue.simulate import Recipe, simulate

    recipe = Recipe(rows=400, columns=400, aperture_radius_px=90.0, halo_level=0.08, peak_electrons=2.5)
    recipe = replace(recipe, offset_x_percent=21.0, offset_y_percent=-12.0)
    viewer.add_image(simulate(recipe, np.random.default_rng(8)).frame.pixels, name="short exposure (simulated)")
    _, widget = viewer.window.add_plugin_dock_widget("apertrue", "Assess centering")
    run(20, lambda: widget.result is not None)
    viewer.reset_view()


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
    _, widget = viewer.window.add_plugin_dock_widget("apertrue", "Watch centering")
    widget.folder.setText(str(folder))
    widget.existing.setChecked(True)
    widget.begin()
    run(30, lambda: widget.counts.text().startswith(f"{len(pages)} judged"))
    run(3)
    viewer.reset_view()
    # It goes on until the window closes: one that is over warns of nothing any more.
    widget.folder.setText("snapshots")


def _watch_layer(viewer: Any) -> None:
    """A live view that creeps off."""
    viewer.open_sample("apertrue", "microscope")
    _, widget = viewer.window.add_plugin_dock_widget("apertrue", "Watch centering")
    widget.what.setCurrentIndex(1)
    widget.every.setValue(1)
    widget.begin()
    run(60, lambda: widget.report is not None and len(widget.report.timeline.points) >= 8)
    viewer.reset_view()


def _audit(viewer: Any) -> None:
    """Two made-up days, one file of them damaged."""
    from datetime import UTC, datetime, timedelta

    import numpy as np
    import tifffile

    from apertrue.simulate import Recipe, simulate

    archive = Path(tempfile.mkdtemp()) / "archive"
    for day in range(2):
        folder = archive / f"day{day + 1}"
        folder.mkdir(parents=True)
        for k in range(7):
            away = 1.0 + (2.2 + 3.6 * day) * k
            recipe = Recipe(rows=400, columns=400, aperture_radius_px=140.0, halo_level=0.06)
            recipe = replace(recipe, offset_x_percent=0.8 * away, offset_y_percent=-0.6 * away)
            taken = datetime(2026, 5, 4 + day, 9, 0, tzinfo=UTC) + timedelta(minutes=35 * k)
            pixels = simulate(recipe, np.random.default_rng(10 * day + k)).frame.pixels
            tifffile.imwrite(folder / f"snapshot-{k + 1:02d}.tif", pixels, datetime=taken.replace(tzinfo=None))
    (archive / "day2" / "damaged.tif").write_bytes((archive / "day2" / "snapshot-01.tif").read_bytes()[:900])
    _, widget = viewer.window.add_plugin_dock_widget("apertrue", "Audit pictures")
    widget.folder.setText(str(archive))
    widget.store.setText(str(archive.parent / "audit.sqlite"))
    widget.begin()
    run(120, lambda: widget.shown is not None)
    row = next(r for r in widget.shown.rows if r.file.endswith("day2/snapshot-04.tif"))
    widget.table.choose(row.id)
    run(20, lambda: widget.layer is not None and not widget.opening.running)
    widget.folder.setText("archive")
    viewer.reset_view()


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
        viewer.reset_view()
        widget.add.click()
        run(20, lambda: not widget.latest.running)


if __name__ == "__main__":
    main()
