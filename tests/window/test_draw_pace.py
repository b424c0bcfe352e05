"""A live layer is drawn less often than its pictures come, so that they can be judged; nothing else is put off."""

import pytest

from apertrue.napari import _draw_pace
from apertrue.napari._assess_model import FOLLOW_S, LIVE_AFTER
from apertrue.napari._versions import canvas_of


@pytest.fixture
def drawn(assess, settled, shot, qtbot):
    """A shown picture, and a list that gets an entry with each drawing: the value of the layer's first pixel."""
    widget = assess(show=True)
    layer = widget.viewer.add_image(shot.frame.pixels.copy())
    settled(widget)
    qtbot.wait(100)
    times: list[int] = []
    canvas = widget.viewer.window._qt_viewer.canvas._scene_canvas

    def note(event) -> None:
        times.append(int(layer.data[0, 0]))

    canvas.events.draw.connect(note)
    yield widget, layer, times
    canvas.events.draw.disconnect(note)
    qtbot.wait(50)


def feed(layer, qtbot, count: int, first: int) -> None:
    """So many new pictures, each with time enough to be drawn; their first pixel counts them."""
    for k in range(count):
        new = layer.data.copy()
        new[0, 0] = first + k
        layer.data = new
        qtbot.wait(60)


def test_drawings_wait_while_pictures_flow_and_the_last_is_drawn(drawn, qtbot, monkeypatch) -> None:
    widget, layer, times = drawn
    # Long enough that a slow machine's pictures fall into one gap.
    monkeypatch.setattr(_draw_pace, "GAP_S", 5.0)
    monkeypatch.setattr(type(widget.model), "flowing", property(lambda model: True))
    feed(layer, qtbot, 6, 100)
    assert len(times) <= 1
    qtbot.waitUntil(lambda: 105 in times, timeout=20_000)
    assert len(times) <= 3


def test_without_a_live_layer_each_picture_is_drawn(drawn, qtbot, monkeypatch) -> None:
    widget, layer, times = drawn
    monkeypatch.setattr(_draw_pace, "GAP_S", 5.0)
    monkeypatch.setattr(type(widget.model), "flowing", property(lambda model: False))
    for k in range(4):
        new = layer.data.copy()
        new[0, 0] = 100 + k
        layer.data = new
        qtbot.waitUntil(lambda k=k: 100 + k in times, timeout=4_000)


def test_another_size_of_the_canvas_is_drawn_at_once(drawn, qtbot, monkeypatch) -> None:
    widget, layer, times = drawn
    monkeypatch.setattr(_draw_pace, "GAP_S", 30.0)
    monkeypatch.setattr(type(widget.model), "flowing", property(lambda model: True))
    feed(layer, qtbot, 2, 100)
    before = len(times)
    canvas = canvas_of(widget.viewer)
    canvas.resize(canvas.width() - 60, canvas.height() - 40)
    qtbot.waitUntil(lambda: len(times) > before, timeout=10_000)


def test_a_closed_widget_leaves_the_canvas_alone(drawn, qtbot, monkeypatch) -> None:
    widget, layer, times = drawn
    monkeypatch.setattr(_draw_pace, "GAP_S", 30.0)
    monkeypatch.setattr(type(widget.model), "flowing", property(lambda model: True))
    feed(layer, qtbot, 2, 100)
    widget.shut()
    for k in range(3):
        new = layer.data.copy()
        new[0, 0] = 200 + k
        layer.data = new
        qtbot.waitUntil(lambda k=k: 200 + k in times, timeout=10_000)


def test_pictures_flow_while_they_come_and_not_long_after(drawn, settled, qtbot) -> None:
    widget, layer, _ = drawn
    assert not widget.model.flowing
    for k in range(LIVE_AFTER + 1):
        new = layer.data.copy()
        new[0, 0] = k
        layer.data = new
        settled(widget)
    # A slow machine may take longer than that over one picture; then it counts as no live view at all.
    if widget.model.live:
        qtbot.waitUntil(lambda: not widget.model.flowing, timeout=round(4000 * FOLLOW_S))
        assert widget.model.live
