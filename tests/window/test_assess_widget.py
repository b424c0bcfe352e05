"""The assess widget in a real viewer: every button, drag and paste, wrong input, closing in the middle of work."""

import time
from threading import Event
from types import SimpleNamespace

import numpy as np
import pytest

pytest.importorskip("napari")
pytestmark = pytest.mark.window

from qtpy.QtCore import QMimeData, Qt  # noqa: E402
from qtpy.QtGui import QImage  # noqa: E402
from qtpy.QtTest import QTest  # noqa: E402
from qtpy.QtWidgets import QApplication, QLabel, QToolButton  # noqa: E402

from apertrue.napari._assess import DOTS_NAME, REGION_NAME  # noqa: E402
from apertrue.napari._marks import marks  # noqa: E402
from apertrue.napari._overlay_layer import NAME  # noqa: E402
from apertrue.napari._versions import camera_of  # noqa: E402


def click(button) -> None:
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)


def shows(widget, name: str) -> str:
    return widget.findChild(QLabel, name).text()


def held(widget, monkeypatch) -> tuple[Event, Event]:
    """Hold the widget's work: told when it has started, it goes on when the second event is set."""
    started, go = Event(), Event()
    work = widget.model.work

    def slow(aim, now=None):
        started.set()
        go.wait(20)
        return work(aim, now)

    monkeypatch.setattr(widget.model, "work", slow)
    return started, go


def draw(viewer, *path) -> None:
    """A press, moves and a release on the canvas at (row, column) in the world, as napari passes them on."""
    event = SimpleNamespace(type="mouse_press", position=path[0], dims_displayed=(0, 1), button=1, modifiers=[])
    running = [g for c in list(viewer.mouse_drag_callbacks) if (g := c(viewer, event)) is not None]
    for step in running:
        next(step, None)
    for at in path[1:]:
        event.type, event.position = "mouse_move", at
        for step in running:
            next(step, None)
    event.type = "mouse_release"
    for step in running:
        next(step, None)


def outline(viewer) -> np.ndarray:
    """World coordinates of the overlay's segments, (n, 2)."""
    layer = viewer.layers[NAME]
    lines = layer.data[layer.edge_color[:, 3] > 0]
    ends = np.column_stack([lines[:, 0], np.ones(len(lines))])
    return (ends @ np.asarray(layer.affine.affine_matrix).T)[:, :2]


def test_an_empty_viewer_says_what_to_do(assess) -> None:
    widget = assess()
    assert "drag a file" in shows(widget, "sentences")
    assert not widget.again.isEnabled()
    assert not widget.hand.undo.isEnabled()
    assert widget.paste.isEnabled()


def test_a_new_picture_is_judged_by_itself(assess, settled, shot) -> None:
    widget = assess()
    widget.viewer.add_image(shot.frame.pixels, name="snapshot")
    result = settled(widget)
    assert result.assessment.offset_percent == pytest.approx(15.0, abs=0.5)
    assert shows(widget, "verdict") == result.assessment.verdict.upper()
    assert shows(widget, "picture") == "snapshot"
    assert widget.view.value("Offset").endswith("%")
    assert "not known" in shows(widget, "age")
    # The picture stays active; one layer was added.
    assert widget.viewer.layers.selection.active.name == "snapshot"
    assert [layer.name for layer in widget.viewer.layers] == ["snapshot", NAME]


@pytest.mark.parametrize(
    "place",
    [
        {"scale": (0.5, 0.5), "translate": (40.0, -25.0)},
        {"rotate": 30.0, "scale": (2.0, 2.0)},
        {"shear": [0.2], "affine": np.array([[1.5, 0.0, 7.0], [0.0, 1.5, -3.0], [0.0, 0.0, 1.0]])},
    ],
    ids=["scaled and moved", "rotated", "sheared and affine"],
)
def test_marks_lie_on_the_picture_wherever_it_lies_in_the_world(assess, settled, shot, place) -> None:
    widget = assess()
    layer = widget.viewer.add_image(shot.frame.pixels, **place)
    settled(widget)
    pixels = np.array([layer.world_to_data(p) for p in outline(widget.viewer)])
    t = shot.truth
    beam = abs(np.hypot(pixels[:, 1] - t.beam_x_px, pixels[:, 0] - t.beam_y_px) - t.beam_radius_px)
    aperture = abs(np.hypot(pixels[:, 1] - t.aperture_x_px, pixels[:, 0] - t.aperture_y_px) - t.aperture_radius_px)
    assert np.count_nonzero(beam < 0.6) >= 140
    assert np.count_nonzero(aperture < 0.6) >= 90


