"""The audit widget: a run to its end, its rows and their pictures, the report, stopping, wrong input, closing."""

from pathlib import Path

import numpy as np
import pytest
import tifffile

pytest.importorskip("napari")
pytestmark = pytest.mark.window

from qtpy.QtCore import Qt  # noqa: E402
from qtpy.QtGui import QDesktopServices, QResizeEvent  # noqa: E402
from qtpy.QtTest import QTest  # noqa: E402
from qtpy.QtWidgets import QFileDialog  # noqa: E402

from apertrue.napari import _audit_model  # noqa: E402
from apertrue.napari._audit import EDGES, AuditWidget  # noqa: E402


@pytest.fixture
def archive(tmp_path, shot, centered) -> Path:
    folder = tmp_path / "archive"
    folder.mkdir()
    tifffile.imwrite(folder / "a-centered.tif", centered.frame.pixels)
    tifffile.imwrite(folder / "b-off.tif", shot.frame.pixels)
    (folder / "c-damaged.tif").write_bytes((folder / "b-off.tif").read_bytes()[:900])
    return folder


@pytest.fixture
def widget(make_napari_viewer, qtbot, tmp_path, monkeypatch):
    monkeypatch.setattr(_audit_model, "POLL_S", 0.05)
    viewer = make_napari_viewer()
    out = AuditWidget(viewer, workers=0)
    viewer.window.add_dock_widget(out, name="Audit")
    out.store.setText(str(tmp_path / "audit.sqlite"))
    yield out
    out.shut()
    qtbot.waitUntil(lambda: not out.running, timeout=120_000)


def click(button) -> None:
    assert button.isEnabled()
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)


def done(widget, qtbot) -> None:
    qtbot.waitUntil(lambda: not widget.running and not widget.loading.running, timeout=120_000)


def test_a_run_its_rows_their_pictures_and_the_report(widget, qtbot, archive, shot, monkeypatch) -> None:
    widget.folder.setText(str(archive))
    click(widget.begin_button)
    assert widget.running
    assert not widget.folder.isEnabled()
    done(widget, qtbot)
    assert widget.progress.text() == "3 of 3 files, 1 not read"
    assert widget.counts.text().startswith("3 pictures: 1 leave, ")
    assert [row.kind for row in widget.shown.rows][::2] == ["leave", "error"]

    # A row opens its picture with both edges where they are; keys move on.
    widget.table.selectRow(1)
    qtbot.waitUntil(lambda: "opening" not in widget.words.text(), timeout=120_000)
    assert np.array_equal(widget.layer.data, shot.frame.pixels)
    lines = widget.viewer.layers[EDGES].data[:, 0]
    t = shot.truth
    on_beam = abs(np.hypot(lines[:, 1] - t.beam_x_px, lines[:, 0] - t.beam_y_px) - t.beam_radius_px) < 0.6
    assert np.count_nonzero(on_beam) >= 140
    assert "Offset 15.0" in widget.words.text()
    QTest.keyClick(widget.table, Qt.Key.Key_Down)
    qtbot.waitUntil(lambda: "opening" not in widget.words.text(), timeout=120_000)
    assert widget.words.text().startswith("c-damaged.tif\nc-damaged.tif: ")
    assert not widget.layer.visible
    assert not widget.viewer.layers[EDGES].visible
    QTest.keyClick(widget.table, Qt.Key.Key_Home)
    widget.table.selectRow(0)
    qtbot.waitUntil(lambda: "LEAVE" in widget.words.text(), timeout=120_000)
    assert widget.layer.visible
    assert len(widget.viewer.layers) == 2

    # The score is the working score, and it has its doubt as the offset has.
    model = widget.table.source
    headings = [model.headerData(k, Qt.Orientation.Horizontal, 0) for k in range(5)]
    assert headings[2:4] == ["Offset, %", "Work score"]
    assert "±" not in model.index(0, 2).data()  # no room for it here
    assert model.index(0, 2).data(Qt.ItemDataRole.ToolTipRole).count(" ± ") == 2
    widget.table.viewport().resize(1200, 300)
    widget.table.resizeEvent(QResizeEvent(widget.table.viewport().size(), widget.table.size()))
    assert all(" ± " in model.index(0, k).data() for k in (2, 3))

    # Sorting by numbers, with what was not measured last; filters.
    widget.table.sortByColumn(2, Qt.SortOrder.AscendingOrder)
    shown = [widget.table.filter.index(k, 0).data() for k in range(3)]
    assert shown == ["a-centered.tif", "b-off.tif", "c-damaged.tif"]
    widget.kind.setCurrentIndex(widget.kind.findData("error"))
    assert widget.table.shown == 1
    widget.name.setText("off")
    assert widget.table.shown == 0
    assert "No picture passes" in widget.words.text()

    opened = []
    monkeypatch.setattr(QDesktopServices, "openUrl", lambda url: opened.append(url.toLocalFile()) or True)
    widget.masked.setChecked(True)
    click(widget.report)
    qtbot.waitUntil(lambda: bool(opened), timeout=120_000)
    page = Path(opened[0]).read_text(encoding="utf-8")
    assert Path(opened[0]) == Path(widget.store.text()).with_suffix(".html")
    assert "b-off" not in page

    # The command finds the same audit in the same file: nothing is read again.
    from apertrue.audit import MIGRATIONS, AuditSettings, run_audit
    from apertrue.store import open_store

    told = []
    with open_store(widget.store.text(), migrations=MIGRATIONS) as store:
        number = run_audit([str(archive)], store, settings=AuditSettings(), on_progress=told.append)
    assert number == widget.shown.number
    assert told[-1].total == 0


