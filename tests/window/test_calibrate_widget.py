"""The calibrate widget: a virtual microscope is calibrated as the widget says, saved, and nudged to the center."""

import pytest

pytest.importorskip("napari")
pytestmark = pytest.mark.window

from qtpy.QtCore import Qt  # noqa: E402
from qtpy.QtTest import QTest  # noqa: E402

from apertrue.calibration import load_calibrations  # noqa: E402
from apertrue.microscope import VirtualMicroscope  # noqa: E402
from apertrue.napari._calibrate import CalibrateWidget  # noqa: E402
from apertrue.napari._versions import camera_of  # noqa: E402


@pytest.fixture
def widget(make_napari_viewer, qtbot):
    viewer = make_napari_viewer()
    out = CalibrateWidget(viewer)
    viewer.window.add_dock_widget(out, name="Calibrate")
    yield out
    out.shut()


@pytest.fixture
def press(widget, qtbot):
    def push(button) -> None:
        assert button.isEnabled()
        QTest.mouseClick(button, Qt.MouseButton.LeftButton)
        qtbot.waitUntil(lambda: not widget.latest.running, timeout=120_000)

    return push


def test_following_the_steps_gives_a_calibration_that_the_commands_find(widget, press) -> None:
    scope = VirtualMicroscope(3, size=256)
    scope.misalign(12.0, 40.0)
    layer = widget.viewer.add_image(scope.snapshot().pixels)
    widget.x.setValue(scope.shift[0])
    widget.y.setValue(scope.shift[1])
    for _ in range(7):
        press(widget.add)
        if widget.model.guide.suggestion().kind == "finished":
            break
        # The widget fills in the readings that it asks for; the operator sets them.
        scope.set_shift(widget.x.value(), widget.y.value())
        layer.data = scope.snapshot().pixels
    assert widget.table.rowCount() == len(widget.model.guide.points) >= 4
    assert "good" in widget.good.text() or "fair" in widget.good.text()
    assert "turn gun shift X" in widget.move_words.text() or "centered" in widget.move_words.text()
    press(widget.save)
    (saved,) = load_calibrations(widget.model.place)
    assert saved.n_points == len(widget.model.guide.points)
    press(widget.undo)
    assert widget.table.rowCount() == saved.n_points - 1
    press(widget.over)
    assert widget.table.rowCount() == 0
    assert not widget.save.isEnabled()


def test_the_edges_are_drawn_until_the_picture_is_another(widget, press) -> None:
    scope = VirtualMicroscope(3, size=256)
    scope.misalign(12.0, 40.0)
    layer = widget.viewer.add_image(scope.snapshot().pixels)
    edges = widget.edges.overlay

    def drawn() -> bool:
        return edges.layer is not None and edges.layer in widget.viewer.layers and edges.layer.visible

    def next_picture() -> None:
        scope.set_shift(widget.x.value(), widget.y.value())
        layer.data = scope.snapshot().pixels

    widget.x.setValue(scope.shift[0])
    widget.y.setValue(scope.shift[1])
    assert not drawn()
    press(widget.add)
    assert drawn()
    assert widget.viewer.layers.selection.active is layer
    assert "Arrow" not in widget.drawn.text()  # the step asks for another move than the one to the center
    next_picture()
    assert not drawn()
    for _ in range(4):
        press(widget.add)
        assert drawn()
        if "Arrow" in widget.drawn.text():
            break
        next_picture()
    assert not widget.move_words.isHidden()
    assert "Arrow: the needed move" in widget.drawn.text()
    narrow = edges.layer.edge_width
    camera_of(widget.viewer).zoom /= 2
    assert edges.layer.edge_width == pytest.approx(2 * narrow)
    press(widget.undo)
    assert not drawn()
    assert widget.drawn.isHidden()
    press(widget.add)
    assert drawn()
    widget.viewer.layers.remove(layer)
    assert not drawn()


def test_a_picture_that_changed_while_it_was_judged_gets_no_edges(widget, qtbot, shot) -> None:
    layer = widget.viewer.add_image(shot.frame.pixels)
    QTest.mouseClick(widget.add, Qt.MouseButton.LeftButton)
    layer.data = shot.frame.pixels[::-1]
    qtbot.waitUntil(lambda: not widget.latest.running, timeout=120_000)
    assert widget.table.rowCount() == 1
    assert widget.edges.overlay.layer is None


def test_what_gives_no_point_is_told(widget, press, shot) -> None:
    press(widget.add)
    assert "Choose the picture" in widget.note.text()
    widget.viewer.add_image(shot.frame.pixels * 0)
    press(widget.add)
    assert "no offset could be measured" in widget.note.text()
    assert widget.table.rowCount() == 0


def test_doubted_readings_are_asked_about_before_anything_is_saved(widget, press) -> None:
    scope = VirtualMicroscope(3, size=256)
    scope.misalign(12.0, 40.0)
    layer = widget.viewer.add_image(scope.snapshot().pixels)
    widget.x.setValue(scope.shift[0])
    widget.y.setValue(scope.shift[1])
    for _ in range(3):
        press(widget.add)
        scope.set_shift(widget.x.value(), widget.y.value())
        layer.data = scope.snapshot().pixels
    assert widget.save.isEnabled()
    assert not widget.accept.isEnabled()
    points = widget.table.rowCount()
    # Far from what was to be set: asked about first, and taken when it is meant.
    widget.x.setValue(widget.x.value() + 40.0)
    press(widget.add)
    assert "press again" in widget.note.text()
    assert widget.table.rowCount() == points
    press(widget.add)
    assert widget.table.rowCount() == points + 1
    assert "accept them" in widget.step.text()
    assert not widget.save.isEnabled()
    assert widget.move_words.isHidden()
    press(widget.accept)
    assert "accept them" not in widget.step.text()
    assert not widget.accept.isEnabled()
    press(widget.undo)
    assert widget.table.rowCount() == points
    assert widget.save.isEnabled()


def test_closing_in_the_middle_is_quiet(widget, qtbot, shot) -> None:
    widget.viewer.add_image(shot.frame.pixels)
    QTest.mouseClick(widget.add, Qt.MouseButton.LeftButton)
    widget.close()
    qtbot.wait(600)
    assert not widget.model.guide.points