def test_moving_the_layer_moves_the_marks(assess, settled, shot) -> None:
    widget = assess()
    layer = widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    before = outline(widget.viewer)
    layer.translate = (100.0, 50.0)
    settled(widget)
    assert np.allclose(outline(widget.viewer) - before, (100.0, 50.0), atol=1e-6)


@pytest.mark.parametrize("lazy", [False, True], ids=["array", "dask"])
def test_the_slider_chooses_the_picture(assess, settled, shot, centered, lazy) -> None:
    stack = np.stack([shot.frame.pixels, centered.frame.pixels])
    if lazy:
        stack = pytest.importorskip("dask.array").from_array(stack, chunks=(1, 256, 256))
    widget = assess()
    widget.viewer.add_image(stack, name="stack")
    settled(widget)
    widget.viewer.dims.set_current_step(0, 0)
    assert settled(widget).assessment.verdict != "leave"
    widget.viewer.dims.set_current_step(0, 1)
    assert settled(widget).assessment.verdict == "leave"
    assert shows(widget, "picture") == "stack, page 1"
    assert "needed move" not in " ".join(w.text() for w in widget.view.legend.findChildren(QLabel))


def test_color_pictures_count_as_display_pictures(assess, settled, shot) -> None:
    light = shot.frame.pixels.astype(float)
    rgb = np.zeros((*light.shape, 3), np.uint8)
    rgb[..., 1] = 255 * light / light.max()
    widget = assess()
    widget.viewer.add_image(rgb, rgb=True)
    a = settled(widget).assessment
    assert a.offset_percent == pytest.approx(15.0, abs=1.5)
    assert a.score is None


def test_new_data_and_crops_are_judged_again(assess, settled, shot, centered) -> None:
    widget = assess()
    layer = widget.viewer.add_image(shot.frame.pixels)
    first = settled(widget).assessment
    layer.data = shot.frame.pixels[10:, 20:]
    cropped = settled(widget).assessment
    assert cropped.aperture_x_px == pytest.approx(first.aperture_x_px - 20, abs=0.2)
    assert cropped.aperture_y_px == pytest.approx(first.aperture_y_px - 10, abs=0.2)
    layer.data = centered.frame.pixels
    assert settled(widget).assessment.verdict == "leave"


def test_other_layers_do_not_take_the_picture_away(assess, settled, shot, centered) -> None:
    widget = assess()
    first = widget.viewer.add_image(shot.frame.pixels, name="first")
    settled(widget)
    widget.viewer.add_points([[10.0, 10.0]])
    settled(widget)
    assert widget.target is first
    second = widget.viewer.add_image(centered.frame.pixels, name="second")
    assert settled(widget).assessment.verdict == "leave"
    widget.viewer.layers.remove(second)
    widget.viewer.layers.selection.active = first
    assert settled(widget).assessment.verdict != "leave"
    widget.viewer.layers.remove(first)
    settled(widget)
    assert widget.result is None
    assert not widget.viewer.layers[NAME].visible


def test_what_cannot_be_judged_is_said_and_nothing_old_stays(assess, settled, shot) -> None:
    widget = assess()
    layer = widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    layer.data = np.full((256, 256), np.nan)
    assert settled(widget) is None
    assert "none of its pixels" in shows(widget, "sentences")
    assert not widget.viewer.layers[NAME].visible
    assert widget.view.badge.isHidden()
    layer.data = np.stack([shot.frame.pixels] * 2)
    assert settled(widget) is not None
    widget.viewer.dims.ndisplay = 3
    assert settled(widget) is None
    assert "2-D" in shows(widget, "sentences")


