"""How fast is the window on a live layer, and does it stay small.

    xvfb-run -a -s "-screen 0 1600x1200x24" python benchmarks/window.py [--quick] [--side 2048] [--updates 1000]
        [--only live|leaks|drops]

Drops: files are dropped into the window one after another; printed is the processor time until each is open and until its
verdict is shown. Live: a layer of side² pixels gets new data, as fast as they are drawn or from a camera of so many
pictures a second. Counted are pictures judged and frames drawn, with each part apart: the engine alone; napari alone (new
data and drawing, without this plugin); napari with the marks on top, drawn but not judged; and all together. CPU time is
that of all threads and of the process that judges. Leaks: so many new pictures one after another; printed are layers,
threads, listeners and memory along the way, free memory given back to the system. Needs a display; without a GPU it draws
in software.
"""

import argparse
import gc
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import psutil

from apertrue.frame import Frame
from apertrue.pipeline import Result, judge
from apertrue.scene import Hints
from apertrue.simulate import Recipe, simulate


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="shorter, and fewer updates")
    parser.add_argument("--side", type=int, default=2048, help="of the live pictures, px")
    parser.add_argument("--seconds", type=float, default=10.0, help="for each row of the table")
    parser.add_argument("--updates", type=int, default=1000, help="new pictures in the leak check; 0 = none")
    parser.add_argument("--only", choices=("live", "leaks", "drops"), help="this part alone")
    given = parser.parse_args()
    if given.quick:
        given.seconds, given.updates = 3.0, 150
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        print("No display: run it under xvfb-run. Skipped.")
        return
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        # No settings of this machine's user take part.
        for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME", "APPDATA", "LOCALAPPDATA"):
            os.environ[name] = folder
        os.environ["NAPARI_CONFIG"] = str(Path(folder) / "napari.yaml")
        import qtpy.QtCore  # noqa: F401

        from apertrue.napari._versions import keep_constants

        keep_constants()
        if given.only in (None, "drops"):
            drops(Path(folder))
        if given.only in (None, "live"):
            live(given.side, given.seconds)
        if given.updates and given.only in (None, "leaks"):
            leaks(given.updates)


def frames(side: int, count: int = 6) -> list[Frame]:
    """Pictures of a beam that creeps off by 0.1 % of the aperture radius a picture, 16 bit."""
    recipes = [
        Recipe(
            rows=side,
            columns=side,
            aperture_radius_px=0.35 * side,
            offset_x_percent=6.0 + 0.1 * k,
            offset_y_percent=-4.0,
            halo_level=0.06,
        )
        for k in range(count)
    ]
    return [simulate(r, np.random.default_rng(k)).frame for k, r in enumerate(recipes)]


# --- drops ---------------------------------------------------------------------------------------------------------------
def drops(folder: Path, side: int = 1024, count: int = 4) -> None:
    """The table of files dropped into the window, the first of a session apart."""
    import napari
    import tifffile
    from napari.settings import get_settings
    from qtpy.QtCore import QEvent, QMimeData, QPointF, Qt, QUrl
    from qtpy.QtGui import QDropEvent

    from apertrue.napari import _assess_model

    files = [folder / f"{k}.tif" for k in range(count)]
    for file, frame in zip(files, frames(side, count), strict=True):
        tifffile.imwrite(file, frame.pixels)
    get_settings().plugins.extension2reader = {"*.tif": "apertrue"}
    viewer = napari.Viewer(show=True)
    viewer.window.resize(1280, 820)
    run(0.5)
    begun = time.process_time()
    _, widget = viewer.window.add_plugin_dock_widget("apertrue", "Assess centering")
    run(3.0)
    print(f"A file of {side}² px dropped into the window, processor time, s")
    print(f"(the widget itself, with what it prepares: {time.process_time() - begun:.2f})")
    print(f"{'':10}{'open':>8}{'verdict':>9}{'of it judging':>15}{'wall clock':>12}")
    judging: list[float] = []
    judge_one = _assess_model.judge_one

    def timed(*given: Any) -> Result:
        start = time.thread_time()
        try:
            return judge_one(*given)
        finally:
            judging.append(time.thread_time() - start)

    _assess_model.judge_one = timed
    try:
        for k, file in enumerate(files):
            run(1.0)
            before = widget.result
            mime = QMimeData()
            mime.setUrls([QUrl.fromLocalFile(str(file))])
            event = QDropEvent(
                QPointF(50, 50), Qt.DropAction.CopyAction, mime, Qt.MouseButton.LeftButton,
                Qt.KeyboardModifier.NoModifier, QEvent.Type.Drop,
            )  # fmt: skip
            wall, cpu = time.perf_counter(), time.process_time()
            viewer.window._qt_viewer.dropEvent(event)
            opened = time.process_time() - cpu
            run(30, until=lambda before=before: widget.result not in (None, before) and widget.settled)
            told = time.process_time() - cpu
            took = time.perf_counter() - wall
            print(f"{f'file {k + 1}':10}{opened:8.2f}{told:9.2f}{judging[-1]:15.2f}{took:12.2f}", flush=True)
    finally:
        _assess_model.judge_one = judge_one
    widget.shut()
    viewer.close()
    run(0.3)
    print()


