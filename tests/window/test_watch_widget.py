"""The watch widget: pictures that arrive, a warning, wrong folders, stop and close."""

import numpy as np
import pytest
import tifffile

pytest.importorskip("napari")
pytestmark = pytest.mark.window

from qtpy.QtCore import Qt  # noqa: E402
from qtpy.QtTest import QTest  # noqa: E402

from apertrue.napari import _watch_model  # noqa: E402
from apertrue.napari._watch import EDGES, VIEW, WatchWidget  # noqa: E402


@pytest.fixture
def widget(make_napari_viewer, qtbot, monkeypatch):
    monkeypatch.setattr(_watch_model, "POLL_S", 0.1)
    viewer = make_napari_viewer()
    out = WatchWidget(viewer)
    viewer.window.add_dock_widget(out, name="Watch")
    yield out
    out.shut()
    qtbot.waitUntil(lambda: not out.running, timeout=120_000)


def click(button) -> None:
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)


def begun_on(widget, folder, shot):
    """The folder, with one picture in it that the widget has begun to watch with all that is there."""
    folder.mkdir()
    tifffile.imwrite(folder / "one.tif", shot.frame.pixels)
    widget.folder.setText(str(folder))
    widget.existing.setChecked(True)
    click(widget.begin_button)
    return folder


def test_pictures_are_followed_and_a_crossed_limit_is_seen_across_the_room(
    widget, qtbot, tmp_path, shot, centered
) -> None:
    folder = begun_on(widget, tmp_path / "snapshots", centered)
    assert widget.running
    assert not widget.folder.isEnabled()
    qtbot.waitUntil(lambda: widget.counts.text().startswith("1 judged"), timeout=120_000)
    assert widget.value("Advice") == "leave"
    assert widget.banner.isHidden()
    tifffile.imwrite(folder / "two.tif", shot.frame.pixels)
    qtbot.waitUntil(lambda: not widget.banner.isHidden(), timeout=120_000)
    assert "off its limits" in widget.banner.text()
    assert np.array_equal(widget.layer.data, shot.frame.pixels)
    assert [layer.name for layer in widget.viewer.layers] == [VIEW, EDGES]
    offsets = [offset for _, offset, _ in widget.report.timeline.points]
    assert offsets[-1] == pytest.approx(15.0, abs=0.5)
    click(widget.end_button)
    qtbot.waitUntil(lambda: not widget.running, timeout=120_000)
    assert widget.begin_button.isEnabled()
    # What is over warns of nothing any more, and says that it is over.
    assert widget.banner.isHidden()
    assert "Stopped" in widget.note.text()


def test_wrong_folders_are_told(widget, qtbot, tmp_path) -> None:
    click(widget.begin_button)
    assert "Name a folder" in widget.note.text()
    widget.folder.setText(str(tmp_path / "nowhere"))
    click(widget.begin_button)
    qtbot.waitUntil(lambda: not widget.running, timeout=120_000)
    assert "no such folder" in widget.note.text()
    assert widget.banner.isHidden()
    assert widget.begin_button.isEnabled()


def test_closing_ends_the_watch(widget, qtbot, tmp_path) -> None:
    widget.folder.setText(str(tmp_path))
    click(widget.begin_button)
    qtbot.waitUntil(lambda: widget.report is not None, timeout=120_000)
    widget.close()
    qtbot.waitUntil(lambda: not widget.running, timeout=120_000)


@pytest.fixture
def live(widget, centered):
    """A layer as a camera's plugin keeps it, chosen to be watched."""
    layer = widget.viewer.add_image(centered.frame.pixels, name="camera", scale=(2.0, 2.0))
    widget.what.setCurrentIndex(widget.what.findData("layer"))
    widget.every.setValue(1)
    return layer