def test_a_screenshot_is_pasted(assess, settled, shot) -> None:
    widget = assess()
    clipboard = QApplication.clipboard()
    clipboard.setMimeData(QMimeData())
    click(widget.paste)
    assert "no picture in the clipboard" in shows(widget, "note")
    gray = (255.0 * shot.frame.pixels / shot.frame.pixels.max()).astype(np.uint8)
    # An odd width: rows of a clipboard's picture are padded.
    gray = np.ascontiguousarray(gray[:, :251])
    clipboard.setImage(QImage(gray.data, 251, 256, 251, QImage.Format.Format_Grayscale8))
    click(widget.paste)
    result = settled(widget)
    assert np.array_equal(widget.target.data[..., 1], gray)
    assert result.assessment.offset_percent == pytest.approx(15.0, abs=1.5)


def test_three_clicks_correct_the_beam_edge_and_undo_takes_it_back(assess, settled, shot) -> None:
    widget = assess()
    widget.viewer.add_image(shot.frame.pixels, scale=(2.0, 2.0))
    settled(widget)
    click(widget.hand.fix_beam)
    assert widget.hand.edge_tool.on
    assert not camera_of(widget.viewer).mouse_pan
    t = shot.truth
    # Inside the rim, so that a click takes hold of nothing but counts as a point.
    for angle in (0.3, 2.4, 4.4):
        x, y = t.beam_x_px + t.beam_radius_px * np.cos(angle), t.beam_y_px + t.beam_radius_px * np.sin(angle)
        draw(widget.viewer, (2 * y, 2 * x))
    assert not widget.hand.edge_tool.on
    assert camera_of(widget.viewer).mouse_pan
    assert not widget.viewer.layers[DOTS_NAME].visible
    assert widget.model.drawn.beam.radius == pytest.approx(t.beam_radius_px, abs=0.1)
    assert settled(widget).scene.guided
    assert "Guided" in shows(widget, "sentences")
    click(widget.hand.undo)
    assert not settled(widget).scene.guided
    assert not widget.hand.undo.isEnabled()


def test_points_on_a_line_are_refused_with_words(assess, settled, shot) -> None:
    widget = assess()
    widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    click(widget.hand.fix_aperture)
    for k in (20.0, 100.0, 180.0):
        draw(widget.viewer, (k, k))
    assert "on a line" in shows(widget, "note")
    assert widget.hand.edge_tool.on
    assert widget.model.drawn.aperture is None
    QTest.keyClick(widget, Qt.Key.Key_Escape)
    assert not widget.hand.edge_tool.on
    assert not widget.hand.fix_aperture.isChecked()


def test_dragging_the_rim_gives_the_fit_a_start(assess, settled, shot) -> None:
    widget = assess()
    widget.viewer.add_image(shot.frame.pixels)
    found = settled(widget).scene.aperture
    click(widget.hand.fix_aperture)
    at = (found.y, found.x + found.radius)
    draw(widget.viewer, at, (at[0], at[1] + 5), (at[0], at[1] + 9))
    assert widget.model.drawn.aperture.radius == pytest.approx(found.radius + 9, abs=0.1)
    again = settled(widget).scene
    assert again.guided
    assert again.aperture.radius == pytest.approx(found.radius, abs=0.3)
    click(widget.hand.clear)
    assert not settled(widget).scene.guided


def test_a_drawn_region_restricts_the_search(assess, settled, shot, centered) -> None:
    both = np.hstack([shot.frame.pixels, centered.frame.pixels])
    widget = assess()
    image = widget.viewer.add_image(both, scale=(0.5, 0.5))
    settled(widget)
    click(widget.hand.region)
    shapes = widget.viewer.layers[REGION_NAME]
    assert shapes.mode == "add_rectangle"
    assert widget.viewer.layers.selection.active is shapes
    shapes.add_rectangles(np.array([[0.0, 256.0], [255.0, 511.0]]))
    result = settled(widget)
    assert result.assessment.verdict == "leave"
    assert result.assessment.aperture_x_px > 256
    assert widget.viewer.layers.selection.active is image
    assert not widget.hand.region.isChecked()
    click(widget.hand.undo)
    settled(widget)
    assert widget.model.drawn.region is None
    assert len(shapes.data) == 0