#: Pictures a second of the camera in one of the rows.
CAMERA = 16


# --- live ----------------------------------------------------------------------------------------------------------------
def live(side: int, seconds: float) -> None:
    """The table of rates."""
    pictures = frames(side)
    results = [judge(f) for f in pictures]
    load = f"; load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"Live layer, {side}² px, 16 bit; {os.cpu_count()} cores{load}; a window of 1280 × 820 px")
    print("CPU time (of a drawn frame, in the first two rows of a judged one) hardly depends on other load; rates do.")
    print(f"{'':46}{'drawn/s':>9}{'judged/s':>10}{'CPU ms':>9}")
    _row("engine alone, each picture anew", None, *_engine(pictures, seconds, follow=False))
    _row("engine alone, edges followed", None, *_engine(pictures, seconds, follow=True))
    for words, kind, rate in (
        ("napari alone: drawing the same data again", "redraw", None),
        ("napari alone: new data and drawing", "data", None),
        ("napari with our marks: new data and drawing", "marks", None),
        (f"all, a camera of {CAMERA} pictures a second", "all", CAMERA),
        ("all, pictures as fast as they are drawn", "all", None),
    ):
        _row(words, *_window(pictures, results, seconds, kind, rate))


def _row(words: str, drawn: float | None, judged: float | None, cpu_ms: float) -> None:
    cells = ["" if v is None else f"{v:.1f}" for v in (drawn, judged)]
    print(f"{words:46}{cells[0]:>9}{cells[1]:>10}{cpu_ms:9.0f}", flush=True)


def _engine(pictures: Sequence[Frame], seconds: float, *, follow: bool) -> tuple[float, float]:
    n, start, cpu = 0, time.perf_counter(), time.process_time()
    last = judge(pictures[0]).scene if follow else None
    # Up and down again, so that the beam never jumps.
    order = [*range(len(pictures)), *range(len(pictures) - 2, 0, -1)]
    while time.perf_counter() - start < seconds:
        result = judge(pictures[order[n % len(order)]], hints=Hints(previous=last))
        last = result.scene if follow else None
        n += 1
    return n / (time.perf_counter() - start), 1000 * (time.process_time() - cpu) / n


def _window(
    pictures: Sequence[Frame], results: Sequence[Result], seconds: float, kind: str, rate: int | None
) -> tuple[float, float | None, float]:
    """Frames drawn and pictures judged a second, and CPU time a drawn frame, ms; ``rate`` = of the camera."""
    import napari
    from qtpy.QtCore import Qt, QTimer

    from apertrue.napari._assess import AssessWidget
    from apertrue.napari._marks import marks
    from apertrue.napari._overlay_layer import OverlayLayer

    viewer = napari.Viewer(show=True)
    viewer.window.resize(1280, 820)
    layer = viewer.add_image(pictures[0].pixels, name="live")
    overlay = OverlayLayer(viewer)
    widget = None
    if kind == "all":
        widget = AssessWidget(viewer)
        viewer.window.add_dock_widget(widget, name="Assess")
    run(1.0)
    canvas = viewer.window._qt_viewer.canvas._scene_canvas
    counts = {"drawn": 0, "judged": 0}
    step = 0
    order = [*range(len(pictures)), *range(len(pictures) - 2, 0, -1)]

    def feed() -> None:
        nonlocal step
        step += 1
        k = order[step % len(order)]
        if kind == "redraw":
            canvas.update()
            return
        layer.data = pictures[k].pixels
        if kind == "marks":
            overlay.show(marks(results[k].scene, results[k].assessment, 1.0), np.eye(3))

    def drawn(_: Any) -> None:
        counts["drawn"] += 1
        # The next picture comes when the last one was drawn, as a camera's plugin does that does not want to pile up.
        if rate is None:
            timer.start(0)

    def judged(_: Any) -> None:
        counts["judged"] += 1

    timer = QTimer()
    timer.setTimerType(Qt.TimerType.PreciseTimer)
    timer.setSingleShot(rate is None)
    timer.timeout.connect(feed)
    canvas.events.draw.connect(drawn)
    if widget is not None:
        widget.latest.done.connect(judged)
    timer.start(0 if rate is None else round(1000 / rate))
    # The process that judges takes about a second to start.
    run(20, until=lambda: widget is None or (widget.model.live and widget.model.second.ready))
    run(0.5)
    counts.update(drawn=0, judged=0)
    start, cpu = time.perf_counter(), processor_seconds()
    run(seconds)
    took, cpu_ms = time.perf_counter() - start, 1000 * (processor_seconds() - cpu) / max(counts["drawn"], 1)
    drawn_rate, judged_rate = counts["drawn"] / took, counts["judged"] / took
    timer.stop()
    canvas.events.draw.disconnect(drawn)
    if widget is not None:
        widget.shut()
    viewer.close()
    run(0.3)
    return drawn_rate, (judged_rate if kind == "all" else None), cpu_ms


