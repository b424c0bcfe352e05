"""The practice widget: every button, wrong readings, the review."""

import pytest

pytest.importorskip("napari")
pytestmark = pytest.mark.window

from qtpy.QtCore import Qt  # noqa: E402
from qtpy.QtTest import QTest  # noqa: E402
from qtpy.QtWidgets import QLabel  # noqa: E402

from apertrue.instrument import Instrument  # noqa: E402
from apertrue.napari._practice import EDGES, VIEW, PracticeWidget  # noqa: E402
from apertrue.napari._practice_model import PracticeModel  # noqa: E402
from apertrue.practice.game import Practice  # noqa: E402


@pytest.fixture
def widget(make_napari_viewer, qtbot):
    viewer = make_napari_viewer()
    out = PracticeWidget(viewer, PracticeModel(size=256))
    viewer.window.add_dock_widget(out, name="Practice")
    yield out
    out.shut()


@pytest.fixture
def press(widget, qtbot):
    def push(button) -> str:
        assert button.isEnabled()
        QTest.mouseClick(button, Qt.MouseButton.LeftButton)
        qtbot.waitUntil(lambda: not widget.latest.running, timeout=120_000)
        return widget.findChild(QLabel, "story").text()

    return push


def _hangs(task: str, seed: int) -> bool:
    practice = Practice(task, seed, advice=True, instrument=Instrument(), size=256)
    return practice.automatic().outcome == "hung"


def test_before_the_start_only_starting_is_possible(widget) -> None:
    assert widget.start.isEnabled()
    assert not widget.take.isEnabled()
    assert "simulated" in widget.story.text()


def test_following_the_advice_reaches_the_goal(widget, press) -> None:
    assert "Goal: the beam within 3 % of the aperture radius" in press(widget.start)  # as the command words it
    assert [layer.name for layer in widget.viewer.layers] == [VIEW, EDGES]
    assert "detector" in widget.words.text()
    for _ in range(8):
        if not widget.follow.isEnabled():
            break
        press(widget.follow)
        assert "Moved" in press(widget.turn)
    assert widget.model.practice.scope.truth().offset_percent < 3.0
    press(widget.finish)
    assert "• Reached" in widget.words.text()
    assert len(widget.viewer.layers) == 2


def test_without_advice_nothing_is_given_away(widget, press) -> None:
    widget.with_advice.setChecked(False)
    press(widget.start)
    assert widget.words.text() == ""
    assert not widget.follow.isEnabled()
    assert EDGES not in widget.viewer.layers


def test_meter_routine_wait_and_focus(widget, press) -> None:
    press(widget.start)
    assert "pA" in press(widget.read)
    assert "15 min" in press(widget.pause)
    assert "routine" in press(widget.routine)
    widget.focus.setValue(widget.focus.value() * 0.9)
    assert "focus" in press(widget.refocus)
    kinds = [a.kind for a in widget.model.practice.actions]
    assert kinds == ["picture", "current", "wait", "picture", "automatic", "picture", "focus", "picture"]


def test_readings_out_of_range_move_nothing() -> None:
    model = PracticeModel(size=128)
    with pytest.raises(ValueError, match="No practice was started"):
        model.picture()
    model.begin("creep", 1, True)
    before = model.readings()[:2]
    model.set_shift(5000.0, 0.0)
    assert "Nothing was moved" in model.said
    assert model.readings()[:2] == before


def test_closing_in_the_middle_is_quiet(widget, qtbot) -> None:
    QTest.mouseClick(widget.start, Qt.MouseButton.LeftButton)
    widget.close()
    qtbot.wait(800)
    assert widget.look is None


def test_a_routine_that_hangs_is_told(widget, press, monkeypatch) -> None:
    press(widget.start)
    assert "Picture taken" in press(widget.take)
    scope = widget.model.practice.scope
    # Which microscope's routine hangs the first time is found without window and pictures.
    seed = next(n for n in range(1, 200) if _hangs(str(widget.task.currentData()), n))
    widget.seed.setValue(seed)
    press(widget.start)
    assert "hung" in press(widget.routine)
    assert widget.model.practice.scope is not scope
    assert "stopped after" in widget.story.text()


def test_advice_can_be_turned_off_in_the_middle(widget, press) -> None:
    press(widget.start)
    assert widget.words.text()
    widget.with_advice.setChecked(False)
    press(widget.take)
    assert not widget.words.text()
    assert not widget.viewer.layers[EDGES].visible
    assert not widget.follow.isEnabled()