def test_deleting_the_region_layer_searches_everywhere(assess, settled, shot) -> None:
    widget = assess()
    widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    click(widget.hand.region)
    widget.viewer.layers[REGION_NAME].add_rectangles(np.array([[10.0, 10.0], [250.0, 250.0]]))
    settled(widget)
    assert widget.model.drawn.region is not None
    widget.viewer.layers.remove(REGION_NAME)
    settled(widget)
    assert widget.model.drawn.region is None


def test_cancel_throws_the_work_away(assess, settled, shot, monkeypatch, qtbot) -> None:
    widget = assess()
    widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    _, go = held(widget, monkeypatch)
    before = widget.result
    click(widget.again)
    assert shows(widget, "state") == "working…"
    click(widget.cancel)
    assert "Canceled" in shows(widget, "note")
    assert shows(widget, "state") == ""
    go.set()
    qtbot.wait(100)
    assert widget.result is before
    click(widget.again)
    assert settled(widget) is not before


def test_closing_in_the_middle_of_work_is_quiet(assess, shot, monkeypatch, qtbot) -> None:
    widget = assess()
    started, go = held(widget, monkeypatch)
    layer = widget.viewer.add_image(shot.frame.pixels)
    qtbot.waitUntil(started.is_set, timeout=120_000)
    widget.close()
    go.set()
    qtbot.wait(150)
    assert widget.result is None
    # A viewer that goes on does not wake the closed widget.
    layer.data = shot.frame.pixels[5:]
    widget.viewer.add_image(shot.frame.pixels)
    qtbot.wait(60)
    assert not widget.latest.running


def test_many_updates_add_no_layers_and_no_listeners(assess, settled, shot, centered) -> None:
    widget = assess()
    layer = widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    listeners = len(layer.events.data.callbacks)
    for k in range(6):
        layer.data = (shot if k % 2 else centered).frame.pixels
        settled(widget)
    assert len(widget.viewer.layers) == 2
    assert len(layer.events.data.callbacks) == listeners


def test_a_broken_instrument_file_is_told(assess, tmp_path, monkeypatch) -> None:
    file = tmp_path / "scope.toml"
    file.write_text("limits = 3\n", encoding="utf-8")
    monkeypatch.setenv("APERTRUE_INSTRUMENT", str(file))
    widget = assess()
    assert "scope.toml" in shows(widget, "setup")


def test_folds_open_by_keyboard(assess, settled, shot) -> None:
    widget = assess(show=True)
    widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    button = widget.view.fold_budget.findChild(QToolButton)
    assert widget.view.budget.isHidden()
    button.setFocus()
    QTest.keyClick(button, Qt.Key.Key_Space)
    assert not widget.view.budget.isHidden()
    assert "Expected minutes lost" in widget.view.budget.text()


def test_the_canvas_shows_both_edges_where_they_are(assess, settled, shot, qtbot) -> None:
    """Colors of the true canvas at the projected edges, against the colors that the marks have."""
    widget = assess(show=True)
    viewer = widget.viewer
    viewer.window.resize(1000, 700)
    viewer.add_image(shot.frame.pixels)
    scene = settled(widget).scene
    qtbot.wait(200)
    picture = viewer.screenshot(canvas_only=True, flash=False)[..., :3].astype(int)
    rows, columns = picture.shape[:2]
    assert picture.mean() > 5, "the canvas is black"

    def on_canvas(x: float, y: float) -> tuple[int, int]:
        zoom = camera_of(viewer).zoom * rows / viewer.window._qt_viewer.canvas.size[0]
        _, cy, cx = camera_of(viewer).center
        return round(rows / 2 + (y - cy) * zoom), round(columns / 2 + (x - cx) * zoom)

    def share(edge, color: str) -> float:
        wanted = np.array([int(color[i : i + 2], 16) for i in (1, 3, 5)])
        hits = []
        for x, y in edge.outline(90):
            r, c = on_canvas(x, y)
            near = picture[max(r - 3, 0) : r + 4, max(c - 3, 0) : c + 4].reshape(-1, 3)
            hits.append(bool((abs(near - wanted).sum(axis=1) < 60).any()))
        return float(np.mean(hits))

    from apertrue.overlay.colors import APERTURE, BEAM

    # Stretches that the fit continues are faint; the aperture is dashed (two thirds drawn).
    assert share(scene.beam, BEAM) > 0.75 * scene.beam.seen > 0.4
    assert 0.4 * scene.aperture.seen < share(scene.aperture, APERTURE) < 0.9
    # Off the edges there is none of it.
    from dataclasses import replace

    assert share(replace(scene.beam, radius=0.6 * scene.beam.radius), APERTURE) < 0.1