def processor_seconds() -> float:
    """CPU time of this process and of those that it started, s."""
    own = psutil.Process()
    return sum(sum(p.cpu_times()[:2]) for p in (own, *own.children(recursive=True)))


def run(seconds: float, until: Callable[[], bool] = lambda: False) -> None:
    """Let the window live for a while, or until something is true."""
    from qtpy.QtCore import QEventLoop, QTimer

    if until():
        return
    loop = QEventLoop()
    look, end = QTimer(), QTimer()
    look.timeout.connect(lambda: loop.quit() if until() else None)
    end.setSingleShot(True)
    end.timeout.connect(loop.quit)
    look.start(5)
    end.start(round(1000 * seconds))
    loop.exec()
    look.stop()
    end.stop()


# --- leaks ---------------------------------------------------------------------------------------------------------------
def leaks(updates: int, side: int = 512) -> None:
    """The table of what grows."""
    import napari

    from apertrue.napari._assess import AssessWidget

    pictures = frames(side, 5)
    viewer = napari.Viewer(show=True)
    viewer.window.resize(1280, 820)
    layer = viewer.add_image(pictures[0].pixels, name="live")
    widget = AssessWidget(viewer)
    viewer.window.add_dock_widget(widget, name="Assess")
    run(20, until=lambda: widget.result is not None)
    print(f"\n{updates} pictures of {side}² px, one after another, each judged and drawn")
    print(f"{'pictures':>9}{'layers':>8}{'threads':>9}{'listeners':>11}{'widgets':>9}{'objects':>10}{'MB':>8}")
    marks_ = sorted({round(updates * share) for share in (0.1, 0.25, 0.5, 0.75, 1.0)})
    first: tuple[int, float] | None = None
    for n in range(1, updates + 1):
        # An array of its own each time, as a camera brings it: one that is kept shows in the memory.
        layer.data = pictures[n % len(pictures)].pixels.copy()
        before = widget.result
        run(20, until=lambda before=before: widget.result is not before and widget.settled)
        if n in marks_:
            told = census(viewer, widget, layer)
            print(f"{n:9}" + "".join(f"{v:>{w}}" for v, w in zip(told[:5], (8, 9, 11, 9, 10))) + f"{told[5]:8.1f}")
            # Until a quarter is through, caches fill.
            if first is None and 4 * n >= updates:
                first = (n, told[5])
            last = told[5]
    if first is not None and updates > first[0]:
        print(f"Growth after the first {first[0]}: {1000 * (last - first[1]) / (updates - first[0]):.1f} kB a picture")
    widget.shut()
    viewer.close()


def census(viewer: Any, widget: Any, layer: Any) -> tuple[int, int, int, int, int, float]:
    """Layers, threads, listeners, Qt widgets, Python objects, and memory in MB."""
    from qtpy.QtWidgets import QApplication, QWidget

    gc.collect()
    give_back()
    listeners = sum(len(e.callbacks) for e in (layer.events.data, layer.events.scale, viewer.dims.events.current_step))
    return (
        len(viewer.layers),
        threading.active_count(),
        listeners,
        len(widget.findChildren(QWidget)) + len(QApplication.topLevelWidgets()),
        len(gc.get_objects()),
        psutil.Process().memory_info().rss / 1e6,
    )


def give_back() -> None:
    """Give free memory back to the system where that can be asked for: what is left is in use."""
    if sys.platform.startswith("linux"):
        import ctypes

        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)


if __name__ == "__main__":
    main()