def test_stopping_keeps_what_was_judged_and_starting_goes_on(widget, qtbot, archive, shot) -> None:
    for k in range(12):
        tifffile.imwrite(archive / f"d-{k:02d}.tif", np.roll(shot.frame.pixels, k, axis=0))
    widget.folder.setText(str(archive))
    QTest.keyClick(widget.folder, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: " of 15 files" in widget.progress.text(), timeout=120_000)
    click(widget.end_button)
    done(widget, qtbot)
    assert "Stopped" in widget.note.text()
    assert widget.shown.unfinished > 0
    assert "Start goes on" in widget.counts.text()
    click(widget.begin_button)
    done(widget, qtbot)
    assert widget.shown.unfinished == 0
    assert len(widget.shown.rows) == 15


def test_closing_the_dock_ends_the_command(widget, qtbot, archive, monkeypatch) -> None:
    started = []
    popen = _audit_model.subprocess.Popen
    monkeypatch.setattr(_audit_model.subprocess, "Popen", lambda *a, **k: started.append(popen(*a, **k)) or started[-1])
    widget.folder.setText(str(archive))
    click(widget.begin_button)
    qtbot.waitUntil(lambda: bool(started), timeout=120_000)
    # As the dock's own cross does it.
    widget.viewer.window.remove_dock_widget(widget)
    qtbot.waitUntil(lambda: not widget.running, timeout=120_000)
    assert started[0].poll() is not None


def test_wrong_input_is_told(widget, qtbot, tmp_path, archive) -> None:
    click(widget.begin_button)
    assert "Name a folder" in widget.note.text()
    widget.folder.setText(str(tmp_path / "nowhere"))
    click(widget.begin_button)
    done(widget, qtbot)
    assert "no such folder" in widget.note.text()
    widget.folder.setText(str(archive))
    click(widget.show_button)
    done(widget, qtbot)
    assert "no results yet" in widget.note.text()
    assert not widget.report.isEnabled()
    widget.store.setText(str(tmp_path / "missing" / "audit.sqlite"))
    click(widget.begin_button)
    done(widget, qtbot)
    assert "no folder for it" in widget.note.text()
    # A store is there already: still the reason is told, not that it holds nothing of the folder.
    widget.store.setText(str(tmp_path / "audit.sqlite"))
    click(widget.begin_button)
    done(widget, qtbot)
    widget.folder.setText(str(tmp_path / "nowhere"))
    click(widget.begin_button)
    done(widget, qtbot)
    assert "no such folder" in widget.note.text()
    other = tmp_path / "notes.sqlite"
    other.write_text("no store", encoding="utf-8")
    widget.store.setText(str(other))
    click(widget.show_button)
    done(widget, qtbot)
    assert "notes.sqlite" in widget.note.text()


def test_what_the_command_says_is_passed_on(widget, qtbot, tmp_path, archive) -> None:
    sheet = tmp_path / "day.csv"
    sheet.write_text("file,wrong\na.tif,1\n", encoding="utf-8")
    widget.folder.setText(str(archive))
    widget.sheet.setText(str(sheet))
    click(widget.begin_button)
    done(widget, qtbot)
    assert "there is no such column" in widget.note.text()


def test_the_choosers_fill_in_what_was_chosen(widget, monkeypatch) -> None:
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *a, **k: "/archive/2026")
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *a, **k: ("/archive/r.sqlite", ""))
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *a, **k: ("/archive/day.csv", ""))
    for button in (widget.browse, widget.browse_store, widget.browse_sheet):
        button.click()
    c = widget.choice()
    assert c.command()[1:4:2] == [str(Path("/archive/2026").absolute()), str(Path("/archive/r.sqlite").absolute())]
    assert c.command()[-1] == str(Path("/archive/day.csv").absolute())
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *a, **k: "")
    widget.browse.click()
    assert widget.folder.text() == "/archive/2026"