def test_a_fast_live_layer_is_not_put_off_for_ever(assess, settled, shot, qtbot) -> None:
    """Changes that come faster than the pause that collects them are still answered."""
    widget = assess()
    layer = widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    begun = []
    widget.latest.busy.connect(begun.append)
    for _ in range(60):
        layer.data = shot.frame.pixels
        qtbot.wait(4)
        if begun:
            break
    assert begun


def test_a_live_layer_gets_a_second_process_that_ends_with_the_widget(assess, settled, shot, qtbot) -> None:
    widget = assess()
    second = widget.model.second
    layer = widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    assert second.pid is None
    answers, k = [], 0
    real = second.judge
    second.judge = lambda *asked: answers.append(real(*asked)) or answers[-1]
    end = time.monotonic() + 120
    while not answers and time.monotonic() < end:
        k += 1
        layer.data = np.roll(shot.frame.pixels, k % 5, axis=1)
        qtbot.wait(60)
    result = settled(widget)
    assert answers[0] is not None
    assert np.array_equal(result.frame.pixels, layer.data)
    # A live layer's marks wait for its next picture; this one was the last, and they are where it has the edges.
    expected = marks(result.scene, result.assessment, widget.px())
    assert np.allclose(outline(widget.viewer), expected.vectors[expected.colors[:, 3] > 0, 0], atol=1e-3)
    process = second._process
    assert process.poll() is None
    widget.shut()
    assert process.poll() is not None
    assert not second.ready


def test_an_edge_is_corrected_by_keys_alone(assess, settled, shot, qtbot) -> None:
    widget = assess()
    widget.viewer.add_image(shot.frame.pixels)
    found = settled(widget).scene.aperture
    QTest.keyClick(widget.hand.fix_aperture, Qt.Key.Key_Space)
    assert widget.hand.edge_tool.on
    assert "arrows move it" in shows(widget, "note")
    for key, shift in ((Qt.Key.Key_Right, False), (Qt.Key.Key_Down, False), (Qt.Key.Key_Right, True)):
        modifier = Qt.KeyboardModifier.ShiftModifier if shift else Qt.KeyboardModifier.NoModifier
        QTest.keyClick(widget.hand.fix_aperture, key, modifier)
    QTest.keyClick(widget.hand.fix_aperture, Qt.Key.Key_Minus)
    QTest.keyClick(widget.hand.fix_aperture, Qt.Key.Key_Return)
    drawn = widget.model.drawn.aperture
    assert (drawn.x, drawn.y) == pytest.approx((found.x + 11, found.y + 1))
    assert drawn.radius == pytest.approx(found.radius - 1)
    assert settled(widget).scene.guided
    # Undone from the picture, where one draws.
    widget.viewer.keymap[next(k for k in widget.viewer.keymap if "Z" in str(k))](widget.viewer)
    assert not settled(widget).scene.guided