def test_a_live_layer_is_followed_logged_and_warned_of(widget, qtbot, live, shot) -> None:
    from apertrue.session import default_log_path, events, open_log

    assert widget.which.currentText() == "camera"
    click(widget.begin_button)
    qtbot.waitUntil(lambda: widget.counts.text() == "1 judged", timeout=120_000)
    assert widget.value("Advice") == "leave"
    live.data = shot.frame.pixels
    qtbot.waitUntil(lambda: not widget.banner.isHidden(), timeout=120_000)
    assert widget.report.timeline.points[-1][1] == pytest.approx(15.0, abs=0.5)
    # No layer for the picture: it is the camera's own, and the marks lie where it lies in the world.
    assert [layer.name for layer in widget.viewer.layers] == ["camera", EDGES]
    assert widget.viewer.layers[EDGES].affine.affine_matrix[0, 0] == pytest.approx(2.0)
    # The camera sends the same frame again: that is told, not written down as news.
    for _ in range(3):
        live.data = shot.frame.pixels.copy()
        widget._on_look()
        judged = widget.counts.text()
        qtbot.waitUntil(lambda judged=judged: widget.counts.text() != judged, timeout=120_000)
        qtbot.wait(1100)
    assert "frozen" in widget.counts.text()
    click(widget.end_button)
    qtbot.waitUntil(lambda: not widget.running, timeout=120_000)
    with open_log(default_log_path(), read_only=True) as log:
        files = [e.get("file") for e in events(log)]
    assert len(files) >= 2
    assert all(f.startswith("camera 2") for f in files)


def test_simulated_and_unlogged_pictures_leave_no_trace(widget, qtbot, live, shot) -> None:
    from apertrue.napari._origin import KEY, Origin
    from apertrue.session import default_log_path

    live.metadata = {KEY: Origin(None, (), simulated=True)}
    click(widget.begin_button)
    assert "simulated" in widget.note.text()
    qtbot.waitUntil(lambda: widget.counts.text() == "1 judged", timeout=120_000)
    # The layer goes in the middle of the watch: it ends and says so.
    widget.viewer.layers.remove(live)
    qtbot.waitUntil(lambda: not widget.running, timeout=120_000)
    assert "layer is gone" in widget.note.text()
    # Nobody asked for that: it is seen across the room.
    assert not widget.banner.isHidden()
    assert "has ended" in widget.banner.text()
    assert widget.which.count() == 0
    click(widget.begin_button)
    assert "no picture layer" in widget.note.text()
    assert not default_log_path().exists()


def test_what_a_layer_cannot_give_is_told_and_the_watch_goes_on(widget, qtbot, live, shot) -> None:
    live.data = np.full((64, 64), np.nan)
    click(widget.begin_button)
    qtbot.waitUntil(lambda: "none of its pixels" in widget.note.text(), timeout=120_000)
    live.data = shot.frame.pixels
    qtbot.waitUntil(lambda: "1 judged" in widget.counts.text(), timeout=120_000)
    assert widget.running


def test_the_chooser_fills_in_and_an_unlogged_watch_leaves_no_log(widget, qtbot, live, tmp_path, monkeypatch) -> None:
    from qtpy.QtWidgets import QFileDialog

    from apertrue.session import default_log_path

    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *a, **k: str(tmp_path))
    widget.browse.click()
    assert widget.folder.text() == str(tmp_path)
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *a, **k: "")
    widget.browse.click()
    assert widget.folder.text() == str(tmp_path)
    widget.keep.setChecked(False)
    click(widget.begin_button)
    qtbot.waitUntil(lambda: widget.counts.text() == "1 judged", timeout=120_000)
    click(widget.end_button)
    qtbot.waitUntil(lambda: not widget.running, timeout=120_000)
    assert not default_log_path().exists()


