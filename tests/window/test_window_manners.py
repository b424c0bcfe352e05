"""What holds for all widgets: keys, ends, sizes, nothing that grows; and the live sample."""

import gc
import subprocess
import sys
import threading
from collections import Counter
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("napari")
pytestmark = pytest.mark.window

from npe2 import PluginManifest  # noqa: E402
from qtpy.QtCore import Qt  # noqa: E402
from qtpy.QtWidgets import QAbstractButton, QAbstractScrollArea, QComboBox, QLabel, QLineEdit, QTableView  # noqa: E402

import apertrue  # noqa: E402
from apertrue.napari._overlay_layer import NAME  # noqa: E402
from apertrue.napari._versions import keep_constants  # noqa: E402


def widgets() -> tuple[str, ...]:
    """Where each widget stands that the manifest offers."""
    offers = PluginManifest.from_file(Path(apertrue.__file__).parent / "napari" / "napari.yaml").contributions
    where = {c.id: c.python_name for c in offers.commands}
    return tuple(where[w.command] for w in offers.widgets)


WIDGETS = widgets()
#: Keys that napari's own menu bar answers to with Alt.
MENUS = set("fvlpwh")


def made(where: str, viewer):
    module, _, name = where.partition(":")
    return getattr(import_module(module), name)(viewer)


def test_each_widget_by_keys_and_its_end(make_napari_viewer) -> None:
    viewer = make_napari_viewer()
    for where in WIDGETS:
        widget = made(where, viewer)
        dock = viewer.window.add_dock_widget(widget, name=where)
        letters = [
            text[text.index("&") + 1].lower()
            for button in widget.findChildren(QAbstractButton)
            if "&" in (text := button.text())
        ]
        assert len(letters) == len(set(letters)), f"{where}: two buttons answer to one key: {sorted(letters)}"
        assert not MENUS & set(letters), f"{where}: a button takes a key of the menu bar"
        for child in (*widget.findChildren(QAbstractButton), *widget.findChildren(QComboBox)):
            if child.objectName().startswith("qt_") or isinstance(child.parent(), QTableView):  # a table's own part
                continue
            assert child.focusPolicy() & Qt.FocusPolicy.TabFocus, f"{where}: {child.objectName()} can't be reached"
        for field in widget.findChildren(QLineEdit):
            assert field.focusPolicy() & Qt.FocusPolicy.TabFocus
        # Low enough for a screen of 1080 lines at 150 %, beside napari's own bars.
        assert widget.minimumSizeHint().height() < 640, where
        assert widget.minimumSizeHint().width() < 560, where
        assert any(
            a.widgetResizable() for a in widget.findChildren(QAbstractScrollArea) if hasattr(a, "widgetResizable")
        )
        # The dock's cross: napari only takes the widget out.
        viewer.window.remove_dock_widget(dock)
        assert widget._closed, where
    assert not [layer.name for layer in viewer.layers]