def test_escape_gives_an_edge_moved_by_keys_back(assess, settled, shot) -> None:
    widget = assess()
    widget.viewer.add_image(shot.frame.pixels)
    settled(widget)
    before = outline(widget.viewer)
    click(widget.hand.fix_beam)
    QTest.keyClick(widget, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert not np.array_equal(outline(widget.viewer)[:20], before[:20])
    QTest.keyClick(widget, Qt.Key.Key_Escape)
    assert widget.model.drawn.beam is None
    assert np.array_equal(outline(widget.viewer), before)


def test_the_region_by_keys(assess, settled, shot, centered) -> None:
    widget = assess()
    widget.viewer.add_image(np.hstack([shot.frame.pixels, centered.frame.pixels]))
    settled(widget)
    click(widget.hand.region)
    # From four fifths of the picture to the right half.
    shift = Qt.KeyboardModifier.ShiftModifier
    for key, times in ((Qt.Key.Key_Minus, 8), (Qt.Key.Key_Right, 14)):
        for _ in range(times):
            QTest.keyClick(widget.hand.region, key, shift)
    QTest.keyClick(widget.hand.region, Qt.Key.Key_Return)
    assert not widget.hand.region.isChecked()
    left, _, right, _ = widget.model.drawn.region
    # Four fifths of 512, 8 × 10 px less at each side, 14 × 10 px to the right.
    assert (left, right) == pytest.approx((51.1 + 80 + 140, min(459.9 - 80 + 140, 511)))
    settled(widget)
    click(widget.hand.undo)
    settled(widget)
    assert widget.model.drawn.region is None


def test_a_file_dragged_into_the_window_is_judged(assess, settled, tmp_path, shot, qtbot, monkeypatch) -> None:
    import tifffile
    from napari.settings import get_settings
    from qtpy.QtCore import QEvent, QPointF, QUrl
    from qtpy.QtGui import QDropEvent

    file = tmp_path / "dragged.tif"
    tifffile.imwrite(file, shot.frame.pixels)
    widget = assess()
    # napari asks once which reader is to be used for a kind of file, and remembers.
    monkeypatch.setattr(get_settings().plugins, "extension2reader", {"*.tif": "apertrue"})
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(file))])
    event = QDropEvent(
        QPointF(50, 50), Qt.DropAction.CopyAction, mime, Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier, QEvent.Type.Drop,
    )  # fmt: skip
    widget.viewer.window._qt_viewer.dropEvent(event)
    qtbot.waitUntil(lambda: widget.target is not None, timeout=120_000)
    assert settled(widget).assessment.offset_percent == pytest.approx(15.0, abs=0.5)
    assert widget.result.frame.file == str(file)


def test_sheet_and_log_are_those_of_the_commands(assess, settled, tmp_path, shot, qtbot, monkeypatch) -> None:
    import tifffile
    from qtpy.QtWidgets import QFileDialog

    from apertrue.session import default_log_path, events, open_log

    file, sheet = tmp_path / "one.tif", tmp_path / "day.csv"
    tifffile.imwrite(file, shot.frame.pixels)
    sheet.write_text("file,gun_shift_x,kv\none.tif,3.5,200\n", encoding="utf-8")
    widget = assess()
    assert not widget.log.isEnabled()
    widget.viewer.open(str(file), plugin="apertrue")
    settled(widget)
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *a, **k: (str(sheet), ""))
    click(widget.sheet)
    assert settled(widget).frame.state.gun_shift_x == 3.5
    assert "day.csv" in shows(widget, "setup")
    click(widget.log)
    qtbot.waitUntil(lambda: "entry 1" in shows(widget, "note"), timeout=120_000)
    click(widget.log)
    qtbot.waitUntil(lambda: "already" in shows(widget, "note"), timeout=120_000)
    with open_log(default_log_path(), read_only=True) as log:
        (entry,) = events(log)
    assert entry.get("kv") == 200
    assert entry.get("offset_percent") == widget.result.assessment.offset_percent
    click(widget.sheet)
    assert settled(widget).frame.state.kv is None
    sheet.write_text("file,wrong\n", encoding="utf-8")
    click(widget.sheet)
    assert "no such column" in shows(widget, "note")