def test_the_timeline_shows_points_limit_and_what_is_expected(qtbot) -> None:
    from qtpy.QtGui import QColor

    from apertrue.napari._timeline_view import TimelineView
    from apertrue.napari._watch_model import Timeline
    from apertrue.overlay.colors import BEAM, MOVE, UNKNOWN

    view = TimelineView()
    qtbot.addWidget(view)
    view.resize(400, 200)

    def places(color: str) -> list[tuple[int, int]]:
        image, wanted = view.grab().toImage(), QColor(color).rgb()
        return [(x, y) for y in range(image.height()) for x in range(image.width()) if image.pixel(x, y) == wanted]

    assert not places(BEAM)
    assert places(UNKNOWN)
    view.show_timeline(Timeline(((1.0, 2.0, 0.1), (0.2, 4.0, None)), 5.0, (0.3, 0.6), 0.4))
    points, limit, crossing = places(BEAM), places(UNKNOWN), places(MOVE)
    early = [y for x, y in points if x < 100]
    late = [y for x, y in points if x >= 100]
    # The later one lies higher, both below the limit, and the limit is crossed later still.
    assert max(y for _, y in limit) < min(late) < min(early)
    assert max(x for x, _ in points) < min(x for x, _ in crossing)


@pytest.mark.parametrize("fault", [ZeroDivisionError("made up"), MemoryError()])
def test_a_fault_over_one_picture_is_told_and_the_watch_of_a_folder_goes_on(
    widget, qtbot, tmp_path, shot, centered, monkeypatch, fault
) -> None:
    _faulty(monkeypatch, fault, times=1)
    folder = begun_on(widget, tmp_path / "snapshots", centered)
    qtbot.waitUntil(lambda: "one.tif" in widget.note.text(), timeout=120_000)
    _explained(widget.note.text(), fault)
    assert widget.running
    tifffile.imwrite(folder / "two.tif", shot.frame.pixels)
    qtbot.waitUntil(lambda: widget.counts.text() == "1 judged, 1 unreadable", timeout=120_000)
    assert np.array_equal(widget.layer.data, shot.frame.pixels)
    assert widget.running


@pytest.mark.parametrize("fault", [ZeroDivisionError("made up"), MemoryError()])
def test_a_fault_over_one_picture_is_told_and_the_watch_of_a_layer_goes_on(
    widget, qtbot, live, shot, monkeypatch, fault
) -> None:
    _faulty(monkeypatch, fault, times=1)
    click(widget.begin_button)
    qtbot.waitUntil(lambda: widget.note.text().startswith("camera: "), timeout=120_000)
    _explained(widget.note.text(), fault)
    live.data = shot.frame.pixels
    qtbot.waitUntil(lambda: widget.counts.text() == "1 judged, 1 unreadable", timeout=120_000)
    assert widget.running


def test_a_fault_in_looking_at_a_layer_is_told_and_the_next_look_goes_on(
    widget, qtbot, live, centered, monkeypatch
) -> None:
    import apertrue.napari._watch as window

    whole, faults = window.aim, [ZeroDivisionError("made up")]
    monkeypatch.setattr(window, "aim", lambda *a: _raise(faults.pop()) if faults else whole(*a))
    click(widget.begin_button)
    assert "made up" in widget.note.text()
    assert "please report it" in widget.note.text()
    live.data = centered.frame.pixels.copy()
    qtbot.waitUntil(lambda: widget.counts.text() == "1 judged", timeout=120_000)


def _faulty(monkeypatch, fault, times) -> None:
    """The first pictures can't be judged: a fault of ours, which nothing else can bring about."""
    import apertrue.watch.engine as engine

    whole, faults = engine.judge, [fault] * times
    monkeypatch.setattr(engine, "judge", lambda *a, **more: _raise(faults.pop()) if faults else whole(*a, **more))


def _raise(error):
    raise error


def _explained(text, fault) -> None:
    """The reason and the remedy are there."""
    if isinstance(fault, MemoryError):
        assert "not enough memory for it. Crop it or save it smaller" in text
    else:
        assert "could not be judged (ZeroDivisionError: made up)" in text
        assert "please report it" in text