def test_many_pictures_leave_nothing_behind(assess, settled, shot, centered) -> None:
    widget = assess()
    layer = widget.viewer.add_image(shot.frame.pixels)
    settled(widget)

    def next_picture(k: int) -> None:
        # An array of its own each time: one that is kept would show.
        layer.data = (shot if k % 2 else centered).frame.pixels.copy()
        settled(widget)

    def kinds() -> Counter[str]:
        gc.collect()
        return Counter(f"{type(o).__module__}.{type(o).__qualname__}" for o in gc.get_objects())

    def count() -> tuple[int, int]:
        return len(widget.viewer.layers), len(layer.events.data.callbacks)

    def threads() -> int:
        return sum(1 for t in threading.enumerate() if t.name != "apertrue second")

    for k in range(5):
        next_picture(k)
    before, at_work, seen, pictures = count(), threads(), [kinds()], 8
    for _ in range(2):
        for k in range(pictures):
            next_picture(k)
        seen.append(kinds())
    assert count() == before
    assert threads() <= at_work
    # What grows each time, not what is made once: not one object of any kind stays with a picture, of ours not half.
    grown = (seen[1] - seen[0]) & (seen[2] - seen[1])
    assert not {kind: n for kind, n in grown.items() if n >= pictures // (2 if "apertrue" in kind else 1)}


def test_new_marks_do_not_have_their_drawing_program_built_again(assess, settled, shot, centered, monkeypatch) -> None:
    """Each building costs a third of the drawing, and some drivers keep a part of it."""
    from vispy.gloo import glir

    widget = assess(show=True)
    layer = widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    # The first marks are drawn, however late the window shows them, and old ones of vispy link once more for the second.
    for data in (centered, shot):
        widget.viewer.screenshot(canvas_only=True, flash=False)
        layer.data = data.frame.pixels.copy()
        settled(widget)
    widget.viewer.screenshot(canvas_only=True, flash=False)
    canvas = widget.viewer.window._qt_viewer.canvas._scene_canvas
    drawn, linked = [], []
    real = glir.GlirProgram.link_program
    monkeypatch.setattr(glir.GlirProgram, "link_program", lambda program: linked.append(1) or real(program))
    canvas.events.draw.connect(lambda event: drawn.append(event))
    before = widget.viewer.layers[NAME].data.copy()
    for k in range(4):
        layer.data = (shot if k % 2 else centered).frame.pixels.copy()
        settled(widget)
        widget.viewer.screenshot(canvas_only=True, flash=False)
    layer.data = np.roll(shot.frame.pixels, 7, axis=0)
    settled(widget)
    widget.viewer.screenshot(canvas_only=True, flash=False)
    assert not np.array_equal(widget.viewer.layers[NAME].data, before)
    assert len(drawn) >= 5
    assert not linked


def test_references_to_constants_do_not_run_out() -> None:
    """Where the Qt binding takes them, they are made plenty; elsewhere nothing is done, and a second time neither."""
    first = keep_constants()
    assert not keep_constants()
    if first:
        assert min(sys.getrefcount(c) for c in (None, True, False)) > 2**40


def test_the_live_sample_changes_until_its_layer_goes(make_napari_viewer, qtbot) -> None:
    from apertrue.napari import _live
    from apertrue.napari._origin import origin_of

    viewer = make_napari_viewer()
    before = set(_live._AT_WORK)
    (layer,) = viewer.open_sample("apertrue", "microscope")
    (feed,) = _live._AT_WORK - before
    first = np.array(layer.data)
    feed.next()
    assert layer.data.shape == first.shape
    assert not np.array_equal(layer.data, first)
    origin = origin_of(layer.metadata)
    assert origin.simulated
    assert origin.fits(layer.data)
    viewer.layers.remove(layer)
    assert feed not in _live._AT_WORK
    assert not feed.timer.isActive()


def test_numbers_for_people_have_true_minus_signs_and_names_keep_their_hyphens(qtbot) -> None:
    from apertrue.napari._panel_words import panel
    from apertrue.napari._result_view import ResultView
    from apertrue.pipeline import judge
    from apertrue.registry.format import with_minus
    from apertrue.simulate import Recipe, simulate

    assert (
        with_minus("by -3.2 ± 0.1 (-.5), 2026-03-02, scan-3, 5-10, -x")
        == "by −3.2 ± 0.1 (−.5), 2026-03-02, scan-3, 5-10, -x"
    )
    recipe = Recipe(
        rows=256, columns=256, aperture_radius_px=90.0, offset_x_percent=-38.0, offset_y_percent=20.0, halo_level=0.06
    )
    result = judge(simulate(recipe, np.random.default_rng(3)).frame)
    assert result.assessment.gap_percent < 0
    view = ResultView()
    qtbot.addWidget(view)
    view.show_panel(panel(result, None))
    assert view.value("Tightest gap").startswith("−")
    assert not [t for t in (label.text() for label in view.findChildren(QLabel)) if " -" in t]


def test_a_reading_is_shown_with_a_true_minus_and_typed_with_either(qtbot) -> None:
    from qtpy.QtTest import QTest

    from apertrue.napari._reading_box import ReadingBox

    box = ReadingBox()
    qtbot.addWidget(box)
    box.setRange(-100.0, 100.0)
    box.setValue(-7.25)
    assert box.text() == "−7.25"
    for typed in ("-12.5", "−12.5"):
        box.setValue(3.0)
        box.selectAll()
        box.lineEdit().insert(typed)
        QTest.keyClick(box, Qt.Key.Key_Return)
        assert (box.value(), box.text()) == (-12.5, "−12.50")
    box.selectAll()
    QTest.keyClicks(box, "7x-")
    QTest.keyClick(box, Qt.Key.Key_Return)
    assert box.value() == 7.0
    box.stepBy(-8)
    assert box.text() == "−1.00"


def test_what_the_first_picture_needs_is_there_before_it(make_napari_viewer, qtbot, monkeypatch) -> None:
    from apertrue.napari import _early

    imported, units = [], []
    monkeypatch.setattr(_early, "_begun", False)
    monkeypatch.setattr(_early, "import_module", lambda name: imported.append((name, threading.current_thread().name)))
    monkeypatch.setattr(_early, "read_units", lambda: units.append(threading.current_thread()))
    viewer = make_napari_viewer()
    for where in WIDGETS[:2]:
        viewer.window.add_dock_widget(made(where, viewer))
    qtbot.waitUntil(lambda: bool(units), timeout=120_000)
    assert imported == [(name, "apertrue early") for name in _early.MODULES]
    assert units == [threading.main_thread()]


def test_what_is_imported_early_is_what_napari_and_the_readers_import_late() -> None:
    """In a fresh process, a layer with lines and a file need nothing more than was imported early."""
    program = """
import sys
import napari
import numpy as np
from napari.layers import Vectors
from apertrue.napari import _early
from apertrue.napari._reader import read
# Old ones import it by themselves.
old = tuple(int(n) for n in napari.__version__.split(".")[:2]) < (0, 9)
assert old or "pandas" not in sys.modules, "napari imports it early: this is no longer needed"
_early.import_all()
_early.read_units()
before = set(sys.modules)
Vectors(np.zeros((3, 2, 2)))
read(sys.argv[1])
late = {name.partition(".")[0] for name in set(sys.modules) - before}
assert not late & {"pandas", "pint", "tifffile", "PIL", "scipy"}, late
"""
    picture = Path(__file__).resolve().parents[2] / "sample_images" / "01-centered.tif"
    done = subprocess.run([sys.executable, "-c", program, str(picture)], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr


def test_opened_from_the_menu_a_widget_knows_its_layers_again(make_napari_viewer, settled, shot, qtbot) -> None:
    """There it gets a wrapped viewer, whose layers are other objects than those that events bring."""
    viewer = make_napari_viewer()
    _, assess = viewer.window.add_plugin_dock_widget("apertrue", "Assess centering")
    _, watch = viewer.window.add_plugin_dock_widget("apertrue", "Watch centering")
    viewer.add_image(shot.frame.pixels, name="first")
    assert settled(assess) is not None
    assert watch.which.currentText() == "first"
    assess.hand.fix_beam.click()
    viewer.layers.remove("first")
    assert settled(assess) is None
    assert assess.target is None
    assert not assess.hand.edge_tool.on
    assert assess.note.text() == ""
    assert "Open a picture" in assess.view.words.text()
    assert watch.which.count() == 0
    viewer.add_image(shot.frame.pixels, name="second")
    assert settled(assess) is not None
    before = assess.result
    assess.hand.region.click()
    viewer.layers.remove(assess.hand.region_tool.layer)
    assert not assess.hand.region.isChecked()
    assert assess.note.text() == ""
    viewer.layers.selection.active = viewer.layers["second"]
    settled(assess)
    # The same picture is not taken for another one.
    assert assess.target is viewer.layers["second"]
    assert assess.result is before
    assess.shut()
    watch.shut()
