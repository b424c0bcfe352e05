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
    qtbot.waitUntil(lambda: not out.running, timeout=20_000)


def click(button) -> None:
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)


def test_pictures_are_followed_and_a_crossed_limit_is_seen_across_the_room(
    widget, qtbot, tmp_path, shot, centered
) -> None:
    folder = tmp_path / "snapshots"
    folder.mkdir()
    tifffile.imwrite(folder / "one.tif", centered.frame.pixels)
    widget.folder.setText(str(folder))
    widget.existing.setChecked(True)
    click(widget.begin_button)
    assert widget.running
    assert not widget.folder.isEnabled()
    qtbot.waitUntil(lambda: widget.counts.text().startswith("1 judged"), timeout=20_000)
    assert widget.value("Advice") == "leave"
    assert widget.banner.isHidden()
    tifffile.imwrite(folder / "two.tif", shot.frame.pixels)
    qtbot.waitUntil(lambda: not widget.banner.isHidden(), timeout=20_000)
    assert "off its limits" in widget.banner.text()
    assert np.array_equal(widget.layer.data, shot.frame.pixels)
    assert [layer.name for layer in widget.viewer.layers] == [VIEW, EDGES]
    offsets = [offset for _, offset, _ in widget.report.timeline.points]
    assert offsets[-1] == pytest.approx(15.0, abs=0.5)
    click(widget.end_button)
    qtbot.waitUntil(lambda: not widget.running, timeout=20_000)
    assert widget.begin_button.isEnabled()


def test_wrong_folders_are_told(widget, qtbot, tmp_path) -> None:
    click(widget.begin_button)
    assert "Name a folder" in widget.note.text()
    widget.folder.setText(str(tmp_path / "nowhere"))
    click(widget.begin_button)
    qtbot.waitUntil(lambda: not widget.running, timeout=20_000)
    assert "no such folder" in widget.note.text()
    assert widget.begin_button.isEnabled()


def test_closing_ends_the_watch(widget, qtbot, tmp_path) -> None:
    widget.folder.setText(str(tmp_path))
    click(widget.begin_button)
    qtbot.waitUntil(lambda: widget.report is not None, timeout=20_000)
    widget.close()
    qtbot.waitUntil(lambda: not widget.running, timeout=20_000)