def test_facts_of_a_file_end_when_another_picture_is_put_into_its_layer(assess, settled, tmp_path, shot) -> None:
    import tifffile

    file = tmp_path / "one.tif"
    tifffile.imwrite(file, shot.frame.pixels, datetime=True)
    widget = assess()
    (layer,) = widget.viewer.open(str(file), plugin="apertrue")
    assert settled(widget).frame.taken_at is not None
    layer.data = layer.data[5:, 5:]
    assert settled(widget).frame.taken_at is not None
    layer.data = layer.data.copy()
    assert settled(widget).frame.taken_at is None
    assert "not known" in shows(widget, "age")


def test_keys_paste_and_take_back(assess, settled, shot, qtbot) -> None:
    """The widget's own shortcuts, as the window passes them on."""
    from qtpy.QtGui import QKeySequence
    from qtpy.QtWidgets import QShortcut

    widget = assess()
    keys = {s.key().toString(): s for s in widget.findChildren(QShortcut)}
    gray = (255.0 * shot.frame.pixels / shot.frame.pixels.max()).astype(np.uint8)
    QApplication.clipboard().setImage(QImage(gray.data, 256, 256, 256, QImage.Format.Format_Grayscale8))
    keys[QKeySequence(QKeySequence.StandardKey.Paste).toString()].activated.emit()
    assert settled(widget) is not None
    assert widget.target.name == "pasted picture"
    click(widget.hand.fix_beam)
    QTest.keyClick(widget, Qt.Key.Key_Right)
    QTest.keyClick(widget, Qt.Key.Key_Return)
    assert settled(widget).scene.guided
    keys[QKeySequence(QKeySequence.StandardKey.Undo).toString()].activated.emit()
    assert not settled(widget).scene.guided


def test_a_damaged_file_dragged_in_is_told_and_nothing_changes(assess, settled, tmp_path, shot) -> None:
    from apertrue.errors import ReadError

    broken = tmp_path / "broken.tif"
    good = tmp_path / "good.tif"
    import tifffile

    tifffile.imwrite(good, shot.frame.pixels)
    broken.write_bytes(good.read_bytes()[:900])
    widget = assess()
    widget.viewer.open(str(good), plugin="apertrue")
    before = settled(widget)
    # napari shows what is raised here in its own message.
    with pytest.raises(ReadError, match=r"broken\.tif"):
        widget.viewer.open(str(broken), plugin="apertrue")
    assert settled(widget) is before


@pytest.mark.parametrize("kind", ["4-D", "multiscale", "rgba", "holes", "bool", "tiny"])
def test_pictures_of_every_kind_are_judged_or_put_aside_in_words(assess, settled, shot, kind) -> None:
    pixels = shot.frame.pixels
    light = (pixels / pixels.max() * 255).astype(np.uint8)
    made = {
        "4-D": (np.stack([np.stack([pixels[::-1], pixels]), np.stack([pixels, pixels])]), {}),
        "multiscale": ([np.kron(pixels, np.ones((2, 2), pixels.dtype)), pixels], {"multiscale": True}),
        "rgba": (np.stack([light] * 4, axis=-1), {"rgb": True}),
        "holes": (np.where(np.arange(256)[:, None] < 9, np.nan, pixels.astype(float)), {}),
        "bool": (pixels > pixels.mean(), {}),
        "tiny": (pixels[:4, :4], {}),
    }
    data, more = made[kind]
    widget = assess()
    widget.viewer.add_image(data, **more)
    a = settled(widget).assessment
    if kind in ("bool", "tiny"):
        assert (a.verdict, a.offset_percent) == ("retake", None)
        assert shows(widget, "headline")
    else:
        assert a.offset_percent == pytest.approx(15.0, abs=1.0)


def test_the_windows_end_in_the_middle_of_work_is_quiet(assess, shot, monkeypatch, qtbot) -> None:
    widget = assess(show=True)
    started, go = held(widget, monkeypatch)
    widget.viewer.add_image(shot.frame.pixels)
    qtbot.waitUntil(started.is_set, timeout=120_000)
    widget.viewer.close()
    assert widget._closed
    assert not widget.latest.running
    go.set()
    qtbot.wait(100)
    assert widget.result is None
